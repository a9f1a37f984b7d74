"""A booster given by its zero-flow compression: met at rated speed, and what the split decides."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import brentq

from chamberctl.physics.boosters import (
    booster_table,
    booster_table_values,
    booster_throughput,
    torque_factor,
    zero_flow_compression,
)
from tests.physics.support import modest, slope

SWEPT = 0.4
BACKING = (1.0, 10.0, 100.0, 1e3, 1e4, 1e5)
K0 = (10.0, 25.0, 45.0, 30.0, 12.0, 3.0)
SPLITS = ("gap", "carry-back", "peak")


def table(split):
    return booster_table(BACKING, K0, SWEPT, split)


def flow(inlet, outlet, split, speed=1.0):
    gap, carried = booster_table_values(inlet, outlet, table(split))
    return booster_throughput(inlet, outlet, speed, SWEPT, gap, 0.0, carried)


def compression(outlet, split, speed=1.0):
    """Zero-flow compression that the flow law gives."""
    inlet = brentq(
        lambda p: flow(p, outlet, split, speed), 1e-4 * outlet, outlet, xtol=1e-14, rtol=1e-14
    )
    return outlet / inlet


@pytest.mark.parametrize("split", SPLITS)
def test_every_split_meets_the_table_at_rated_speed(split):
    for outlet, k0 in zip(BACKING, K0, strict=True):
        assert compression(outlet, split) == pytest.approx(k0, rel=1e-9)


@pytest.mark.parametrize("speed", [0.3, 0.5, 0.8])
def test_at_reduced_speed_the_splits_part(speed):
    """Gaps alone: the rise above 1 falls with speed. Carry-back alone: the same at every speed.

    The gap is that of the mean pressure at rated speed, so the law is exact for the table's own
    gap and mean pressure; where the inlet rises, the mean pressure and the gap rise a little.
    """
    for outlet, k0 in zip(BACKING, K0, strict=True):
        gaps = compression(outlet, "gap", speed)
        mean = 0.5 * outlet * (1.0 + 1.0 / gaps)
        gap, _ = booster_table_values(2.0 * mean - outlet, outlet, table("gap"))
        assert gaps == pytest.approx(zero_flow_compression(speed, SWEPT, gap, 0.0), rel=1e-9)
        assert gaps == pytest.approx(1.0 + speed * (k0 - 1.0), rel=0.2)
        assert compression(outlet, "carry-back", speed) == pytest.approx(k0, rel=1e-9)
        assert gaps < compression(outlet, "peak", speed) * (1.0 + 1e-9)
        assert compression(outlet, "peak", speed) < k0 * (1.0 + 1e-9)


def test_constant_compression_scales_exactly_with_speed():
    """The same compression at every pressure: one gap, K0(n) = 1 + n (K0 - 1)."""
    even = booster_table(BACKING, [30.0] * 6, SWEPT, "gap")
    gap, carried = booster_table_values(3.0, 100.0, even)
    assert carried == 0.0
    assert gap == pytest.approx(SWEPT / 29.0, rel=1e-12)
    for speed in (0.2, 0.5, 1.0):
        assert zero_flow_compression(speed, SWEPT, gap, 0.0) == pytest.approx(1.0 + 29.0 * speed)


def test_above_the_peak_the_split_at_the_peak_has_gaps_alone():
    peak = table("peak")
    at = int(np.argmax(K0))
    assert peak[4, at:] == pytest.approx(0.0, abs=1e-12 * SWEPT)
    assert np.all(peak[4, :at] > 0.0)
    assert peak[1, :at] == pytest.approx(np.full(at, SWEPT / (K0[at] - 1.0)))


@pytest.mark.parametrize("split", SPLITS)
def test_beyond_the_table_the_leakage_is_constant_without_a_corner(split):
    inside, beyond = (
        booster_table_values(2e5, 3e5, table(split)),
        booster_table_values(2e6, 3e6, table(split)),
    )
    assert inside == pytest.approx(beyond, rel=1e-12)
    edge = table(split)
    assert beyond == pytest.approx((edge[1, -1], edge[4, -1]), rel=1e-12)
    below = booster_table_values(1e-4, 1e-3, table(split))
    assert below == pytest.approx((edge[1, 0], edge[4, 0]), rel=1e-12)
    for outlet in BACKING:
        sides = [
            slope(lambda p: flow(0.1 * outlet, p, split), outlet * (1.0 + side))  # noqa: B023
            for side in (-1e-9, 1e-9)
        ]
        assert sides[0] == pytest.approx(sides[1], rel=1e-5, abs=1e-9)


@modest
@given(st.floats(-3.0, 6.0), st.floats(0.0, 2.5), st.sampled_from(SPLITS), st.floats(0.2, 1.0))
def test_rises_with_inlet_and_falls_with_outlet_pressure(log_inlet, log_ratio, split, speed):
    inlet = 10.0**log_inlet
    outlet = inlet * 10.0**log_ratio
    assert slope(lambda p: flow(p, outlet, split, speed), inlet) > 0.0
    assert slope(lambda p: flow(inlet, p, split, speed), outlet) < 0.0


@modest
@given(st.floats(-3.0, 6.0), st.floats(-0.5, 2.5), st.sampled_from(SPLITS))
def test_complex_step_equals_central_difference(log_inlet, log_ratio, split):
    inlet = 10.0**log_inlet
    outlet = inlet * 10.0**log_ratio
    for at, function in (
        (inlet, lambda p: flow(p, outlet, split)),
        (outlet, lambda p: flow(inlet, p, split)),
    ):
        step = 1e-6 * at
        central = (function(at + step) - function(at - step)) / (2.0 * step)
        assert slope(function, at) == pytest.approx(central, rel=1e-4, abs=1e-6 * SWEPT)


@pytest.mark.parametrize(
    "pressures, k0", [((10.0, 5.0), (20.0, 30.0)), ((10.0, 10.0), (20.0, 30.0)),
                      ((10.0, 20.0), (1.0, 5.0))],
)  # fmt: skip
def test_what_is_no_table_is_refused(pressures, k0):
    with pytest.raises(ValueError, match="must rise and compressions be above 1"):
        booster_table(pressures, k0, SWEPT, "gap")


def test_a_compression_just_above_one_is_a_table():
    gap = booster_table([10.0, 20.0], [1.01, 1.5], SWEPT, "gap")[1]
    assert gap == pytest.approx([SWEPT / 0.01, SWEPT / 0.5])


def test_a_torque_limit_holds_the_difference():
    """Below the limit full speed; a tenth above it the booster has all but stopped."""
    assert torque_factor(100.0, 5099.0, 5000.0) == 1.0
    assert torque_factor(100.0, 5100.0, 5000.0) == 1.0
    assert torque_factor(100.0, 5600.0, 5000.0) == pytest.approx(1.1**-20)
    grid = torque_factor(100.0, np.linspace(4000.0, 9000.0, 200), 5000.0)
    assert np.all(np.diff(grid) <= 0.0)
