"""Corners of the half rule and of the forms that no published example visits."""

from __future__ import annotations

import math

import pytest

from chamberctl.control.conversions import ideal_from_series, series_from_ideal
from chamberctl.control.rules import half_rule


@pytest.mark.parametrize(
    "lags, zero, dead_time, gain, lag",
    [
        ([10.0, 3.0], 20.0, 4.0, 4.0, 3.0),  # above its lag: T/lag
        ([3.0], 12.0, 10.0, 2.4, 0.0),  # above the dead time, lag below it: T/dead time
        ([3.0], 3.5, 10.0, 2.0, 0.0),  # both below the dead time: 1
    ],
    ids=["T1", "T1a", "T1b"],
)
def test_a_zero_larger_than_every_lag_raises_the_gain(lags, zero, dead_time, gain, lag):
    """Skogestad's rules T1, T1a and T1b (from memory), of 2 (T s + 1)/prod(lag s + 1)."""
    model = half_rule(2.0, lags, [zero], dead_time)
    assert model.gain == pytest.approx(gain, rel=1e-12)
    assert model.lag1_s == pytest.approx(lag, abs=1e-12)
    assert model.dead_time_s == pytest.approx(dead_time, rel=1e-12)


def test_forms_without_integral_or_derivative_action():
    """2 (3 s + 1)/(s + 1) is 2 (1 + 2 s/(s + 1)); without derivative both forms are one."""
    assert ideal_from_series(2.0, math.inf, 3.0, 1.0) == pytest.approx((2.0, math.inf, 2.0, 1.0))
    assert series_from_ideal(2.0, math.inf, 2.0, 1.0) == pytest.approx((2.0, math.inf, 3.0, 1.0))
    for convert in (ideal_from_series, series_from_ideal):
        assert convert(2.0, 5.0, 0.0, 0.0) == pytest.approx((2.0, 5.0, 0.0, 0.0))
