"""The one law of a passage over twelve decades of pressure: limits, order, smoothness."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import assume, example, given
from hypothesis import strategies as st
from scipy.optimize import brentq

from chamberctl.physics.choked import (
    critical_flow_function,
    critical_pressure_ratio,
    isentropic_throughput_squared,
)
from chamberctl.physics.gases import GASES
from chamberctl.physics.passages import (
    kinetic_throughput,
    passage_lengths,
    turbulent_throughput_squared,
)
from tests.physics.support import (
    difference_quotient,
    long_tube,
    modest,
    passage,
    pressures,
    slope,
    speed_and_viscosity,
)

gases = st.sampled_from(sorted(GASES))
diameters = st.floats(-3.0, 0.0).map(lambda exponent: 10.0**exponent)
#: Length over diameter: an orifice, or a tube of up to a thousand diameters.
slenderness = st.one_of(st.just(0.0), st.floats(-2.0, 3.0).map(lambda exponent: 10.0**exponent))
ratios = st.floats(1e-6, 1.0 - 1e-6)


@modest
@given(pressure=pressures, ratio=ratios, diameter=diameters, slender=slenderness, gas=gases)
def test_zero_at_equal_pressures_and_odd(pressure, ratio, diameter, slender, gas):
    length = slender * diameter
    forward = passage(pressure, ratio * pressure, diameter, length, gas)
    backward = passage(ratio * pressure, pressure, diameter, length, gas)
    assert forward > 0.0
    assert backward == pytest.approx(-forward, rel=1e-9)
    assert passage(pressure, pressure, diameter, length, gas) == 0.0


@modest
@given(pressure=pressures, ratio=ratios, diameter=diameters, slender=slenderness, gas=gases)
@example(pressure=1e3, ratio=0.5, diameter=0.1, slender=0.0, gas="N2")
def test_rises_with_inlet_and_falls_with_outlet_pressure(pressure, ratio, diameter, slender, gas):
    length = slender * diameter
    low = ratio * pressure
    for inlet, outlet in ((pressure, low), (low, pressure)):
        by_inlet = slope(lambda p, out=outlet: passage(p, out, diameter, length, gas), inlet)
        by_outlet = slope(lambda p, into=inlet: passage(into, p, diameter, length, gas), outlet)
        assert by_inlet > 0.0
        # A choked passage does not feel its outlet, but for the share of friction left in it.
        assert by_outlet <= 1e-12 * by_inlet


@modest
@given(gas=gases, diameter=diameters, slender=slenderness, ratio=st.floats(0.0, 0.999))
def test_molecular_limit(gas, diameter, slender, ratio):
    """All that impinges on the opening, times the share that passes; no choking."""
    speed, mu = speed_and_viscosity(gas)
    pressure = 1e-8 * mu * speed / diameter
    _, molecular = passage_lengths(0.5 * diameter, slender * diameter)
    share = 8.0 * 0.5 * diameter / (3.0 * molecular)
    impinging = 0.25 * np.pi * diameter**2 * speed / (2.0 * np.sqrt(np.pi))
    expected = impinging * share * pressure * (1.0 - ratio)
    computed = passage(pressure, ratio * pressure, diameter, slender * diameter, gas)
    assert computed == pytest.approx(expected, rel=1e-4)


@modest
@given(gas=gases, diameter=diameters, slender=st.floats(1.0, 1000.0))
def test_viscous_limit_of_small_steps(gas, diameter, slender):
    """Laminar flow through the tube and creeping flow through its ends."""
    speed, mu = speed_and_viscosity(gas)
    length = slender * diameter
    pressure = 1e6 * mu * speed / diameter
    step = 1e-14 * pressure
    computed = passage(pressure + step, pressure, diameter, length, gas)
    drop = (pressure + step) - pressure
    with_ends = length + 3.0 * np.pi * diameter / 16.0
    expected = np.pi * diameter**4 / (128.0 * mu * with_ends) * pressure * drop
    assert computed == pytest.approx(expected, rel=1e-3)


@modest
@given(gas=gases, coefficient=st.floats(0.5, 1.0), share=st.floats(0.0, 0.95))
def test_choked_limit(gas, coefficient, share):
    """A wide opening at high pressure: sonic flow, whatever lies behind it."""
    found = GASES[gas]
    speed, _ = speed_and_viscosity(gas)
    ratio = share * float(critical_pressure_ratio(found.heat_capacity_ratio))
    computed = passage(1e5, ratio * 1e5, 3.0, 0.0, gas, discharge_coefficient=coefficient)
    sonic = float(critical_flow_function(found.heat_capacity_ratio)) * speed / np.sqrt(2.0)
    expected = coefficient * 0.25 * np.pi * 3.0**2 * 1e5 * sonic
    assert computed == pytest.approx(expected, rel=1e-4)


@modest
@given(pressure=pressures, ratio=ratios, diameter=diameters, slender=slenderness, gas=gases)
def test_never_more_than_friction_or_molecular_flow_allows(pressure, ratio, diameter, slender, gas):
    assume(slender > 0.0)
    length = slender * diameter
    whole = passage(pressure, ratio * pressure, diameter, length, gas)
    assert whole < long_tube(pressure, ratio * pressure, diameter, length, gas) * (1.0 + 1e-9)


def test_inertia_comes_in_as_published_for_an_orifice_into_vacuum():
    """Fujimoto and Usami's empirical law (from memory) from molecular to viscous, within 10 %."""
    speed, mu = speed_and_viscosity("Ar")
    diameter = 0.01
    impinging = 0.25 * np.pi * diameter**2 * speed / (2.0 * np.sqrt(np.pi))
    for rarefaction in np.logspace(-2.0, 3.0, 21):
        pressure = rarefaction * mu * speed / (0.5 * diameter)
        computed = passage(pressure, 0.0, diameter, 0.0, "Ar", discharge_coefficient=0.86)
        published = 1.0 + (0.4733 + 0.6005 / np.sqrt(rarefaction)) / (
            1.0 + 4.559 / rarefaction + 3.094 / rarefaction**2
        )
        assert computed / (impinging * pressure) == pytest.approx(published, rel=0.1)


