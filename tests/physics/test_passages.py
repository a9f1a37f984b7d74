"""Tubes and orifices against kinetic theory, and the rarefied end of the law."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad

from chamberctl.physics.gases import GASES, mean_free_path
from chamberctl.physics.passages import (
    FIT_WEIGHT,
    MOLECULAR_COEFFICIENT,
    SLIP_COEFFICIENT,
    flow_regime,
    kinetic_flow_coefficient,
    kinetic_throughput,
    passage_lengths,
    transmission_probability,
)
from tests import reference
from tests.physics.support import long_tube, modest, passage, speed_and_viscosity

CONSTANTS = reference.load("vacuum/conductance_constants")
TRANSMISSION = reference.load("vacuum/tube_molecular_transmission")
KINETIC = reference.load("vacuum/tube_flow_kinetic")


def coefficient(rarefaction, length_ratio=1.0):
    """G_P of a long tube as the throughput law has it, from a tiny pressure step."""
    radius, length, speed, mu = 0.01, 2.0, 400.0, 1.8e-5
    pressure = rarefaction * mu * speed / radius
    inlet, outlet = pressure * (1.0 + 1e-9), pressure
    flow = kinetic_throughput(inlet, outlet, radius, length, length * length_ratio, speed, mu)
    return flow * 2.0 * length / (np.pi * radius**3 * speed * (inlet - outlet))


@pytest.mark.parametrize("row", CONSTANTS.rows, ids=reference.row_id)
def test_conductance_constants(row, validation):
    gas, temperature = row["gas"], row["temperature_K"]
    diameter, length = 0.02, 3.0
    molecular = long_tube(1e-8, 0.5e-8, diameter, length, gas, temperature_k=temperature) / 0.5e-8
    constant = molecular * length / diameter**3
    expected = row["long_tube_C_times_L_over_d3_m_per_s"]
    validation.check(CONSTANTS, "long tube, molecular", expected, constant, rel=1e-3)
    expected = row["long_tube_l_per_s_cm3_over_cm"]
    validation.check(CONSTANTS, "long tube, molecular", expected, constant / 10.0, rel=1e-3)
    area = 0.25 * np.pi * diameter**2
    aperture = passage(1e-8, 0.5e-8, diameter, 0.0, gas, temperature) / 0.5e-8 / area
    expected = row["aperture_conductance_per_area_m_per_s"]
    validation.check(CONSTANTS, "aperture, molecular", expected, aperture, rel=1e-3)
    expected = row["aperture_l_per_s_cm2"]
    validation.check(CONSTANTS, "aperture, molecular", expected, aperture / 10.0, rel=1e-3)
    flow = long_tube(1.1e5, 0.9e5, diameter, length, gas, temperature_k=temperature)
    viscous = flow / 0.2e5 * length / (diameter**4 * 1e5)
    expected = row["laminar_C_times_L_over_d4_pmean_per_Pa_s"]
    validation.check(CONSTANTS, "long tube, laminar", expected, viscous, rel=0.02)
    expected = row["laminar_l_per_s_cm4_over_cm_mbar"]
    validation.check(CONSTANTS, "long tube, laminar", expected, viscous / 10.0, rel=0.02)
    if row["handbook_aperture"] is not None:
        for name, computed in (
            ("aperture", aperture),
            ("long_tube", constant),
            ("laminar", viscous),
        ):
            validation.check(
                CONSTANTS,
                "rounded handbook constants",
                row[f"handbook_{name}"],
                computed / 10.0,
                rel=5e-3,
                status="from memory",
            )


@pytest.mark.parametrize("row", TRANSMISSION.rows, ids=reference.row_id)
def test_transmission_of_tubes(row, validation):
    ratio = row["length_over_radius"]
    computed = transmission_probability(ratio)
    expected = row["transmission_probability"]
    validation.check(TRANSMISSION, "Clausing's equation solved", expected, computed, rel=1e-3)
    validation.check(TRANSMISSION, "Berman's form", row["berman_1965"], computed, rel=1e-3)
    assert computed == pytest.approx(row["berman_1965"], rel=2e-7)
    expected = row["dushman_series"]
    validation.check(TRANSMISSION, "series formula", expected, computed, rel=0.125)
    if row["clausing_1932"] is not None:
        expected = row["clausing_1932"]
        name = "Clausing's table of 1932"
        validation.check(TRANSMISSION, name, expected, computed, rel=0.04, status="from memory")


@pytest.mark.parametrize("row", TRANSMISSION.rows, ids=reference.row_id)
def test_molecular_flow_through_a_tube_with_its_ends(row, validation):
    diameter = 0.05
    length = row["length_over_diameter"] * diameter
    speed, _ = speed_and_viscosity("N2")
    impinging = 0.25 * np.pi * diameter**2 * speed / (2.0 * np.sqrt(np.pi))
    computed = passage(2e-9, 1e-9, diameter, length) / 1e-9 / impinging
    expected = row["transmission_probability"]
    validation.check(TRANSMISSION, "molecular flow of a tube", expected, computed, rel=1e-3)


@pytest.mark.parametrize("row", KINETIC.rows, ids=reference.row_id)
def test_flow_coefficient_in_every_regime(row, validation):
    rarefaction = row["rarefaction_delta"]
    computed = coefficient(rarefaction)
    bgk, shakhov = row["poiseuille_G_P_BGK"], row["poiseuille_G_P_S_model"]
    nearest = min((bgk, shakhov), key=lambda value: abs(computed - value))
    validation.check(KINETIC, "G_P, nearest of two kinetic models", nearest, computed, rel=0.01)
    assert computed == pytest.approx(shakhov, rel=2.5e-4)
    expected = row["knudsen_1909"]
    validation.check(
        KINETIC, "G_P, Knudsen's formula", expected, computed, rel=0.06, status="from memory"
    )
    if row["published_bgk"] is not None:
        expected = row["published_bgk"]
        source = "C. Cercignani, F. Sernagiotto, Phys. Fluids 9:40 (1966)"
        validation.check(
            KINETIC, "G_P, published", expected, computed, rel=0.01, source=source, status="read"
        )
    if rarefaction >= 7.0:
        expected = row["slip_asymptote"]
        validation.check(KINETIC, "G_P, viscous with slip", expected, computed, rel=0.03)


@pytest.mark.parametrize("row", KINETIC.rows, ids=reference.row_id)
def test_mean_free_path_belongs_to_the_rarefaction(row, validation):
    radius, temperature = 0.02, 293.15
    speed, mu = speed_and_viscosity("air", temperature)
    pressure = row["rarefaction_delta"] * mu * speed / radius
    path = mean_free_path(pressure, temperature, GASES["air"].molar_mass_kg_mol, mu)
    expected = row["knudsen_number_lambda_over_radius"]
    validation.check(KINETIC, "mean free path over radius", expected, path / radius, rel=0.01)
    assert path / radius == pytest.approx(expected, rel=1e-6)


def test_limits_of_the_flow_coefficient():
    molecular = 8.0 / (3.0 * np.sqrt(np.pi))
    assert molecular == pytest.approx(MOLECULAR_COEFFICIENT, rel=1e-15)
    assert coefficient(1e-9) == pytest.approx(molecular, rel=1e-5)
    assert SLIP_COEFFICIENT + sum(FIT_WEIGHT) == pytest.approx(molecular, rel=1e-5)
    assert coefficient(1e6) - 0.25e6 == pytest.approx(1.018, abs=1e-3)


@modest
@given(exponent=st.floats(-6.0, 6.0))
def test_throughput_is_the_integral_of_the_flow_coefficient(exponent):
    rarefaction = 10.0**exponent
    assert coefficient(rarefaction) == pytest.approx(
        kinetic_flow_coefficient(rarefaction), rel=1e-7
    )


@modest
@given(exponent=st.floats(-4.0, 4.0), ratio=st.floats(0.0, 0.99))
def test_large_pressure_steps_by_quadrature(exponent, ratio):
    radius, length, speed, mu = 0.01, 2.0, 400.0, 1.8e-5
    inlet = 10.0**exponent * mu * speed / radius
    area, _ = quad(
        lambda p: kinetic_flow_coefficient(p * radius / (mu * speed)),
        ratio * inlet,
        inlet,
        epsrel=1e-10,
        limit=400,
    )
    computed = kinetic_throughput(inlet, ratio * inlet, radius, length, length, speed, mu)
    expected = np.pi * radius**3 * speed / (2.0 * length) * area
    assert computed == pytest.approx(expected, rel=1e-8)


def test_ends_lengthen_the_viscous_and_the_molecular_part_apart():
    doubled = coefficient(2.0, length_ratio=2.0)
    assert doubled == pytest.approx(0.5 + 0.5 * (coefficient(2.0) - 0.5), rel=1e-9)


@modest
@given(exponent=st.floats(-5.0, 3.0))
def test_transmission_falls_from_one_to_the_long_tube(exponent):
    ratio = 10.0**exponent
    value = float(transmission_probability(ratio))
    assert 0.0 < value < 1.0
    assert float(transmission_probability(ratio * 1.01)) < value
    assert value <= 1.0 / (1.0 + 3.0 * ratio / 8.0) * (1.0 + 1e-12)
    assert value >= 1.0 - 0.5 * ratio


def test_transmission_limits():
    assert float(transmission_probability(0.0)) == 1.0
    assert float(transmission_probability(1e6)) == pytest.approx(8.0 / 3.0 / 1e6, rel=1e-4)
    # The short series takes over from the closed form without a visible step.
    below, above = transmission_probability(np.array([0.99999e-4, 1.00001e-4]))
    assert below == pytest.approx(above, abs=3e-9)


def test_lengths_with_ends():
    """Creeping flow through an orifice: Q = dp a^3/(3 mu); molecular flow: all that impinges."""
    viscous, molecular = passage_lengths(0.01, 0.0)
    assert viscous == pytest.approx(3.0 * np.pi * 0.01 / 8.0, rel=1e-14)
    assert molecular == pytest.approx(8.0 * 0.01 / 3.0, rel=1e-14)
    viscous, molecular = passage_lengths(0.01, 2.0)
    assert viscous == pytest.approx(2.0 + 3.0 * np.pi * 0.01 / 8.0, rel=1e-14)
    assert molecular == pytest.approx(2.0, rel=0.04)


@pytest.mark.parametrize(
    "knudsen, regime",
    [
        (0.0099, "viscous"),
        (0.0101, "transition"),
        (0.495, "transition"),
        (0.505, "molecular"),
    ],
)
def test_names_of_the_regimes(knudsen, regime):
    assert str(flow_regime(knudsen)) == regime
    assert flow_regime(np.array([knudsen, knudsen])).tolist() == [regime, regime]
