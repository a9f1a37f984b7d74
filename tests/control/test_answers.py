"""Answers of many loops at once are those of the law run scan by scan."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from chamberctl.control.answers import step_answers
from chamberctl.control.response import sampled_response
from chamberctl.errors import InputError
from chamberctl.plant.linear import LoopModel
from tests.control.loops import plant, random_loop, settings


def test_many_loops_answer_as_each_alone() -> None:
    """Lags, integrators, dead time of part of a scan, derivative, filters, both orders."""
    rng = np.random.default_rng(5)
    loops = [random_loop(rng, sampled=True) for _ in range(40)]
    loops = [loop for loop in loops if loop.settings.scan_time_s == 0.2]
    assert len(loops) > 8
    laws = [
        replace(loop.settings, b=float(rng.uniform(0, 1)), c=float(rng.choice([0.0, 0.4])))
        for loop in loops
    ]
    steps = rng.normal(size=(2, len(loops)))
    many = step_answers(
        [loop.model for loop in loops], laws, setpoint_steps=steps[0], gas_load_steps=steps[1],
        duration_s=15.0,
    )  # fmt: skip
    for i, (loop, law) in enumerate(zip(loops, laws, strict=True)):
        one = sampled_response(
            loop.model, law, setpoint_step=steps[0, i], gas_load_step=steps[1, i], duration_s=15.0
        )
        size = np.abs(one.speed).max() + np.abs(one.reading).max()
        np.testing.assert_allclose(many.time_s, one.time_s, rtol=1e-12)
        np.testing.assert_allclose(many.reading[i], one.reading, rtol=1e-8, atol=1e-9 * size)
        np.testing.assert_allclose(many.speed[i], one.speed, rtol=1e-8, atol=1e-9 * size)


def test_one_model_with_several_settings_and_both_readings() -> None:
    model = LoopModel.from_transfer_function([-1.0], [5.0, 1.0], 1.0, reading_pa=100.0)
    log = replace(settings(1.0, 5.0, scan_time_s=0.5), reading="log10")
    laws = [log, replace(log, kc=2.0), settings(0.01, 5.0, scan_time_s=0.5)]
    many = step_answers([model] * 3, laws, gas_load_steps=0.1, duration_s=60.0)
    for i, law in enumerate(laws):
        one = sampled_response(model, law, gas_load_step=0.1, duration_s=60.0)
        np.testing.assert_allclose(many.reading[i], one.reading, rtol=1e-9, atol=1e-12)


def test_limits_and_ramps_do_not_act() -> None:
    free = settings(2.0, 8.0, scan_time_s=0.25)
    tight = replace(free, output_min=-0.1, output_max=0.1, output_rate_per_s=0.01)
    many = step_answers(
        [plant([1.0], [10.0, 1.0], 1.0)] * 2, [free, tight], setpoint_steps=1.0, duration_s=30.0
    )
    np.testing.assert_array_equal(many.speed[0], many.speed[1])


def test_what_cannot_be_answered() -> None:
    model, law = plant([1.0], [10.0, 1.0], 1.0), settings(1.0, 8.0, scan_time_s=0.25)
    with pytest.raises(InputError, match="need one scan time"):
        step_answers([model] * 2, [law, replace(law, scan_time_s=0.5)], duration_s=3.0)
    with pytest.raises(InputError, match="need one scan time"):
        step_answers([model], [replace(law, scan_time_s=None)], duration_s=3.0)
    with pytest.raises(InputError, match="length above zero"):
        step_answers([model], [law], duration_s=0.0)
    with pytest.raises(InputError, match="at most 200000 scans"):
        step_answers([model], [law], duration_s=1e6)
