"""The command line: the same settings for another form, other units, spans or registers."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from chamberctl.cli import main
from chamberctl.study import load
from tests import studies


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str]) -> Callable[..., tuple[int, str, str]]:
    def call(*arguments: str) -> tuple[int, str, str]:
        status = main(arguments)
        shown = capsys.readouterr()
        return status, " ".join(shown.out.split()), " ".join(shown.err.split())

    return call


@pytest.fixture
def study(tmp_path: Path) -> str:
    """Reference plant with a linear reading, 0 to 100 mbar, output 0 to 50 Hz."""
    path = tmp_path / "study.toml"
    plain = load("preset:reference-plant").with_text({
        "controller.rule": "simc",
        "controller.reading": "linear",
        "controller.reading_low": "0 mbar",
    })  # fmt: skip
    plain.save(path)
    return str(path)


KNOWN = ("--set", "gain=2", "--set", "integral=20")


def test_a28_two_percent_per_mbar_in_every_notation(run: Any, study: str) -> None:
    """Kp 2 %/mbar, span 0-100 mbar and 0-50 Hz, Ti 20 s; the way back is exact."""
    status, out, _ = run("convert", study, *KNOWN)
    assert status == 0
    for shown in (
        "Gain 2.00 %/% = 2.00 %/mbar = 1.00 Hz/mbar", "Proportional band 50.0 %",
        "20.0 s = 0.333 min", "3.00 repeats/min", "0.100 %/mbar/s",
    ):  # fmt: skip
        assert shown in out
    status, out, _ = run("convert", study, *KNOWN, "--gain-as", "engineering", "--json")
    answer = json.loads(out)
    (gain,) = [row for row in answer["as_typed"] if row["key"] == "Kc"]
    assert (gain["text"], gain["unit"]) == ("1.000", "Hz/mbar")
    assert answer["settings"]["kc_speed_fraction_per_pa"] == pytest.approx(2e-4, rel=1e-12)
    assert answer["settings"]["ti_s"] == 20.0


def test_a29_the_span_moved_to_1000_mbar(run: Any, study: str) -> None:
    """20.0 %/% and a proportional band of 5 %, with a note that both are changed together."""
    moved = ("--reading-span", "0 mbar", "1000 mbar")
    status, out, _ = run("convert", study, *KNOWN, *moved)
    assert status == 0
    assert "Gain 20.000 %/% 2 %/%" in out
    assert "20.0 %/% (proportional band 5.00 %)" in out
    assert "must be changed together with the gain, in manual" in out
    assert "Spans before: 0 to 100 mbar (linear)" in out
    _, out, _ = run("convert", study, *KNOWN, *moved, "--gain-as", "proportional band", "--json")
    assert json.loads(out)["as_typed"][0]["text"] == "5.000"


def test_a30_the_series_form_or_a_refusal_in_words(run: Any, study: str) -> None:
    """2, 20 s, 2 s is 1.775, 17.75 s, 2.254 s; with 6 s there is none."""
    given = ("--set", "gain=2", "--set", "derivative=2", "--form", "series", "--json")
    status, out, _ = run("convert", study, *given, "--set", "integral=20")
    assert status == 0
    typed = {row["key"]: row["text"] for row in json.loads(out)["as_typed"]}
    assert (typed["Kc"], typed["Ti"], typed["Td"]) == ("1.775", "17.75", "2.25")
    status, out, err = run("convert", study, *given, "--set", "integral=6")
    assert (status, out) == (2, "")
    assert "the series form cannot express these settings, it needs Ti of at least 4 Td" in err


def test_a31_with_one_decimal_the_margins_are_recomputed_and_compared(run: Any, study: str) -> None:
    given = ("--set", "gain=20.26", "--set", "integral=9.04")
    status, out, _ = run("convert", study, *given, "--decimals", "1", "1", "1", "1")
    assert status == 0
    assert "20.3" in out
    assert re.search(r"Worst margins of the exact and of the rounded settings: .*Ms", out)
    # the same in the command that tunes
    _, out, _ = run("tune", study)
    assert "Worst margins of the exact and of the rounded settings" in out


def test_a32_an_integer_register(run: Any, study: str) -> None:
    """x100 int16: 2.004 is 200, 0.2 % off, with range check and note on the order of words."""
    given = ("--set", "gain=2.004", "--set", "integral=20")
    status, out, _ = run("convert", study, *given, "--registers", "int16", "100", "10", "10", "10")
    assert status == 0
    assert "Gain 200 %/% x 100 200.4 -0.2" in out
    assert "no order of words to mind" in out
    status, out, _ = run("convert", study, *given, "--registers", "int32", "100", "10", "10", "10")
    assert "200 is 0 and 200 with the high word first" in out
    status, out, _ = run(
        "convert", study, *given, "--registers", "int16", "100000", "10", "10", "10"
    )
    assert status == 1
    assert "an int16 holds -32768 to 32767" in out


def test_a33_every_way_out_says_what_must_happen_and_how_to_check_it(run: Any, study: str) -> None:
    for command in (("convert", study, *KNOWN), ("convert", study, "--json"), ("tune", study)):
        _, out, _ = run(*command)
        assert "Pressure above setpoint -> speed must go up." in out
        assert "The reading must FALL by about" in out
        assert "not a safety function" in out


def test_settings_of_tuning_and_of_the_record(run: Any, study: str, tmp_path: Path) -> None:
    status, out, _ = run("convert", study, "--form", "parallel")
    assert status == 0
    assert "The settings are those that tuning finds." in out
    assert "Proportional gain Kp" in out
    status, _, err = run("convert", study, "--settings", "as-found")
    assert status == 2
    assert "controller.as_found: no settings are recorded as found" in err
    text = Path(study).read_text(encoding="utf-8")
    recorded = studies.write(
        tmp_path, text + '\n[controller.as_found]\ngain = "2"\nintegral = "20 s"\n', "found.toml"
    )
    status, out, _ = run("convert", recorded, "--settings", "as-found")
    assert status == 0
    assert "The settings are those recorded as found." in out
    assert "Not written down, so assumed: no derivative" in out


@pytest.mark.parametrize(
    "given,said",
    [
        (("--set", "gain"), "--set needs NAME=NUMBER"),
        (("--set", "gain=2"), "'integral' is missing"),
        (("--set", "gain=two", "--set", "integral=20"), "--set.gain"),
        ((*KNOWN, "--settings", "as-found"), "leave out --settings"),
        ((*KNOWN, "--reading-span", "0", "100"), "controller.reading_low"),
        ((*KNOWN, "--gain-as", "loud"), "controller.gain_as"),
        ((*KNOWN, "--registers", "int8", "1", "1", "1", "1"), "controller.integers.kind"),
    ],
)
def test_what_cannot_be_used_is_named(run: Any, study: str, given: tuple[str, ...],
                                      said: str) -> None:  # fmt: skip
    status, out, err = run("convert", study, *given)
    assert (status, out) == (2, "")
    assert said in err
