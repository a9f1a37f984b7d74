"""A backing pump given by curves at several speeds: through all of them, in order between them."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from chamberctl.physics.pumps import backing_curves_throughput, curve_table
from tests.physics.support import difference_quotient, modest, slope

PRESSURES = np.array([1.0, 10.0, 100.0, 1e3, 1e4, 1e5])
CURVES = {
    0.4: np.array([0.0002, 0.009, 0.030, 0.038, 0.038, 0.024]),
    0.7: np.array([0.001, 0.025, 0.062, 0.069, 0.068, 0.044]),
    1.0: np.array([0.003, 0.045, 0.092, 0.1, 0.098, 0.065]),
}
TABLES = np.array([curve_table(PRESSURES, speeds, at) for at, speeds in CURVES.items()])


def flow(pressure, speed, exponent=2.0, warm=1.0, tables=TABLES):
    return backing_curves_throughput(pressure, speed, exponent, warm, tables)


@pytest.mark.parametrize("speed", CURVES)
def test_each_curve_is_met_at_its_speed(speed):
    assert flow(PRESSURES, speed) / PRESSURES == pytest.approx(CURVES[speed], rel=1e-11)


def test_one_rated_curve_in_the_stack_is_the_single_curve():
    alone = flow(PRESSURES, 1.0, tables=TABLES[-1:])
    assert flow(PRESSURES, 1.0) == pytest.approx(alone, rel=1e-12)


@modest
@given(st.floats(0.0, 5.0), st.floats(0.4, 1.0), st.floats(1e-3, 0.2))
def test_more_speed_pumps_more(log_pressure, speed, more):
    """At every pressure that the curves cover; below, what flows back is extrapolated."""
    pressure = 10.0**log_pressure
    assert flow(pressure, min(speed * (1.0 + more), 1.0) + 1e-12) > flow(pressure, speed)


@modest
@given(st.floats(0.0, 5.0), st.floats(0.25, 1.0))
def test_more_pressure_gives_more_throughput(log_pressure, speed):
    """Wherever the pump pumps at all: far below the slowest curve slip may eat the swept gas."""
    pressure = 10.0**log_pressure
    if flow(pressure, speed) > 0.0:
        assert slope(lambda p: flow(p, speed), pressure) > 0.0


@modest
@given(st.floats(0.0, 5.0), st.floats(0.4, 1.0))
def test_between_two_curves_the_flow_lies_between_them(log_pressure, speed):
    pressure = 10.0**log_pressure
    speeds = sorted(CURVES)
    low = max(s for s in speeds if s <= speed)
    high = min(s for s in speeds if s >= speed)
    ends = flow(pressure, low), flow(pressure, high)
    assert ends[0] * (1.0 - 1e-12) <= flow(pressure, speed) <= ends[1] * (1.0 + 1e-12)


def test_below_the_slowest_curve_displacement_falls_with_speed_and_slip_grows():
    peak = CURVES[0.4].max()
    swept = peak * 10.0
    slip = swept - CURVES[0.4][1] * 10.0
    for exponent in (0.0, 2.0):
        expected = 0.5 * swept - 0.5**-exponent * slip
        assert flow(10.0, 0.2, exponent) == pytest.approx(expected, rel=1e-9)
    # roll-off towards atmosphere is no slip
    assert flow(1e5, 0.2, 5.0) == pytest.approx(0.5 * CURVES[0.4][-1] * 1e5, rel=1e-9)


def test_the_inlet_temperature_acts_on_swept_gas_and_slip_alike():
    """Volume per second at the inlet stays as the curve says; warm, it is less gas."""
    for speed in (*CURVES, 0.3):
        for pressure in (1.5, 10.0, 3e4):
            cold = flow(pressure, speed)
            assert flow(pressure, speed, warm=0.9) == pytest.approx(0.9 * cold, rel=1e-12)


@pytest.mark.parametrize("speed", [0.3, 0.5, 0.85, 1.0])
def test_no_jump_in_value_or_slope_at_the_points(speed):
    for pressure in PRESSURES:
        below, above = pressure * (1.0 - 1e-9), pressure * (1.0 + 1e-9)
        assert flow(below, speed) == pytest.approx(flow(above, speed), rel=1e-7)
        sides = [slope(lambda p: flow(p, speed), at) for at in (below, above)]
        assert sides[0] == pytest.approx(sides[1], rel=1e-5)


@pytest.mark.parametrize("pressure", [2.0, 300.0, 2e4])
def test_at_the_ends_of_the_curves_speed_acts_as_it_does_between_them(pressure):
    """The drive stays within: at the slowest and at rated speed the slope is the inner one."""
    for end, inside in ((0.4, 0.41), (1.0, 0.99)):
        at_end, near = (slope(lambda n: flow(pressure, n), n) for n in (end, inside))
        assert at_end == pytest.approx(near, rel=1e-12)


@modest
@given(st.floats(-1.0, 5.5), st.floats(0.25, 0.98))
def test_complex_step_equals_central_difference(log_pressure, speed):
    pressure = 10.0**log_pressure
    assert slope(lambda p: flow(p, speed), pressure) == pytest.approx(
        difference_quotient(lambda p: flow(p, speed), pressure, 1e-6), rel=1e-4, abs=1e-8
    )
    away = all(abs(speed - known) > 1e-4 for known in CURVES)
    if away:
        assert slope(lambda n: flow(pressure, n), speed) == pytest.approx(
            difference_quotient(lambda n: flow(pressure, n), speed, 1e-6), rel=1e-4, abs=1e-8
        )