def test_turbulent_cap_is_the_friction_law_of_smooth_pipes():
    """f = 0.3164 Re^-1/4 (Blasius, from memory), and p1^2 - p2^2 = 2 f L q^2/(D A^2 v0^2)."""
    speed, mu = speed_and_viscosity("N2")
    radius, length, inlet, outlet = 0.02, 30.0, 9e4, 6e4
    area, diameter = np.pi * radius**2, 2.0 * radius
    flow = np.sqrt(turbulent_throughput_squared(inlet, outlet, radius, length, speed, mu))
    reynolds = 2.0 * flow * diameter / (area * speed**2 * mu)
    factor = 0.3164 * reynolds**-0.25
    squares = 2.0 * factor * length * flow**2 / (diameter * area**2 * speed**2)
    assert squares == pytest.approx(inlet**2 - outlet**2, rel=1e-9)


@pytest.mark.parametrize("reynolds", [1200.0, 1733.0, 2600.0])
def test_onset_of_turbulence(reynolds):
    """The cap comes in as Re^4/(1733^4 + Re^4), Re that of the turbulent law."""
    speed, mu = speed_and_viscosity("N2")
    diameter, length, outlet = 0.05, 20.0, 1e5
    radius, area = 0.5 * diameter, 0.25 * np.pi * diameter**2
    turbulent = 0.5 * reynolds * area * speed**2 * mu / diameter
    inlet = brentq(
        lambda p: turbulent_throughput_squared(p, outlet, radius, length, speed, mu) - turbulent**2,
        outlet,
        2.0 * outlet,
        xtol=1e-9,
    )
    whole = passage(inlet, outlet, diameter, length)
    gamma = GASES["N2"].heat_capacity_ratio
    inertia = isentropic_throughput_squared(inlet, outlet, area, speed, gamma)
    mean = 0.5 * (inlet + outlet) * radius / (mu * speed)
    friction = whole / (1.0 - mean / (6.0 + mean) * whole**2 / inertia)
    lengths = passage_lengths(radius, length)
    laminar = kinetic_throughput(inlet, outlet, radius, lengths[0], np.inf, speed, mu)
    rest = kinetic_throughput(inlet, outlet, radius, *lengths, speed, mu) - laminar
    # friction = rest + laminar/(1 + w^3 (laminar/turbulent)^6)^(1/6)
    crowding = (laminar / (friction - rest)) ** 6 - 1.0
    weight = np.cbrt(crowding / (laminar / turbulent) ** 6)
    assert weight == pytest.approx(reynolds**4 / (1733.0**4 + reynolds**4), rel=1e-5)


@pytest.mark.parametrize("rarefaction", [0.6, 6.0, 60.0])
def test_share_of_inertia_at_a_mean_rarefaction(rarefaction):
    """Half of the velocity head counts at a mean rarefaction of 6, more above and less below."""
    speed, mu = speed_and_viscosity("N2")
    diameter, ratio = 0.02, 0.2
    radius = 0.5 * diameter
    inlet = rarefaction * mu * speed / radius / (0.5 * (1.0 + ratio))
    whole = passage(inlet, ratio * inlet, diameter)
    lengths = passage_lengths(radius, 0.0)
    friction = kinetic_throughput(inlet, ratio * inlet, radius, *lengths, speed, mu)
    gamma = GASES["N2"].heat_capacity_ratio
    area = np.pi * radius**2
    inertia = isentropic_throughput_squared(inlet, ratio * inlet, area, speed, gamma)
    # 1 = whole/friction + share whole^2/inertia
    share = (1.0 - whole / friction) * inertia / whole**2
    assert share == pytest.approx(rarefaction / (6.0 + rarefaction), rel=1e-3)


