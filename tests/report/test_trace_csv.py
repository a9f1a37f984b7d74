"""A run as a table: replayed by other means, its metrics recomputed, its columns with units."""

from __future__ import annotations

import re
import subprocess
import sys
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import chamberctl as cc
from chamberctl.control.gain_steps import GainSteps
from chamberctl.control.schedule_parts import Threshold
from chamberctl.control.tuning import rule_tuning
from chamberctl.errors import Infeasible
from chamberctl.report.trace_csv import trace_csv
from chamberctl.simulation.scenarios import SCENARIOS, build, run, worst_point
from tests import recompute_trace

CHECKOUT = Path(__file__).resolve().parents[2]
PRESETS = ("crystal-furnace", "reference-plant")

LAWS: dict[str, dict[str, Any]] = {
    "as tuned": {},
    "PID, filtered, weighted": {
        "td_s": 1.0, "tfd_s": 0.5, "tf_s": 0.4, "b": 0.3, "c": 0.2, "tt_s": 5.0,
    },
    "rate limited": {
        "integral": "before", "output_rate_per_s": 0.02, "tt_s": 3.0, "setpoint_ramp_per_s": 0.01,
    },
}  # fmt: skip


@cache
def tuned(preset: str) -> tuple[cc.Study, cc.Tuning]:
    study = cc.load(f"preset:{preset}").with_text({"scenario.tail": "2 min"})
    return study, rule_tuning(study)


@cache
def exported(preset: str, scenario: str, law: str = "as tuned") -> str:
    study, tuning = tuned(preset)
    settings = replace(tuning.settings, **LAWS[law])
    prepared = build(
        study, settings, worst_point(tuning), scenario, start_output=tuning.start_output
    )
    return trace_csv(study, run(prepared, seed=5), seed=5)


@pytest.mark.parametrize(
    "law",
    [pytest.param(law, marks=[] if law == "as tuned" else pytest.mark.slow) for law in LAWS],
)
@pytest.mark.parametrize("scenario", SCENARIOS)
def test_the_law_and_the_metrics_are_recomputed_from_the_file(scenario: str, law: str) -> None:
    """In every mode, with noise and counts, by plain numbers without the package."""
    for preset in PRESETS:
        try:
            text = exported(preset, scenario, law)
        except Infeasible:
            continue
        found = recompute_trace.differences(recompute_trace.read(text))
        assert len(found) > 15
        worst = {name: value for name, value in found.items() if not value < 1e-9}
        assert not worst, (preset, worst)


@pytest.mark.parametrize("key", ["reading", "output"])
def test_a_schedule_of_gains_is_replayed_with_the_set_of_each_scan(key: Any) -> None:
    """Two sets, derivative and weight among what changes, switched there and back."""
    study, tuning = tuned("crystal-furnace")
    calm = replace(tuning.settings, td_s=1.0, tfd_s=0.5, b=0.6)
    quick = replace(calm, kc=1.5 * calm.kc, ti_s=0.8 * calm.ti_s, td_s=0.5, b=0.2)
    point = worst_point(tuning)
    at = 0.95 * point.indicated_pa if key == "reading" else point.speed + 0.05
    steps = GainSteps(key, (calm, quick), (Threshold(at, 1.005 * at, 0.995 * at),))
    for scenario in ("setpoint-step-down", "return-from-standby", "gauge-fault-zero"):
        done = run(build(study, steps, point, scenario), seed=3)
        file = recompute_trace.read(trace_csv(study, done, seed=3))
        found = recompute_trace.differences(file)
        assert not {name: value for name, value in found.items() if not value < 1e-9}
        if scenario == "setpoint-step-down":
            assert set(file.columns["set"]) == {1.0, 2.0}


def test_the_recomputation_notices_a_change() -> None:
    """A derivative gain 1 % off, another weight, another hold band: each shows."""
    text = exported("crystal-furnace", "setpoint-step-down", "PID, filtered, weighted")
    band = re.search(r"hold_band = ([\d.]+)", text)
    assert band
    for old, new, name in (
        ("td_s = 1.0;", "td_s = 1.01;", "d_fraction"),
        ("; b = 0.3;", "; b = 0.31;", "v_fraction"),
        (band[0], "hold_band = 0.01", "settling_s"),
    ):
        assert text.count(old) == 1, old
        found = recompute_trace.differences(recompute_trace.read(text.replace(old, new)))
        assert found[name] > 1e-6, name


def test_the_recomputation_does_not_use_the_package(tmp_path: Path) -> None:
    path = tmp_path / "run.csv"
    path.write_text(exported("reference-plant", "gas-step"), encoding="utf-8")
    script = CHECKOUT / "tests" / "recompute_trace.py"
    blocked = (
        f"import sys, runpy; sys.modules['chamberctl'] = None; sys.argv = ['x', {str(path)!r}]"
    )
    code = f"{blocked}; runpy.run_path({str(script)!r}, run_name='__main__')"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    assert "u_fraction" in done.stdout


def test_every_column_has_a_unit_and_every_mode_a_word() -> None:
    file = recompute_trace.read(exported("crystal-furnace", "gauge-fault-zero"))
    for name in file.columns:
        assert name in ("mode", "set") or name.endswith(("_s", "_pa", "_decades", "_fraction"))
    assert set(file.columns["mode"]) == {"auto", "bad reading"}
    held = recompute_trace.read(exported("crystal-furnace", "speed-override"))
    assert set(held.columns["mode"]) == {"auto", "held"}
    linear, tuning = tuned("reference-plant")
    settings = replace(tuning.settings, reading="linear", kc=1e-4)
    prepared = build(linear, settings, worst_point(tuning), "gas-step")
    text = trace_csv(linear, run(prepared))
    assert {"y_pa", "yf_pa", "r_pa"} <= set(recompute_trace.read(text).columns)
    assert "Noise: none" in text


def test_cautions_and_law_stand_at_the_head_and_a_title_stays_a_comment() -> None:
    study, tuning = tuned("reference-plant")
    titled = study.with_text({"title": "one\ntwo,three"})
    text = trace_csv(titled, cc.simulate(titled, tuning, "power-dip"))
    head = text[: text.index("\ntime_s,")]
    assert all(line.startswith("# ") for line in head.splitlines())
    assert "one two,three" in head
    assert "not a safety function" in head
    assert "I = I + (Ts/Tt) (u - v)" in head


def test_a_run_that_ends_early_is_empty_where_nothing_is_known() -> None:
    study, tuning = tuned("reference-plant")
    prepared = build(study, tuning.settings, worst_point(tuning), "gas-step")
    load = prepared.happenings.load.copy()
    load[-2:, 1] = np.nan
    broken = replace(prepared, happenings=replace(prepared.happenings, load=load))
    file = recompute_trace.read(trace_csv(study, run(broken)))
    assert np.isnan(file.columns["p_chamber_pa"][-1])
    assert np.isfinite(file.columns["p_chamber_pa"][0])
    assert file.columns["mode"][-1] == ""
