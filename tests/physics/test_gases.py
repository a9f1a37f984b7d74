"""Gas properties against published correlations, and the laws behind them."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from chamberctl.physics.constants import MOLAR_GAS_CONSTANT_J_MOL_K, T_REF_K
from chamberctl.physics.gases import (
    GASES,
    mean_free_path,
    mean_thermal_speed,
    most_probable_speed,
    viscosity,
)
from tests import reference
from tests.physics.support import modest, passage, pressures, slope, speed_and_viscosity

PROPERTIES = reference.load("vacuum/gas_properties")
VISCOSITIES = reference.load("vacuum/gas_viscosity_vs_temperature")
CORRELATIONS = ("dynamic_viscosity_perry_Pa_s", "dynamic_viscosity_vdi_Pa_s")


@pytest.mark.parametrize("row", PROPERTIES.rows, ids=reference.row_id)
def test_molar_mass_and_speeds(row, validation):
    molar_mass = GASES[row["gas"]].molar_mass_kg_mol
    speed = most_probable_speed(row["temperature_K"], molar_mass)
    expected = row["molar_mass_kg_per_mol"]
    validation.check(PROPERTIES, "molar mass", expected, molar_mass, rel=1e-4)
    expected = row["most_probable_speed_m_per_s"]
    validation.check(PROPERTIES, "most probable speed", expected, speed, rel=1e-4)
    # The mean speed, as it rules an aperture: C/A is a quarter of it.
    area = 0.25 * np.pi * 0.01**2
    conductance = passage(1e-7, 0.5e-7, 0.01, 0.0, row["gas"], row["temperature_K"]) / 0.5e-7
    expected = row["mean_thermal_speed_m_per_s"]
    validation.check(PROPERTIES, "mean speed", expected, 4.0 * conductance / area, rel=1e-4)


@pytest.mark.parametrize("row", PROPERTIES.rows, ids=reference.row_id)
def test_viscosity_near_20_degc(row, validation):
    _, computed = speed_and_viscosity(row["gas"], row["temperature_K"])
    for column in ("dynamic_viscosity_Pa_s", *CORRELATIONS):
        if row[column] is not None:
            validation.check(PROPERTIES, "viscosity", row[column], computed, rel=0.02)


@pytest.mark.parametrize("row", PROPERTIES.rows, ids=reference.row_id)
def test_mean_free_path(row, validation):
    gas = GASES[row["gas"]]
    _, mu = speed_and_viscosity(row["gas"], row["temperature_K"])
    computed = mean_free_path(2.0, row["temperature_K"], gas.molar_mass_kg_mol, mu) * 2.0
    expected = row["mean_free_path_times_pressure_m_Pa"]
    validation.check(PROPERTIES, "mean free path times pressure", expected, computed, rel=0.03)


@pytest.mark.parametrize(
    "row",
    [row for row in PROPERTIES.rows if row["temperature_K"] == T_REF_K],
    ids=reference.row_id,
)
def test_the_package_keeps_the_printed_numbers_at_20_degc(row):
    """The tolerances of the table are those of the correlations; the numbers are the same ones."""
    gas = GASES[row["gas"]]
    speed, mu = speed_and_viscosity(row["gas"])
    assert mu == pytest.approx(row["dynamic_viscosity_Pa_s"], rel=1e-7)
    assert gas.heat_capacity_ratio == pytest.approx(row["heat_capacity_ratio"], rel=1e-7)
    path = mean_free_path(1.0, T_REF_K, gas.molar_mass_kg_mol, mu)
    assert path == pytest.approx(row["mean_free_path_times_pressure_m_Pa"], rel=1e-6)
    assert speed == pytest.approx(row["most_probable_speed_m_per_s"], rel=1e-6)
    mean = mean_thermal_speed(T_REF_K, gas.molar_mass_kg_mol)
    assert mean == pytest.approx(row["mean_thermal_speed_m_per_s"], rel=1e-6)


@pytest.mark.parametrize("row", VISCOSITIES.rows, ids=reference.row_id)
def test_viscosity_against_temperature(row, validation):
    _, computed = speed_and_viscosity(row["gas"], row["temperature_K"])
    expected = row["dynamic_viscosity_Pa_s"]
    validation.check(VISCOSITIES, "viscosity of the correlation", expected, computed, rel=0.02)
    for column in CORRELATIONS:
        if row[column] is not None:
            name = "viscosity of other correlations"
            validation.check(VISCOSITIES, name, row[column], computed, rel=0.03)


#: Largest deviation of each fit from its correlation in the table [%], rounded up.
FITS = {
    "N2": 0.24,
    "air": 0.087,
    "Ar": 0.265,
    "He": 0.99,
    "H2": 0.33,
    "H2O": 1.91,
    "CO2": 0.183,
    "O2": 0.246,
}


@pytest.mark.parametrize("name", GASES)
def test_sutherland_fits_are_as_good_as_they_were_made(name):
    for row in VISCOSITIES.rows:
        if row["gas"] == name:
            _, computed = speed_and_viscosity(name, row["temperature_K"])
            assert computed == pytest.approx(row["dynamic_viscosity_Pa_s"], rel=0.01 * FITS[name])


@modest
@given(name=st.sampled_from(sorted(GASES)), temperature=st.floats(200.0, 1500.0))
def test_temperature_laws(name, temperature):
    gas = GASES[name]
    relative = slope(
        lambda t: viscosity(t, gas.viscosity_20c_pa_s, gas.sutherland_k), temperature
    ) * (temperature / speed_and_viscosity(name, temperature)[1])
    # Sutherland: 1.5 - T/(T + S).
    assert relative == pytest.approx(1.5 - temperature / (temperature + gas.sutherland_k), rel=1e-9)
    speed = most_probable_speed(temperature, gas.molar_mass_kg_mol)
    energy = 0.5 * gas.molar_mass_kg_mol * speed**2
    assert energy == pytest.approx(MOLAR_GAS_CONSTANT_J_MOL_K * temperature, rel=1e-12)
    mean = mean_thermal_speed(temperature, gas.molar_mass_kg_mol)
    assert mean / speed == pytest.approx(2.0 / np.sqrt(np.pi), rel=1e-12)


@modest
@given(name=st.sampled_from(sorted(GASES)), pressure=pressures, temperature=st.floats(200, 1500))
def test_mean_free_path_falls_with_pressure_and_meets_its_definition(name, pressure, temperature):
    gas = GASES[name]
    speed, mu = speed_and_viscosity(name, temperature)
    path = mean_free_path(pressure, temperature, gas.molar_mass_kg_mol, mu)
    # Knudsen number times rarefaction of a tube: sqrt(pi)/4, whatever the gas.
    diameter = 0.04
    rarefaction = 0.5 * diameter * pressure / (mu * speed)
    assert path / diameter * rarefaction == pytest.approx(np.sqrt(np.pi) / 4.0, rel=1e-12)
