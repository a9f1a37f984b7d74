"""The command line: published rules on one study."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from chamberctl.cli import main
from chamberctl.study import load


def written(folder: Path, gas_load: str) -> str:
    """The reference plant at 5 mbar and one gas load, tuned by the quickest rule."""
    path = folder / "study.toml"
    hold = {"setpoint": "5 mbar", "gas_loads": [gas_load]}
    changes = {"controller.rule": "simc", "duty.hold": [hold]}
    load("preset:reference-plant").with_text(changes).save(path)
    return str(path)


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str]) -> Callable[..., tuple[int, str, str]]:
    def call(*arguments: str) -> tuple[int, str, str]:
        status = main(arguments)
        shown = capsys.readouterr()
        return status, shown.out, shown.err

    return call


def test_rules_side_by_side_with_sources_and_the_cautions(run: Any, tmp_path: Path) -> None:
    path = written(tmp_path, "250 mbar L/s")
    status, out, _ = run("rules", path)
    said = " ".join(out.split())
    assert status == 0
    assert "at the one duty point" in said
    for name in ("Ziegler-Nichols, step response", "Cohen-Coon", "Lambda tuning", "SIMC",
                 "AMIGO, edge of stability", "Tyreus-Luyben", "simulated relay test"):  # fmt: skip
        assert name in said
    assert "Ziegler-Nichols, step response: 1942, Transactions of the ASME 64." in said
    assert "A relay test there, simulated" in said
    assert "Nothing here is meant to be typed in as it stands" in said
    assert "not a safety function" in said


def test_rules_for_other_programs(run: Any, tmp_path: Path) -> None:
    path = written(tmp_path, "250 mbar L/s")
    status, out, _ = run("rules", path, "--json")
    answer = json.loads(out, parse_constant=lambda word: pytest.fail(word))
    assert status == 0
    assert answer["good"]
    assert answer["cautions"]
    first, *others = answer["rules"]
    assert first["origin"] == "recommended"
    assert all(row["verdict"] for row in others)
    assert {row["kind"] for row in others} == {"PI", "PID"}


def test_without_a_point_to_hold_there_is_nothing_to_compare(run: Any, tmp_path: Path) -> None:
    path = written(tmp_path, "60 mbar L/s")
    status, _, err = run("rules", path)
    assert status == 1
    assert "No duty point can be held by speed" in err


def test_no_option_touches_the_cautions(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit, match="0"):
        main(["rules", "--help"])
    out = capsys.readouterr().out
    assert "--json" in out
    assert "caution" not in out
