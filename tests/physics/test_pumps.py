"""Backing pump and booster against derived tables, and their laws."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import brentq

from chamberctl.physics.boosters import (
    booster_throughput,
    overflow_throughput,
    torque_factor,
    zero_flow_compression,
)
from chamberctl.physics.pumps import backing_throughput, curve_table
from tests import reference
from tests.physics.support import difference_quotient, modest, pressures, slope

EFFICIENCY = reference.load("vacuum/roots_booster_efficiency")
SCALING = reference.load("vacuum/roots_booster_speed_scaling")
SHAPE = reference.load("vacuum/dry_pump_speed_shape")

speeds = st.floats(0.05, 1.2)


def stage(inlet_pa, speed, swept, backing, gap=0.0, carried=0.0):
    """Net speed [m3/s] and compression of a booster in front of an ideal backing pump."""

    def excess(outlet_pa):
        booster = booster_throughput(inlet_pa, outlet_pa, speed, swept, gap, 0.0, carried)
        return booster - backing_throughput(outlet_pa, 1.0, backing, 0.0, 0.0, 0.0)

    outlet_pa = brentq(excess, 1e-6 * inlet_pa, 1e6 * inlet_pa, xtol=1e-14, rtol=1e-14)
    flow = booster_throughput(inlet_pa, outlet_pa, speed, swept, gap, 0.0, carried)
    return flow / inlet_pa, outlet_pa / inlet_pa


def compression(speed, swept, gap, gap_per_pressure, carried, inlet_pa=10.0):
    """Compression at which nothing flows through the booster, sought from its flow."""
    highest = 1e9 * inlet_pa
    outlet_pa = brentq(
        lambda p: booster_throughput(inlet_pa, p, speed, swept, gap, gap_per_pressure, carried),
        inlet_pa,
        highest,
        xtol=1e-13 * inlet_pa,
        rtol=1e-14,
    )
    return outlet_pa / inlet_pa


@pytest.mark.parametrize("row", EFFICIENCY.rows, ids=reference.row_id)
def test_booster_efficiency(row, validation):
    """Gap leakage alone gives the exact form, carry-back alone the usual approximation."""
    zero_flow, staging = row["K0_zero_flow_compression"], row["Kth_staging_ratio"]
    net, ratio = stage(20.0, 1.0, 1.0, 1.0 / staging, gap=1.0 / (zero_flow - 1.0))
    expected = row["eta_exact_conductance_leak"]
    validation.check(EFFICIENCY, "efficiency, gap leakage", expected, net, rel=1e-6)
    expected = row["eta_numeric_balance"]
    validation.check(EFFICIENCY, "efficiency, gap leakage", expected, net, rel=1e-6)
    expected = row["compression_ratio_p2_over_p1"]
    validation.check(EFFICIENCY, "compression, gap leakage", expected, ratio, rel=1e-6)
    approximate = row["eta_K0_over_K0_plus_Kth"]
    assert abs(net - approximate) <= 1.0 / (zero_flow + staging) + 1e-6
    net, _ = stage(20.0, 1.0, 1.0, 1.0 / staging, carried=1.0 / zero_flow)
    validation.check(EFFICIENCY, "efficiency, carry-back", approximate, net, rel=1e-6)


@pytest.mark.parametrize("row", SCALING.rows, ids=reference.row_id)
def test_booster_at_reduced_speed(row, validation):
    """Model A: only gap leakage. Model B: only gas carried back. Both net speeds are exact."""
    zero_flow, staging, speed = row["K0_nominal"], row["Kth_staging_ratio"], row["n_rel"]
    for model, gap, carried in (
        ("A", 1.0 / (zero_flow - 1.0), 0.0),
        ("B", 0.0, 1.0 / zero_flow),
    ):
        computed = compression(speed, 1.0, gap, 0.0, carried)
        expected = row[f"K0_model_{model}"]
        validation.check(SCALING, f"zero-flow compression, {model}", expected, computed, rel=1e-6)
        net, _ = stage(20.0, speed, 1.0, 1.0 / staging, gap, carried)
        expected = row[f"net_speed_over_nominal_swept_model_{model}"]
        validation.check(SCALING, f"net speed, {model}", expected, net, rel=1e-6)


@pytest.mark.parametrize("row", SHAPE.rows, ids=reference.row_id)
def test_shape_of_the_backing_pump(row, validation):
    pressure, speed = row["inlet_pressure_Pa"], row["n_rel"]
    base = row["base_pressure_nominal_Pa"]
    displacement = 0.07
    net = backing_throughput(pressure, speed, displacement, base, 0.0, 0.0) / pressure
    expected = row["net_speed_over_nominal_displacement"]
    computed = max(net / displacement, 0.0)
    validation.check(SHAPE, "net over geometric speed", expected, computed, rel=1e-6)
    ultimate = brentq(
        lambda p: backing_throughput(p, speed, displacement, base, 0.0, 0.0), 1e-3, 1e3
    )
    expected = row["base_pressure_at_speed_Pa"]
    validation.check(SHAPE, "ultimate pressure at speed", expected, ultimate, rel=1e-6)


@modest
@given(
    ultimate=st.floats(1e-3, 100.0),
    clearance=st.floats(0.0, 0.5),
    exponent=st.floats(0.0, 3.0),
    speed=speeds,
    pressure=pressures,
)
def test_backing_pump_law(ultimate, clearance, exponent, speed, pressure):
    def flow(p, n):
        return backing_throughput(p, n, 0.1, ultimate, 0.1 * clearance, exponent)

    assert flow(ultimate, 1.0) == pytest.approx(0.0, abs=1e-14 * ultimate)
    # At rated speed the speed well above the ultimate pressure is displacement less clearance.
    assert flow(1e9 * ultimate, 1.0) / (1e9 * ultimate) == pytest.approx(
        0.1 * (1.0 - clearance), rel=1e-6
    )
    assert slope(lambda n: flow(pressure, n), speed) > 0.0
    # Slip at reduced speed against slip at rated speed: n^-m.
    slip = [0.1 * n * pressure - flow(pressure, n) for n in (1.0, speed)]
    assert slip[1] == pytest.approx(slip[0] * speed**-exponent, rel=1e-9, abs=1e-12 * pressure)
    if clearance * speed**-exponent < speed:
        assert slope(lambda p: flow(p, speed), pressure) > 0.0
    for function, at in (
        (lambda p: flow(p, speed), pressure),
        (lambda n: flow(pressure, n), speed),
    ):
        scale = abs(function(at)) / at
        assert slope(function, at) == pytest.approx(
            difference_quotient(function, at), rel=1e-6, abs=1e-9 * scale
        )


@modest
@given(inlet=pressures, ratio=st.floats(1.0, 50.0), speed=speeds, share=st.floats(0.0, 1.0))
def test_booster_rises_with_inlet_and_speed_and_falls_with_outlet(inlet, ratio, speed, share):
    gap, carried = 0.02 * share, 0.02 * (1.0 - share)

    def flow(p1, p2, n):
        return booster_throughput(p1, p2, n, 0.5, gap, 1e-6, carried)

    outlet = ratio * inlet
    if ratio < 0.5 / (0.03 + 1e-6):
        assert slope(lambda p: flow(p, outlet, speed), inlet) > 0.0
        assert slope(lambda p: flow(inlet, p, speed), outlet) < 0.0
    by_speed = slope(lambda n: flow(inlet, outlet, n), speed)
    assert by_speed == pytest.approx(0.5 * inlet - carried * outlet, rel=1e-9, abs=1e-12 * outlet)
    # Standing still, the booster is a resistance.
    rest = flow(inlet, outlet, 0.0)
    viscous = gap + 1e-6 * 0.5 * (inlet + outlet)
    assert rest == pytest.approx(viscous * (inlet - outlet), rel=1e-9, abs=1e-15)


@modest
@given(inlet=pressures, speed=speeds)
def test_gap_leakage_that_grows_with_pressure(inlet, speed):
    """K0 from the flow law equals the closed form with the gap at the mean pressure."""
    gap, per_pressure, carried = 0.01, 2e-6, 0.005
    found = compression(speed, 0.5, gap, per_pressure, carried, inlet)
    mean = inlet * 0.5 * (1.0 + found)
    at_mean = gap + per_pressure * mean
    closed = zero_flow_compression(speed, 0.5, at_mean, carried)
    assert closed == pytest.approx(found, rel=1e-9)
    limits = 0.5 / carried, 1.0 + speed * 0.5 / at_mean
    assert 1.0 < found < min(limits)


def test_zero_flow_compression_at_both_ends_of_pressure():
    """Carry-back rules low pressure whatever the speed; gaps the high, in proportion to speed."""
    for speed in (0.3, 1.0):
        assert compression(speed, 0.5, 0.0, 1e-9, 0.01, 1e-3) == pytest.approx(50.0, rel=1e-3)
        high = compression(speed, 0.5, 0.0, 1e-3, 0.0, 1e5)
        assert (high - 1.0) * (1.0 + high) / speed == pytest.approx(0.5 / (0.5 * 1e-3 * 1e5))


@modest
@given(inlet=pressures, opening=st.floats(100.0, 1e4), slope_m3_s=st.floats(0.1, 10.0))
def test_overflow_valve_opens_at_its_difference(inlet, opening, slope_m3_s):
    def flow(p2):
        return overflow_throughput(inlet, p2, opening, slope_m3_s)

    opens = inlet + opening
    assert flow(0.999 * opens) == 0.0
    assert flow(opens + 100.0) == pytest.approx(100.0 * slope_m3_s, rel=1e-6)
    # A corner, as the valve has one: no slope below, its own above.
    assert slope(flow, 0.999 * opens) == 0.0
    assert slope(flow, 1.001 * opens) == pytest.approx(slope_m3_s, rel=1e-12)


def test_a_curve_that_falls_almost_as_one_over_pressure_keeps_its_throughput_rising():
    """The throughput leaves the plateau with three times the slope of the chord, no more."""
    table = curve_table([1.0, 10.0, 100.0], [0.1, 0.1, 0.0178])
    rise = np.log(0.178 * 100.0 / 10.0) / np.log(10.0)
    assert 1.0 + table[4, 1] == pytest.approx(3.0 * rise, rel=1e-9)


def test_a_torque_limited_drive_holds_the_pressure_difference():
    """Full speed up to the limit; a tenth above it the twentieth power is left."""
    assert torque_factor(100.0, 5099.0, 5000.0) == 1.0
    assert torque_factor(100.0, 5600.0, 5000.0) == pytest.approx(1.1**-20, rel=1e-9)
    assert torque_factor(5100.0, 100.0, 5000.0) == 1.0
