"""Stable or not: never misjudged, with the closed loop's poles as the judge."""

from __future__ import annotations

import numpy as np
import pytest

from chamberctl.control.frequency import stack
from chamberctl.control.margins import margins
from chamberctl.control.stability import unstable_by_turns
from chamberctl.control.sweep import sweep
from tests.control.loops import (
    RandomLoop,
    continuous_poles,
    plant,
    random_loop,
    sampled_poles,
    settings,
)

#: Poles nearer to the boundary than this, relative, are not judged.
BAND = 1e-7


def _judge(loops: list[RandomLoop], sampled: bool) -> int:
    """Compare each loop's verdict with its poles; return how many were judged."""
    models, every = [loop.model for loop in loops], [loop.settings for loop in loops]
    found = margins(models, every).stable
    turns = unstable_by_turns(sweep(stack(models, every))) == 0
    judged = 0
    for i, loop in enumerate(loops):
        if sampled:
            excess = np.abs(sampled_poles(loop.model, loop.settings)).max() - 1.0
        else:
            poles = continuous_poles(loop.num, loop.den, loop.settings)
            excess = poles.real.max() / np.abs(poles).max()
        if abs(excess) > BAND:
            judged += 1
            assert found[i] == (excess < 0.0), (i, excess, loop)
            assert turns[i] == (excess < 0.0), (i, excess, loop)
    return judged


@pytest.mark.parametrize("sampled", [True, False], ids=["sampled", "continuous"])
def test_random_loops_are_judged_as_their_poles_say(sampled: bool) -> None:
    rng = np.random.default_rng(20)
    assert _judge([random_loop(rng, sampled) for _ in range(200)], sampled) >= 198


@pytest.mark.slow
@pytest.mark.parametrize("sampled", [True, False], ids=["sampled", "continuous"])
@pytest.mark.parametrize("seed", range(5))
def test_ten_thousand_random_loops(seed: int, sampled: bool) -> None:
    rng = np.random.default_rng(100 + seed)
    assert _judge([random_loop(rng, sampled) for _ in range(1000)], sampled) >= 990


def test_a_loop_on_the_edge_is_told_from_both_sides() -> None:
    model = plant([1.0], [1.0, 0.0])
    for factor, stable in ((1.0 - 1e-9, True), (1.0 + 1e-9, False)):
        assert margins(model, settings(2.0 * factor, scan_time_s=1.0)).stable is stable


@pytest.mark.parametrize("gain", [0.5, 0.99, 1.01, 3.0])
def test_an_unstable_plant_needs_enough_gain(gain: float) -> None:
    # 1/(s - 1) with proportional action k: pole at 1 - k
    found = margins(plant([1.0], [1.0, -1.0]), settings(gain))
    assert found.stable is (gain > 1.0)
    if gain > 1.0:
        assert found.gain_margin_low == pytest.approx(1.0 / gain, rel=1e-9)
        assert found.gain_margin == np.inf


def test_a_gain_that_never_falls_needs_to_stay_below_one_with_dead_time() -> None:
    for gain, stable in ((0.9, True), (1.1, False)):
        found = margins(plant([gain], [1.0], 2.0), settings(1.0))
        assert found.stable is stable
    assert "must fall below 1" in found.reason
    stable_one = margins(plant([0.5], [1.0], 2.0), settings(1.0))
    assert stable_one.gain_margin == pytest.approx(2.0, rel=1e-12)
    assert stable_one.ms == pytest.approx(2.0, rel=1e-9)


@pytest.mark.parametrize("zero,stable", [(0.3, True), (-0.3, False)])
def test_ideal_derivative_on_a_plant_that_passes_steps(zero: float, stable: bool) -> None:
    """L grows with s for ever: (Kc + Kc/(Ti s) + Kc Td s)(zero s + 1)/(5 s + 1)."""
    num, den, law = [zero, 1.0], [5.0, 1.0], settings(0.7, 4.0, td_s=2.0)
    poles = continuous_poles(num, den, law)
    assert (poles.real.max() < 0.0) is np.bool_(stable)
    assert margins(plant(num, den), law).stable is stable


def test_long_delay_chains_need_no_poles() -> None:
    # 120 scans of dead time: beyond the order whose poles are sought among many loops
    models = [plant([1.0], [1.0, 0.0], 12.0)] * 12
    ultimate = np.pi / 2.0 / 12.05  # continuous with half a scan, close enough here
    for share, stable in ((0.99, True), (1.01, False)):
        found = margins(models, settings(share * ultimate, scan_time_s=0.1))
        assert (found.stable == stable).all()
