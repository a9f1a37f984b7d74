"""Gauge and drive: reading, counts, and the map from command to pump speeds."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from chamberctl.physics.instruments import count_size, indicated_pressure, pump_speed
from tests.physics.support import difference_quotient, modest, slope


@modest
@given(exponent=st.floats(-3.0, 5.0), factor=st.floats(0.2, 10.0))
def test_the_true_pressure_is_the_factor_times_the_reading(exponent, factor):
    true = 10.0**exponent
    assert factor * indicated_pressure(true, factor) == pytest.approx(true, rel=1e-14)
    assert indicated_pressure(true, 1.0) == true


@modest
@given(bits=st.integers(8, 24), high=st.floats(1.0, 5.0), reading=st.floats(0.001, 1.0))
def test_counts_fill_the_range(bits, high, reading):
    """All counts together span the range: a sum on a linear signal, a product on a log one."""
    low, top = 0.1, 10.0**high
    at = low + reading * (top - low)
    counts = 2**bits - 1
    linear = count_size(at, low, top, bits, "linear")
    assert linear * at * counts == pytest.approx(top - low, rel=1e-12)
    log = count_size(at, low, top, bits, "log")
    assert (1.0 + log) ** counts == pytest.approx(top / low, rel=1e-6)


def test_count_of_a_twelve_bit_gauge():
    """1000 mbar full scale, twelve bits, at 5 mbar: a count is 4.9 % of the reading."""
    assert count_size(500.0, 0.0, 1e5, 12, "linear") == pytest.approx(1e5 / 4095 / 500, rel=1e-12)
    readings = np.array([500.0, 1000.0])
    assert count_size(readings, 0.0, 1e5, 12, "linear") == pytest.approx(
        [0.0488400488, 0.0244200244], rel=1e-9
    )
    assert count_size(readings, 0.1, 1e5, 12, "log") == pytest.approx(
        np.full(2, 10.0 ** (6.0 / 4095) - 1.0), rel=1e-9
    )


@st.composite
def maps(draw):
    count = draw(st.integers(2, 5))
    step = st.floats(0.05, 0.5)
    knots = np.cumsum([draw(st.floats(-0.2, 0.2)), *(draw(step) for _ in range(count - 1))])
    speeds = np.array([draw(st.floats(0.0, 1.0)) for _ in range(count)])
    return knots, speeds


@modest
@given(points=maps(), share=st.floats(-0.5, 1.5))
def test_pump_speed_is_the_straight_line_between_its_points(points, share):
    knots, speeds = points
    output = knots[0] + share * (knots[-1] - knots[0])
    k = min(max(int(np.searchsorted(knots, output)) - 1, 0), len(knots) - 2)
    per_output = (speeds[k + 1] - speeds[k]) / (knots[k + 1] - knots[k])
    expected = speeds[k] + per_output * (output - knots[k])  # straight on beyond the ends
    assert pump_speed(output, knots, speeds) == pytest.approx(expected, rel=1e-12, abs=1e-12)
    for knot, speed in zip(knots, speeds, strict=True):
        assert pump_speed(knot, knots, speeds) == pytest.approx(speed, abs=1e-12)
    assume(np.min(np.abs(knots - output)) > 1e-3)
    assume(abs(output) > 1e-3)
    expected = difference_quotient(lambda x: pump_speed(x, knots, speeds), output, 1e-6)
    assert slope(lambda x: pump_speed(x, knots, speeds), output) == pytest.approx(
        expected, abs=1e-6
    )
