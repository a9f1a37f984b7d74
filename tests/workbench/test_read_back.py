"""Reading back: what agrees, what differs and by how much, and what the numbers shown would do."""

from __future__ import annotations

from pathlib import Path

import pytest

import chamberctl as cc
from chamberctl.control.tuning import rule_tuning
from chamberctl.report.tables import as_html
from chamberctl.study.reading import loads
from chamberctl.workbench.bundle import bundle as made
from chamberctl.workbench.candidates import Bench, Shown, candidate_of
from chamberctl.workbench.read_back import as_shown, is_complete, margins_table, read_back
from chamberctl.workbench.runs import attempt, file_name, metrics_table, places, verdicts
from chamberctl.workbench.study_settings import joined


def one(bench: Bench, key: str, text: str):  # type: ignore[no-untyped-def]
    return next(r for r in read_back(bench.own, {key: text}) if r.row.key == key)


def test_all_that_was_to_be_typed_in_agrees(bench: Bench) -> None:
    found = read_back(bench.own, bench.own.typed.texts())
    assert all(item.good for item in found)
    assert is_complete(found)
    assert not is_complete(read_back(bench.own, {"Kc": "1"}))


@pytest.mark.parametrize(
    ("key", "text", "good", "said"),
    [
        ("Ti", "9,2", True, ""),
        ("Ti", "9.20", True, ""),
        ("Ti", "92", False, "9.20 was to be typed in, this is 900 % more."),
        ("Ti", "4.6", False, "50 % less"),
        ("Tt", "same as Ti", True, ""),
        ("Tt", "5", False, "differs: same as Ti was to be typed in."),
        ("ramp", "off", True, ""),
        ("ramp", "2", False, "differs: off was to be typed in."),
        ("Kc", "lots", False, "begin with one number"),
    ],
)
def test_one_number(bench: Bench, key: str, text: str, good: bool, said: str) -> None:
    found = one(bench, key, text)
    assert found.good == good
    assert said in found.said


def test_the_numbers_shown_are_judged_as_the_library_judges_them(bench: Bench) -> None:
    shown = as_shown(bench, bench.own, {"Kc": "45"})
    assert isinstance(shown, cc.Tuning)
    assert shown.typed["Ti"].text == bench.own.typed["Ti"].text
    same = cc.assess(bench.study, shown.settings)
    assert shown.worst["ms"] == pytest.approx(same.worst["ms"], nan_ok=True)
    table = as_html(margins_table(bench.own, shown))
    assert "\u2717 no" in table
    assert isinstance(as_shown(bench, bench.own, {"Kc": "-1"}), cc.InputError)


def test_runs_side_by_side_say_what_is_broken(bench: Bench) -> None:
    study = bench.study.with_text({"duty.limits.undershoot": "0.1 %"})
    shown = [Shown("Mine & yours", rule_tuning(study))]
    (trial,) = trials = attempt(shown, "setpoint-step-down", shown[0].tuning.points[0].where, None)
    (verdict,) = verdicts(study, trials)
    assert verdict.severity == "no"
    assert "Undershoot" in verdict.text
    assert "BROKEN" in as_html(metrics_table(study, trials))
    assert file_name(study, trial) == "setpoint-step-down-point-1-mine-yours.csv"
    assert "a corner of the duty" in places(bench.own)[bench.own.points[0].where]


@pytest.mark.slow
def test_a_bundle_is_what_the_command_writes(bench: Bench, tmp_path: Path) -> None:
    text = joined(bench.study.text, candidate_of("mine", bench.own))
    found = made(text, "plant.toml")
    assert made(text, "plant.toml").names == found.names
    study = loads(text, "plant.toml")
    cc.write_report(study, cc.tune(study), tmp_path)
    assert set(found.names) == {path.name for path in tmp_path.iterdir()}

    def dateless(page: bytes) -> list[str]:
        return [line for line in page.decode().splitlines() if "20" not in line]

    assert dateless(found.html) == dateless((tmp_path / "report.html").read_bytes())
