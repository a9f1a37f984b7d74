"""The operating window over speed and gas load."""

from __future__ import annotations

import numpy as np
import pytest

from chamberctl.plant.operating import operating_point
from chamberctl.plant.window import operating_window
from chamberctl.study import load, presets


@pytest.mark.parametrize("name", sorted(presets()))
def test_window_equals_its_points(name):
    """Every cell of the window is the operating point found there on its own."""
    study = load(f"preset:{name}")
    window = operating_window(study, n_speeds=3, n_loads=2)
    for row, load_here in enumerate(window.gas_loads_pa_m3_s):
        for column, speed in enumerate(window.speeds):
            if not window.feasible[row, column]:
                continue
            point = operating_point(study.system, speed=speed, gas_load_pa_m3_s=load_here)
            for field in ("pressure_pa", "authority_chamber", "time_constant_s", "slew_down_pa_s"):
                assert getattr(window, field)[row, column] == pytest.approx(
                    getattr(point, field), rel=1e-9
                )
    assert window.lowest_pa == pytest.approx(window.pressure_pa[:, -1])
    assert np.all(window.lowest_pa < window.highest_pa)


NOT_HELD = {"freeze-dryer": ["0.07 mbar at 8 mbar L/s"]}
"""Points that a preset asks for in vain, as its own comment says."""


@pytest.mark.parametrize("name", sorted(presets()))
def test_duty_of_each_preset_is_reachable_and_spans_five_to_one(name):
    window = operating_window(load(f"preset:{name}"), n_speeds=3)
    missing = [point.where for point in window.duty_points if not point.feasible]
    assert missing == NOT_HELD.get(name, [])
    held = [point for point in window.duty_points if point.feasible]
    pressures = [point.indicated_pa for point in held]
    loads = [point.gas_load_pa_m3_s for point in held]
    assert max(max(pressures) / min(pressures), max(loads) / min(loads)) >= 5.0


def test_a_duty_outside_the_window_is_kept_with_its_reason():
    study = load("preset:reference-plant").with_text({"duty.hold[0].setpoint": "90 mbar"})
    window = operating_window(study)
    missing = [point for point in window.duty_points if not point.feasible]
    assert missing
    assert all("not reachable" in point.reason for point in missing)
    assert all(point.nearest for point in missing)
    assert any(finding.severity == "no" for finding in window.findings)
