"""How far setpoint steps go past the new setpoint: closed forms and the law itself."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from chamberctl.control.response import sampled_response
from chamberctl.control.setpoint_overshoot import setpoint_overshoot
from tests.control import loops
from tests.control.loops import plant


def second_order(zeta: float) -> tuple[object, object]:
    """An integrator with a lag of 1 s under proportional control: a textbook second-order loop."""
    kc = 1.0 / (4.0 * zeta**2)
    return plant([1.0], [1.0, 1.0, 0.0]), loops.settings(kc, scan_time_s=2e-3)


@pytest.mark.parametrize("zeta", [0.3, 0.5, 0.7])
def test_a_second_order_loop_goes_as_far_as_the_formula_says(zeta: float) -> None:
    """exp(-pi zeta/sqrt(1 - zeta^2)) of the step."""
    model, law = second_order(zeta)
    model, law = replace(model, reading_pa=100.0), replace(law, kc=law.kc / 100.0)
    found = setpoint_overshoot([model], law, 0.1)[0]
    share = math.exp(-math.pi * zeta / math.sqrt(1.0 - zeta**2))
    # the step down ends at 0.9: the same pressure is a larger share of it
    assert found == pytest.approx(share * 0.1 / 0.9, rel=0.02)


@pytest.mark.parametrize("reading", ["log10", "linear"])
@pytest.mark.parametrize("ramp_s", [0.0, 1.0, 7.0])
@pytest.mark.parametrize("b", [0.0, 0.4, 1.0])
def test_each_plant_goes_as_far_as_the_law_scan_by_scan(
    reading: str, ramp_s: float, b: float
) -> None:
    models = [
        replace(plant([2.0], [20.0, 21.0, 1.0], 1.0), reading_pa=100.0),
        replace(plant([0.5], [40.0, 1.0], 2.0), reading_pa=1000.0),
    ]
    step = 0.2
    law = loops.settings(4.0, 8.0, scan_time_s=0.1, computation_delay_s=0.1, b=b, reading=reading)
    passed = []
    for model in models:
        unit = model.reading_pa if reading == "linear" else 1.0
        up = step * unit if reading == "linear" else math.log10(1.0 + step)
        rate = up / ramp_s if ramp_s else math.inf
        gain = law.kc / (unit * math.log(10.0)) if reading == "linear" else law.kc
        one = replace(law, kc=gain, setpoint_ramp_per_s=rate)
        past = 0.0
        for sign in (1.0, -1.0):
            size = sign * step * unit if reading == "linear" else math.log10(1.0 + sign * step)
            seen = sampled_response(model, one, setpoint_step=size).reading
            reached = 10.0**seen if reading == "log10" else 1.0 + seen / unit
            past = max(past, float(np.max(sign * (reached / (1.0 + sign * step) - 1.0))))
        found = setpoint_overshoot([model], one, step)[0]
        # the law's own ramp moves in whole scans
        assert found == pytest.approx(past, rel=1e-6 if not ramp_s else 0.02, abs=2e-3 * step)
        passed.append(past)
    assert passed[0] > 0.0


def test_an_unstable_loop_goes_very_far() -> None:
    model = replace(plant([1.0], [10.0, 1.0], 2.0), reading_pa=100.0)
    law = loops.settings(100.0, 1.0, scan_time_s=0.1)
    assert setpoint_overshoot([model], law, 0.1)[0] > 1e3
