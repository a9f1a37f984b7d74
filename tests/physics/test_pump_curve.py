"""A backing pump given by its speed curve: through its points, in order, without a corner."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from chamberctl.physics.pumps import (
    backing_curves_throughput,
    backing_throughput,
    curve_table,
    falling_step,
    scaled_slip,
)
from tests.physics.support import difference_quotient, modest, slope

PRESSURES = (1.0, 10.0, 100.0, 1e3, 1e4, 1e5)
SPEEDS = (0.002, 0.03, 0.09, 0.1, 0.09, 0.06)
TABLE = curve_table(PRESSURES, SPEEDS)


def flow(pressure, speed=1.0, exponent=0.0, temperature_factor=1.0, table=TABLE):
    return backing_curves_throughput(pressure, speed, exponent, temperature_factor, table[None])


@st.composite
def curves(draw):
    """Any curve that is accepted: rising pressures and throughputs."""
    steps = st.floats(0.05, 1.5)
    count = draw(st.integers(2, 7))
    pressures = 10.0 ** np.cumsum(
        [draw(st.floats(-1.0, 1.0)), *(draw(steps) for _ in range(count))]
    )
    flows = 10.0 ** np.cumsum([draw(st.floats(-3.0, 0.0)), *(draw(steps) for _ in range(count))])
    return pressures, flows / pressures


def test_the_curve_goes_through_its_points():
    for pressure, speed in zip(PRESSURES, SPEEDS, strict=True):
        assert flow(pressure) / pressure == pytest.approx(speed, rel=1e-12)


def test_roll_off_scales_with_speed_and_slip_does_not():
    assert flow(1e5, 0.5, 3.0) == pytest.approx(0.5 * 0.06 * 1e5, rel=1e-12)
    slip = 0.1 * 10.0 - 0.03 * 10.0
    assert flow(10.0, 0.5) == pytest.approx(0.5 * 0.1 * 10.0 - slip, rel=1e-12)
    assert flow(10.0, 0.5, 2.0) == pytest.approx(0.5 * 0.1 * 10.0 - 4.0 * slip, rel=1e-12)


def test_temperature_acts_on_all_volume_flows_alike():
    assert flow(10.0, temperature_factor=0.9) == pytest.approx(0.9 * 0.03 * 10.0, rel=1e-12)


def test_a_curve_of_constant_slip_gives_the_law_of_constant_slip():
    pressures = np.array([2.0, 5.0, 10.0, 30.0, 100.0, 1000.0])
    table = curve_table(pressures, 0.1 * (1.0 - 1.0 / pressures))
    grid = np.logspace(0.2, 3.0, 50)
    for speed in (0.5, 1.0):
        law = backing_throughput(grid, speed, 0.1, 1.0, 0.0, 0.0)
        assert flow(grid, speed, table=table) == pytest.approx(law, rel=0.01, abs=2e-3)
    # Below the table the slip goes on unchanged.
    below = flow(np.array([0.1, 0.5]), table=table)
    peak = 0.1 * (1.0 - 1e-3)
    slip = 2.0 * (peak - 0.05)
    assert below == pytest.approx(peak * np.array([0.1, 0.5]) - slip, rel=1e-9)


def test_beyond_the_table_the_speed_is_constant():
    assert flow(3e5) / 3e5 == pytest.approx(0.06, rel=1e-12)


def test_below_the_table_the_flow_turns_back():
    """The points rise too slowly for constant slip; the net flow goes on as a straight line."""
    pressures = np.array([1e-3, 0.2, 0.6, 1.0])
    values = flow(pressures)
    assert np.diff(values) / np.diff(pressures) == pytest.approx(
        np.full(3, (values[3] - values[0]) / (1.0 - 1e-3)), rel=1e-9
    )
    assert values[0] < 0.0 < values[3]


@modest
@given(curve=curves())
def test_any_curve_is_met_and_rises_between_its_points(curve):
    pressures, speeds = curve
    table = curve_table(pressures, speeds)
    peak = speeds.max()
    assert flow(pressures, table=table) == pytest.approx(
        speeds * pressures, rel=1e-9, abs=1e-12 * peak * pressures.max()
    )
    grid = np.logspace(np.log10(pressures[0]) - 2.0, np.log10(pressures[-1]) + 1.0, 3000)
    values = flow(grid, table=table)
    assert np.all(np.diff(values) > -1e-9 * peak * grid[1:])


@modest
@given(curve=curves())
def test_speed_does_not_overshoot_the_points(curve):
    """Unless it falls almost as 1/p: there the rise of the throughput comes first."""
    pressures, speeds = curve
    assume(np.min(np.diff(np.log(speeds)) / np.diff(np.log(pressures))) > -2.0 / 3.0)
    table = curve_table(pressures, speeds)
    for k in range(len(pressures) - 1):
        grid = np.linspace(pressures[k], pressures[k + 1], 41)
        between = flow(grid, table=table) / grid
        low, high = sorted(speeds[k : k + 2])
        assert np.all(between >= low * (1.0 - 1e-9) - 1e-12)
        assert np.all(between <= high * (1.0 + 1e-9) + 1e-12)


@modest
@given(curve=curves(), speed=st.floats(0.2, 1.0), exponent=st.floats(0.0, 2.0))
def test_no_corner_at_any_point(curve, speed, exponent):
    pressures, speeds = curve
    table = curve_table(pressures, speeds)
    for at in pressures:
        values, slopes = zip(
            *(
                (
                    flow(x, speed, exponent, table=table),
                    slope(lambda p: flow(p, speed, exponent, table=table), x),
                )
                for x in (at * (1.0 - 1e-9), at * (1.0 + 1e-9))
            ),
            strict=True,
        )
        scale = speed**-exponent * speeds.max()
        assert values[0] == pytest.approx(values[1], rel=1e-6, abs=1e-7 * scale * at)
        assert slopes[0] == pytest.approx(slopes[1], rel=1e-4, abs=1e-6 * scale)


@modest
@given(exponent=st.floats(-2.0, 6.0), speed=st.floats(0.1, 1.0))
def test_complex_step_equals_central_difference(exponent, speed):
    pressure = 10.0**exponent
    assume(min(abs(np.log(pressure / knot)) for knot in PRESSURES) > 1e-3)
    for function, at in (
        (lambda p: flow(p, speed, 1.0), pressure),
        (lambda n: flow(pressure, n, 1.0), speed),
    ):
        expected = difference_quotient(function, at)
        scale = abs(flow(pressure, speed, 1.0)) / at
        assert slope(function, at) == pytest.approx(expected, rel=1e-5, abs=1e-7 * scale)


@pytest.mark.parametrize(
    "pressures, speeds",
    [([10.0, 1.0], [0.1, 0.1]), ([1.0, 1.0], [0.1, 0.2]), ([1.0, 10.0], [0.1, 0.005])],
)
def test_curves_that_do_not_rise_are_refused(pressures, speeds):
    with pytest.raises(ValueError, match="must rise"):
        curve_table(pressures, speeds)


def test_more_slip_deepens_a_curve_below_its_peak_only():
    speeds = [0.02, 0.08, 0.1, 0.06]
    assert scaled_slip(speeds, 1.0) == pytest.approx(speeds)
    assert scaled_slip(speeds, 1.2) == pytest.approx([0.004, 0.076, 0.1, 0.06])
    assert scaled_slip(speeds, 2.0)[0] == pytest.approx(1e-5)


@pytest.mark.parametrize("at_ten, row", [(0.0101, -1), (0.01, 0), (0.005, 0)])
def test_the_row_from_which_throughput_falls(at_ten, row):
    assert falling_step([1.0, 10.0, 100.0], [0.1, at_ten, 0.01]) == row
    assert falling_step([0.1, 1.0, 10.0], [0.1, 0.1, at_ten]) == (row if row < 0 else 1)
