"""Isentropic flow: tables of compressible flow, and the law around its critical ratio."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from chamberctl.physics.choked import (
    critical_flow_function,
    critical_pressure_ratio,
    isentropic_throughput_squared,
)
from chamberctl.physics.gases import GASES
from tests import reference
from tests.physics.support import modest, passage, pressures, slope, speed_and_viscosity

CHOKED = reference.load("vacuum/choked_flow_isentropic")
ORIFICE = reference.load("vacuum/orifice_limits")
gammas = st.floats(1.05, 1.67)


def nozzle(inlet_pa, outlet_pa, gamma=1.4, area_m2=1e-4, speed_m_s=410.0):
    """Squared throughput over that of the same area at sonic speed, p1 sqrt(R T/M)."""
    squared = isentropic_throughput_squared(inlet_pa, outlet_pa, area_m2, speed_m_s, gamma)
    return squared / (0.5 * area_m2**2 * speed_m_s**2)


@pytest.mark.parametrize("row", CHOKED.rows, ids=reference.row_id)
def test_critical_ratios_and_flow(row, validation):
    gamma = row["heat_capacity_ratio"]
    ratio = critical_pressure_ratio(gamma)
    expected = row["critical_pressure_ratio"]
    validation.check(CHOKED, "critical pressure ratio", expected, ratio, rel=1e-4)
    expected = row["critical_temperature_ratio"]
    computed = ratio ** ((gamma - 1.0) / gamma)
    validation.check(CHOKED, "critical temperature ratio", expected, computed, rel=1e-4)
    expected = row["critical_flow_function"]
    computed = np.sqrt(nozzle(3e4, 1.0, gamma)) / 3e4
    validation.check(CHOKED, "critical flow function", expected, computed, rel=1e-4)


@pytest.mark.parametrize("row", ORIFICE.rows, ids=reference.row_id)
def test_orifice_limits(row, validation):
    temperature = row["temperature_K"]
    gas = GASES[row["gas"]]
    diameter = 2.0
    area = 0.25 * np.pi * diameter**2
    choked = passage(1e5, 1e-3, diameter, gas=gas, temperature_k=temperature) / (area * 1e5)
    expected = row["choked_throughput_per_area_and_pressure_m_per_s"]
    validation.check(ORIFICE, "choked flow per area and pressure", expected, choked, rel=1e-3)
    speed, _ = speed_and_viscosity(row["gas"], temperature)
    mass = choked / (0.5 * speed**2)
    expected = row["choked_mass_flow_per_area_and_pressure_s_per_m"]
    validation.check(ORIFICE, "choked mass flow per area and pressure", expected, mass, rel=1e-3)
    molecular = passage(1e-9, 1e-13, diameter, gas=gas, temperature_k=temperature) / (area * 1e-9)
    expected = row["molecular_conductance_per_area_m_per_s"]
    validation.check(ORIFICE, "molecular flow per area and pressure", expected, molecular, rel=1e-3)
    expected = row["ratio_choked_to_molecular"]
    validation.check(ORIFICE, "choked over molecular", expected, choked / molecular, rel=1e-3)


@pytest.mark.parametrize("row", CHOKED.rows, ids=reference.row_id)
def test_critical_flow_function(row):
    computed = critical_flow_function(row["heat_capacity_ratio"])
    assert computed == pytest.approx(row["critical_flow_function"], rel=1e-6)


@modest
@given(gamma=gammas, pressure=pressures)
def test_critical_flow_is_the_largest(gamma, pressure):
    critical = float(critical_pressure_ratio(gamma))
    ratios = np.linspace(0.0, 1.0, 101)
    flows = nozzle(pressure, ratios * pressure, gamma) / pressure**2
    choked = float(critical_flow_function(gamma)) ** 2
    assert np.max(flows) <= choked * (1.0 + 1e-12)
    assert flows[ratios <= critical] == pytest.approx(choked, rel=1e-10)
    assert np.all(np.diff(flows[ratios >= critical]) < 0.0)
    assert flows[-1] == 0.0


@modest
@given(gamma=gammas, pressure=pressures)
def test_subsonic_flow_meets_velocity_head_near_equal_pressures(gamma, pressure):
    """Bernoulli: q^2 = 2 A^2 p1 dp R T/M, here over A^2 R T/M."""
    drop = 1e-9 * pressure
    squared = nozzle(pressure + drop, pressure, gamma)
    assert squared == pytest.approx(2.0 * pressure * drop, rel=1e-6)


@modest
@given(gamma=gammas, pressure=pressures, ratio=st.floats(0.0, 0.999))
def test_both_directions_are_the_same_law(gamma, pressure, ratio):
    one = nozzle(pressure, ratio * pressure, gamma)
    assert nozzle(ratio * pressure, pressure, gamma) == one


@modest
@given(gamma=gammas, pressure=pressures)
def test_value_and_slope_do_not_jump_at_the_critical_ratio(gamma, pressure):
    critical = float(critical_pressure_ratio(gamma)) * pressure
    for side in (1.0 - 1e-7, 1.0 + 1e-7):
        near = critical * side
        assert nozzle(pressure, near, gamma) == pytest.approx(
            nozzle(pressure, critical, gamma), rel=1e-10
        )
        relative = slope(lambda p: nozzle(pressure, p, gamma), near) * near
        assert relative / nozzle(pressure, critical, gamma) == pytest.approx(0.0, abs=1e-5)
        # Upstream the flow stays in proportion to pressure: q^2 grows with its square.
        relative = slope(lambda p: nozzle(p, critical, gamma), pressure * side) * pressure
        assert relative / nozzle(pressure, critical, gamma) == pytest.approx(2.0, rel=1e-5)
