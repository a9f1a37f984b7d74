"""Heated gauge heads: the exponent of thermal transpiration from molecular to viscous flow."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import brentq

from chamberctl.physics.gases import GASES, most_probable_speed, viscosity
from chamberctl.physics.instruments import count_size
from chamberctl.physics.transpiration import transpiration_exponent, transpiration_ratio
from tests import reference
from tests.physics.support import passage, slope, speed_and_viscosity

TABLE = reference.load("vacuum/thermal_transpiration_kinetic")
FACTS = {row["id"]: row for row in reference.load("vacuum/gauge_facts").rows}
EXAMPLES = reference.load("vacuum/worked_examples")
LARGE = 0.05


def examples(prefix):
    return [row for row in EXAMPLES.rows if row["id"].startswith(prefix)]


def check_fact(validation, name, computed, rel):
    row = FACTS[name]
    validation.check(
        reference.load("vacuum/gauge_facts"), name, row["low"], computed, rel=rel,
        source=row["source"], status=row["status"],
    )  # fmt: skip


def half_pressure(gas, bore_m, temperature_k):
    """Pressure [Pa] at which half of a heated head's excess is left."""
    found = GASES[gas]
    speed = most_probable_speed(temperature_k, found.molar_mass_kg_mol)
    mu = viscosity(temperature_k, found.viscosity_20c_pa_s, found.sutherland_k)
    hot, cold = temperature_k * 1.0001, temperature_k / 1.0001

    def excess(log_p):
        ratio = transpiration_ratio(np.exp(log_p), hot, cold, 0.5 * bore_m, mu, speed)
        return np.log(ratio) / np.log(hot / cold) - 0.25

    return float(np.exp(brentq(excess, np.log(1e-3), np.log(1e5))))


@pytest.mark.parametrize("row", TABLE.rows, ids=reference.row_id)
def test_exponent(row, validation):
    expected, delta = row["pressure_exponent_gamma"], row["rarefaction_delta"]
    computed = transpiration_exponent(delta)
    quantity = "exponent of thermal transpiration"
    if expected > LARGE:
        validation.check(TABLE, quantity, expected, computed, rel=0.02)
    else:
        validation.check(TABLE, quantity, expected, computed, abs=0.02 * LARGE)


@pytest.mark.parametrize("row", TABLE.rows, ids=reference.row_id)
def test_exponent_times_flow_is_the_creep(row, validation):
    """gamma = G_T/G_P: the two fits belong to one solution. G_P from a long tube's small flow."""
    expected, delta = row["creep_G_T_S_model"], row["rarefaction_delta"]
    speed, mu = speed_and_viscosity("N2")
    diameter, length = 2e-3, 1e4
    pressure = delta * mu * speed / (0.5 * diameter)
    flow = passage(pressure * (1.0 + 1e-6), pressure * (1.0 - 1e-6), diameter, length)
    per_coefficient = 0.5 * np.pi * (0.5 * diameter) ** 3 * speed / length * 2e-6 * pressure
    computed = transpiration_exponent(delta) * flow / per_coefficient
    validation.check(TABLE, "thermal creep coefficient", expected, computed, rel=0.02)


def test_the_fit_is_as_good_as_it_was_made():
    table = [(row["rarefaction_delta"], row["pressure_exponent_gamma"]) for row in TABLE.rows]
    delta, expected = np.array(table).T
    off = transpiration_exponent(delta) / expected - 1.0
    assert np.max(np.abs(off)) < 0.0075
    assert np.mean(np.abs(off)) < 0.0031


def test_limits():
    assert transpiration_exponent(0.0) == 0.5
    assert transpiration_exponent(1e6) < 1e-9
    assert np.all(np.diff(transpiration_exponent(np.geomspace(1e-6, 1e6, 500))) < 0.0)


@pytest.mark.parametrize("row", examples("thermal_transpiration_limit"), ids=reference.row_id)
def test_heated_head_in_molecular_flow(row, validation):
    given = row["inputs"]
    hot, cold = given["gauge_temperature_K"], given["chamber_temperature_K"]
    validation.check(
        EXAMPLES,
        f"{row['title']}: gauge_over_chamber_pressure",
        row["expected"]["gauge_over_chamber_pressure"],
        transpiration_ratio(1e-12, hot, cold, 0.002, 1.8e-5, 420.0),
        rel=row["tolerance_rel"],
        source=row["source"],
        status=row["status"],
    )


@pytest.mark.parametrize("row", examples("thermal_transpiration_half"), ids=reference.row_id)
def test_half_of_the_excess(row, validation):
    given = row["inputs"]
    computed = half_pressure(given["gas"], given["bore_m"], given["mean_temperature_K"])
    for key in ("pressure_scaling_law_Pa", "pressure_s_model_Pa"):
        validation.check(
            EXAMPLES,
            f"{row['title']}: {key}",
            row["expected"][key],
            computed,
            rel=row["tolerance_rel"],
            source=row["source"],
            status=row["status"],
        )


def test_facts_about_gauges(validation):
    name = "excess of a heated head"
    ratio = transpiration_ratio(1e-12, 318.15, 296.15, 0.002, 1.8e-5, 420.0)
    check_fact(validation, name, ratio - 1.0, rel=1e-6)
    check_fact(validation, "half effect of a heated head", half_pressure("N2", 0.004, 307.0), 0.05)


def test_count_of_a_gauge_with_a_linear_signal():
    """12 bit over 10 V: 2.44 mV, at 1 % of full scale 2.4 % of the reading."""
    one_count = count_size(10.0, 0.0, 10.0, 12, "linear") * 10.0
    assert one_count == pytest.approx(FACTS["count of 12 bit over 10 V"]["low"], rel=1e-6)
    assert count_size(0.1, 0.0, 10.0, 12, "linear") == pytest.approx(0.0244, rel=2e-3)


@pytest.mark.parametrize("pressure", [1e-3, 0.1, 4.0, 100.0, 1e4])
def test_complex_step_equals_central_difference(pressure):
    def ratio(p):
        return transpiration_ratio(p, 318.15, 296.15, 0.002, 1.8e-5, 420.0)

    step = 1e-4 * pressure
    central = (ratio(pressure + step) - ratio(pressure - step)) / (2.0 * step)
    assert slope(ratio, pressure) == pytest.approx(central, rel=1e-6, abs=1e-11)
    assert 1.0 < ratio(pressure) < 1.0365


def test_a_cold_head_reads_low_and_equal_temperatures_read_right():
    assert transpiration_ratio(1e-6, 273.15, 296.15, 0.002, 1.8e-5, 420.0) < 1.0
    assert transpiration_ratio(1e-6, 296.15, 296.15, 0.002, 1.8e-5, 420.0) == 1.0
