"""Plants on either side of a bend in the map from the output to the pumps."""

from __future__ import annotations

import numpy as np
import pytest

import chamberctl as cc
from chamberctl.control.dense_envelope import between_study, dense_envelope
from chamberctl.control.map_bends import bends, plants_at_bends
from chamberctl.control.tolerance_cases import Cases
from chamberctl.plant.linear import LoopModel
from chamberctl.plant.window import duty_points

FURNACE = "preset:heat-treatment-furnace"


def test_bends_are_where_a_pump_changes_its_pace() -> None:
    assert bends(cc.load(FURNACE)) == (0.4, 0.6)  # the map's corner; a curve of its own at 60 %
    assert bends(cc.load("preset:reference-plant")) == ()
    three = cc.load("preset:reference-plant").with_text(
        {
            "system.speed_map.output": ["0 %", "30 %", "60 %", "100 %"],
            "system.speed_map.backing": ["0 %", "50 %", "80 %", "100 %"],
        }
    )
    assert bends(three) == (0.3, 0.6)
    curves = [
        {"speed": speed, "points": [["0.1 mbar", flow], ["100 mbar", flow]]}
        for speed, flow in (("40 %", "36 L/s"), ("60 %", "50 L/s"), ("100 %", "100 L/s"))
    ]
    measured = cc.load("preset:reference-plant").with_text(
        {"system.backing.displacement": None, "system.backing.curves": curves}
    )
    assert bends(measured) == pytest.approx((0.4, 0.6))


def test_the_loops_gain_jumps_from_one_side_to_the_other() -> None:
    """The plants are steady at the bend, at a setpoint and a gas load of the duty."""
    study = cc.load(FURNACE)
    case = next(case for case in Cases(study).tuned_for() if not case.label)
    found = plants_at_bends(duty_points(study), [case])
    assert found
    assert len(found) % 2 == 0
    holds = study.duty.holds
    low = min(hold.setpoint_pa for hold in holds)
    high = max(hold.setpoint_pa for hold in holds)
    for below, above in zip(found[::2], found[1::2], strict=True):
        at = 0.4 if "40 %" in below.where else 0.6
        assert f"just below {100 * at:.0f} %" in below.where
        assert f"just above {100 * at:.0f} %" in above.where
        assert below.speed < at < above.speed
        assert above.speed - below.speed < 1e-4
        assert low <= below.model.reading_pa <= high * (1.0 + 1e-9)
        slow, fast = (_static_gain(one.model) for one in (below, above))
        assert slow != pytest.approx(fast, rel=1e-3)


def _static_gain(model: LoopModel) -> float:
    a, b, c, d = model.siso("log10")
    return (d - c @ np.linalg.solve(a, b)).item()


def test_a_denser_look_holds_the_plants_beside_the_bend() -> None:
    study = cc.load(FURNACE)
    between = between_study(study)
    known = between, duty_points(between)
    looked_at = dense_envelope(study, duty_points(study), known, lambda: known)
    beside = [one for one in looked_at.plants if "just below" in one.where]
    assert beside
    for one in beside:
        assert one.speed == pytest.approx(0.4 if "40 %" in one.where else 0.6, abs=1e-4)