def test_a_velocity_head_is_lost_in_a_short_wide_passage():
    """Laminar friction plus one velocity head: dp = dp_friction + rho w^2/2, w from the flow."""
    diameter, length, pressure = 0.05, 0.5, 5e3
    speed, mu = speed_and_viscosity("N2")
    drop = 1.0
    flow = passage(pressure + drop, pressure, diameter, length)
    with_ends = length + 3.0 * np.pi * diameter / 16.0
    friction = flow * 128.0 * mu * with_ends / (np.pi * diameter**4 * (pressure + 0.5 * drop))
    velocity = flow / (pressure * 0.25 * np.pi * diameter**2)
    head = pressure / speed**2 * velocity**2
    assert head > 0.1 * drop
    assert friction + head == pytest.approx(drop, rel=3e-3)


def test_turbulent_friction_in_a_long_tube():
    """Far above the transition the flow is that of Blasius' friction factor."""
    speed, mu = speed_and_viscosity("N2")
    diameter, length = 0.05, 500.0
    inlet, outlet = 1e5, 5e4
    flow = passage(inlet, outlet, diameter, length)
    area = 0.25 * np.pi * diameter**2
    reynolds = 2.0 * flow * diameter / (area * speed**2 * mu)
    friction = 0.3164 * reynolds**-0.25
    drop = friction * length / diameter * (flow / area) ** 2 * 2.0 / speed**2
    assert reynolds > 1e4
    assert drop == pytest.approx(inlet**2 - outlet**2, rel=0.02)


def both_sides(function, at, relative=1e-9):
    """Values and slopes a little below and above."""
    sides = [at * (1.0 - relative), at * (1.0 + relative)]
    return [float(np.real(function(x))) for x in sides], [slope(function, x) for x in sides]


@modest
@given(pressure=pressures, diameter=diameters, slender=slenderness, gas=gases)
def test_smooth_where_flow_begins_to_choke(pressure, diameter, slender, gas):
    length = slender * diameter
    critical = pressure * float(critical_pressure_ratio(GASES[gas].heat_capacity_ratio))
    for function, at in (
        (lambda p: passage(pressure, p, diameter, length, gas), critical),
        (lambda p: passage(p, critical, diameter, length, gas), pressure),
    ):
        values, slopes = both_sides(function, at)
        assert values[0] == pytest.approx(values[1], rel=1e-7)
        assert slopes[0] == pytest.approx(slopes[1], rel=1e-6, abs=1e-7 * values[0] / at)


@modest
@given(rarefaction=st.floats(-4.0, 3.0), diameter=diameters, slender=slenderness, gas=gases)
def test_smooth_at_equal_pressures(rarefaction, diameter, slender, gas):
    """Value and slope pass through; the slope is that of friction alone.

    Inertia bends the curve within a relative step of about 1/rarefaction^2, so the slopes on both
    sides are taken closer than that.
    """
    speed, mu = speed_and_viscosity(gas)
    pressure = 10.0**rarefaction * mu * speed / (0.5 * diameter)
    radius, length = 0.5 * diameter, slender * diameter

    def flow(p):
        return passage(p, pressure, diameter, length, gas)

    def friction(p):
        lengths = passage_lengths(radius, length)
        return kinetic_throughput(p, pressure, radius, *lengths, speed, mu)

    values, slopes = both_sides(flow, pressure, relative=1e-14)
    assert values[0] < 0.0 < values[1]
    at_rest = slope(friction, pressure)
    assert slope(flow, pressure) == pytest.approx(at_rest, rel=1e-12)
    assert slopes == pytest.approx([at_rest, at_rest], rel=1e-6)


@pytest.mark.parametrize("slender", [0.0, 2.0, 100.0])
@pytest.mark.parametrize("ratio", [0.1, 0.9])
def test_no_corner_anywhere_between_the_regimes(slender, ratio):
    """Relative slope d ln q/d ln p on a fine grid: no steps, and rising flow throughout.

    Between 1 and 2, except where laminar flow turns turbulent and loses a quarter of its flow.
    """
    diameter = 0.05
    grid = np.logspace(-5.0, 5.0, 2001)
    moved = grid * (1.0 + 1e-30j)
    flows = passage(moved, ratio * moved, diameter, slender * diameter)
    relative = flows.imag / 1e-30 / flows.real
    assert np.all(relative > 0.7)
    assert np.all(relative < 2.0 + 1e-9)
    assert np.max(np.abs(np.diff(relative))) < 0.04
    assert np.max(np.abs(np.diff(relative, n=2))) < 3e-3


@modest
@given(pressure=pressures, ratio=st.floats(0.01, 0.98), diameter=diameters, slender=slenderness)
def test_complex_step_equals_central_difference(pressure, ratio, diameter, slender):
    critical = float(critical_pressure_ratio(GASES["Ar"].heat_capacity_ratio))
    assume(abs(ratio - critical) > 1e-3)

    def flow(p):
        return passage(p, ratio * pressure, diameter, slender * diameter, "Ar")

    assert slope(flow, pressure) == pytest.approx(difference_quotient(flow, pressure), rel=1e-5)
