"""Worked examples from lectures and books that one formula, or a balance at rest, answers."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import brentq

from chamberctl import quantities
from chamberctl.physics.boosters import booster_throughput
from chamberctl.physics.choked import isentropic_throughput_squared
from chamberctl.physics.constants import MOLAR_GAS_CONSTANT_J_MOL_K, T_REF_K
from chamberctl.physics.gases import GASES, mean_free_path
from chamberctl.physics.passages import flow_regime, transmission_probability
from chamberctl.physics.pumps import backing_throughput
from chamberctl.plant.chain import build_chain
from chamberctl.plant.steady import steady_pressures
from tests import reference
from tests.physics.support import long_tube, passage, speed_and_viscosity
from tests.plant.plants import conductance, plant

EXAMPLES = reference.load("vacuum/worked_examples")
AVOGADRO_PER_MOL = 6.02214076e23


def rows(prefix):
    """Return the examples of one kind."""
    return [row for row in EXAMPLES.rows if row["id"].startswith(prefix)]


class Checker:
    """Compares what an example expects, with its own source, status and tolerance."""

    def __init__(self, row, validation):
        self.row, self.validation = row, validation

    def __call__(self, key, computed, rel=None):
        row = self.row
        self.validation.check(
            EXAMPLES,
            f"{row['title']}: {key}",
            row["expected"][key],
            computed,
            rel=row["tolerance_rel"] if rel is None else rel,
            source=row["source"],
            status=row["status"],
        )


@pytest.fixture
def check(request, validation):
    """Compare with the example of this test."""
    return Checker(request.getfixturevalue("row"), validation)


@pytest.mark.parametrize("row", rows("lecture_short_pipe"), ids=reference.row_id)
def test_short_pipe(row, check):
    given = row["inputs"]
    flow = passage(
        2e-7, 1e-7, given["diameter_m"], given["length_m"], given["gas"], given["temperature_K"]
    )
    check("conductance_clausing_m3_per_s", flow / 1e-7)


@pytest.mark.parametrize("row", rows("roth_long_tube"), ids=reference.row_id)
def test_long_tube_by_the_engineering_formula(row, check):
    given = row["inputs"]
    flow = long_tube(
        2e-7, 1e-7, given["diameter_m"], given["length_m"], given["gas"], given["temperature_K"]
    )
    check("conductance_m3_per_s", flow / 1e-7)


@pytest.mark.parametrize("row", rows("aperture_molecular"), ids=reference.row_id)
def test_aperture(row, check):
    given = row["inputs"]
    flow = passage(2e-7, 1e-7, given["diameter_m"], 0.0, given["gas"], given["temperature_K"])
    check("conductance_m3_per_s", flow / 1e-7)


@pytest.mark.parametrize("row", rows("tube_molecular"), ids=reference.row_id)
def test_tube_with_its_ends(row, check):
    given = row["inputs"]
    tube = (given["diameter_m"], given["length_m"], given["gas"], given["temperature_K"])
    check("conductance_clausing_m3_per_s", passage(2e-7, 1e-7, *tube) / 1e-7)
    check("conductance_long_tube_m3_per_s", long_tube(2e-7, 1e-7, *tube) / 1e-7)
    ratio = given["length_m"] / (0.5 * given["diameter_m"])
    check("transmission_probability", transmission_probability(ratio))


@pytest.mark.parametrize("row", rows("tube_laminar"), ids=reference.row_id)
def test_laminar_tube(row, check):
    given = row["inputs"]
    inlet, outlet = given["inlet_pressure_Pa"], given["outlet_pressure_Pa"]
    diameter, temperature = given["diameter_m"], given["temperature_K"]
    flow = long_tube(inlet, outlet, diameter, given["length_m"], given["gas"], temperature)
    check("throughput_Pa_m3_per_s", flow)
    check("conductance_m3_per_s", flow / (inlet - outlet))
    speed, mu = speed_and_viscosity(given["gas"], temperature)
    mass_flow = flow / (0.5 * speed**2)
    check("reynolds_number", 4.0 * mass_flow / (np.pi * diameter * mu))
    check("rarefaction_delta", 0.25 * diameter * (inlet + outlet) / (mu * speed))
    # The whole law has ends and a velocity head, too; the head takes up to a fifth here.
    whole = passage(inlet, outlet, diameter, given["length_m"], given["gas"], temperature)
    assert 0.75 * flow < whole < flow


@pytest.mark.parametrize("row", rows("tube_transition"), ids=reference.row_id)
def test_tube_in_the_transition_regime(row, check):
    given = row["inputs"]
    inlet, outlet = given["inlet_pressure_Pa"], given["outlet_pressure_Pa"]
    tube = (given["diameter_m"], given["length_m"], given["gas"], given["temperature_K"])
    flow = long_tube(inlet, outlet, *tube)
    check("throughput_s_model_Pa_m3_per_s", flow)
    check("throughput_bgk_Pa_m3_per_s", flow)
    check("mean_conductance_bgk_m3_per_s", flow / (inlet - outlet))
    assert flow == pytest.approx(row["expected"]["throughput_s_model_Pa_m3_per_s"], rel=3e-4)
    speed, mu = speed_and_viscosity(given["gas"], given["temperature_K"])
    for key, pressure in (("delta_inlet", inlet), ("delta_outlet", outlet)):
        check(key, 0.5 * given["diameter_m"] * pressure / (mu * speed))


@pytest.mark.parametrize("row", rows("choked_orifice"), ids=reference.row_id)
def test_choked_orifice(row, check):
    given = row["inputs"]
    speed, _ = speed_and_viscosity(given["gas"], given["temperature_K"])
    area = given["discharge_coefficient"] * 0.25 * np.pi * given["diameter_m"] ** 2
    squared = isentropic_throughput_squared(
        given["upstream_pressure_Pa"], 1.0, area, speed, given["heat_capacity_ratio"]
    )
    flow = np.sqrt(squared)
    check("throughput_Pa_m3_per_s", flow)
    check("mass_flow_kg_per_s", flow / (0.5 * speed**2))
    counted = flow * T_REF_K / given["temperature_K"]
    check("sccm_0C_101325", counted / quantities.parse("1 sccm(0 degC)", "throughput"))


@pytest.mark.parametrize("row", rows("knudsen_number"), ids=reference.row_id)
def test_regime_of_a_tube(row, check):
    given = row["inputs"]
    gas, temperature = GASES[given["gas"]], given["temperature_K"]
    _, mu = speed_and_viscosity(given["gas"], temperature)
    path = mean_free_path(given["pressure_Pa"], temperature, gas.molar_mass_kg_mol, mu)
    check("knudsen_number", path / given["diameter_m"])
    assert str(flow_regime(path / given["diameter_m"])) == row["expected"]["regime"]


@pytest.mark.parametrize("row", rows("series_conductance"), ids=reference.row_id)
def test_speed_behind_a_conductance(row, check):
    """By the plant's balance: 1 Pa m3/s through a fixed conductance into the pump."""
    given = row["inputs"]
    system = plant(
        line=(conductance(given["conductance_m3_per_s"], volume_m3=0.01),),
        backing={"displacement_m3_s": given["pumping_speed_m3_per_s"]},
    )
    chamber, inlet = steady_pressures(build_chain(system), 1.0, 1.0)
    check("effective_speed_m3_per_s", 1.0 / chamber)
    check("pressure_ratio_chamber_over_pump", chamber / inlet, rel=1e-8)  # nine digits printed


@pytest.mark.parametrize("row", rows("lecture_pump_sizing"), ids=reference.row_id)
def test_speed_for_a_load(row, check):
    given = row["inputs"]
    load = quantities.parse(f"{given['gas_load_mbar_l_per_s']} mbar L/s", "throughput")
    pressure = quantities.parse(f"{given['pressure_mbar']} mbar", "pressure")
    speed = load / backing_throughput(pressure, 1.0, 1.0, 0.0, 0.0, 0.0)
    check("pumping_speed_l_per_s", speed / quantities.parse("1 L/s", "volume_flow"))


def booster_stage(given, speed=1.0, inlet_pa=10.0, nominal=""):
    """Net speed [m3/s] and outlet pressure [Pa] of a leaky booster and an ideal pump."""
    swept = given[f"booster_swept_speed{nominal}_m3_per_s"]
    gap = swept / (given[f"zero_flow_compression{nominal}"] - 1.0)
    stage = (speed, swept, gap, 0.0, 0.0)

    def excess(outlet_pa):
        backing = backing_throughput(outlet_pa, 1.0, given["backing_speed_m3_per_s"], 0.0, 0.0, 0.0)
        return booster_throughput(inlet_pa, outlet_pa, *stage) - backing

    outlet_pa = brentq(excess, 1e-3 * inlet_pa, 1e3 * inlet_pa, xtol=1e-12, rtol=1e-14)
    return booster_throughput(inlet_pa, outlet_pa, *stage) / inlet_pa, outlet_pa


@pytest.mark.parametrize("row", rows("roots_stage"), ids=reference.row_id)
def test_booster_stage(row, check):
    given = row["inputs"]
    net, outlet = booster_stage(given, inlet_pa=given["inlet_pressure_Pa"])
    check("net_speed_exact_m3_per_s", net)
    check("backing_pressure_exact_Pa", outlet)
    swept = given["booster_swept_speed_m3_per_s"]
    check("efficiency_exact", net / swept)
    approximate = row["expected"]["efficiency_approx"]
    staging = swept / given["backing_speed_m3_per_s"]
    assert abs(net / swept - approximate) < 1.0 / (given["zero_flow_compression"] + staging)


@pytest.mark.parametrize("row", rows("roots_differential_limit"), ids=reference.row_id)
def test_booster_difference_limit(row, check):
    given = row["inputs"]
    _, outlet = booster_stage(given, inlet_pa=10.0)
    check("compression_ratio", outlet / 10.0)
    inlet = brentq(
        lambda p: booster_stage(given, inlet_pa=p)[1] - p - given["max_differential_Pa"],
        1.0,
        1e5,
        rtol=1e-12,
    )
    check("inlet_pressure_Pa", inlet)


@pytest.mark.parametrize("row", rows("roots_reduced_speed"), ids=reference.row_id)
def test_slowed_booster(row, check):
    given = row["inputs"]
    net, _ = booster_stage(given, speed=given["n_rel"], nominal="_nominal")
    check("net_speed_m3_per_s", net)
    swept = given["booster_swept_speed_nominal_m3_per_s"]
    gap = swept / (given["zero_flow_compression_nominal"] - 1.0)
    outlet = brentq(
        lambda p: booster_throughput(10.0, p, given["n_rel"], swept, gap, 0.0, 0.0),
        10.0,
        1e4,
        rtol=1e-13,
    )
    check("zero_flow_compression", outlet / 10.0)


@pytest.mark.parametrize("row", rows("sccm_to_pressure"), ids=reference.row_id)
def test_gas_inlet_in_standard_flow(row, check):
    given = row["inputs"]
    flow = quantities.parse(f"{given['flow_sccm']} sccm(0 degC)", "throughput")
    check("throughput_Pa_m3_per_s", flow)
    check("molar_flow_mol_per_s", flow / (MOLAR_GAS_CONSTANT_J_MOL_K * T_REF_K))
    speed = given["effective_speed_m3_per_s"]
    pressure = brentq(
        lambda p: backing_throughput(p, 1.0, speed, 0.0, 0.0, 0.0) - flow, 1e-6, 1e6, rtol=1e-12
    )
    check("pressure_Pa", pressure)


@pytest.mark.parametrize("row", rows("iso_throughput_method"), ids=reference.row_id)
def test_speed_from_injected_gas(row, check):
    """The speed that the method finds is the one the pump law was given."""
    given, speed = row["inputs"], row["expected"]["volume_flow_rate_m3_per_s"]
    inlet, base = given["inlet_pressure_Pa"], given["base_pressure_Pa"]
    flow = backing_throughput(inlet, 1.0, speed, base, 0.0, 0.0)
    assert flow == pytest.approx(given["throughput_Pa_m3_per_s"], rel=row["tolerance_rel"])
    check("volume_flow_rate_m3_per_s", flow / (inlet - base))


@pytest.mark.parametrize("row", rows("water_vapour_load"), ids=reference.row_id)
def test_load_of_water_vapor(row, check):
    given = row["inputs"]
    speed, _ = speed_and_viscosity("H2O", given["gas_temperature_K"])
    flow = given["mass_flow_kg_per_h"] / 3600.0 * 0.5 * speed**2
    check("throughput_Pa_m3_per_s", flow)
    displacement = flow / backing_throughput(given["pressure_Pa"], 1.0, 1.0, 0.0, 0.0, 0.0)
    check("volume_flow_m3_per_s", displacement)


@pytest.mark.parametrize("row", rows("air_leak_mass"), ids=reference.row_id)
def test_mass_of_a_leak(row, check):
    given = row["inputs"]
    flow = quantities.parse("1 mbar L/s", "throughput")
    assert flow == pytest.approx(given["throughput_Pa_m3_per_s"], rel=1e-12)
    check("molar_flow_mol_per_s", flow / (MOLAR_GAS_CONSTANT_J_MOL_K * given["temperature_K"]))
    speed, _ = speed_and_viscosity("air", given["temperature_K"])
    check("mass_flow_g_per_h", flow / (0.5 * speed**2) * 1000.0 * 3600.0)


@pytest.mark.parametrize("row", rows("number_density"), ids=reference.row_id)
def test_number_density_and_impingement(row, check):
    given = row["inputs"]
    pressure, temperature, gas = given["pressure_Pa"], given["temperature_K"], given["gas"]
    density = pressure * AVOGADRO_PER_MOL / (MOLAR_GAS_CONSTANT_J_MOL_K * temperature)
    check("number_density_per_m3", density)
    # What passes a small hole into vacuum is what impinges on it.
    diameter = 1e-5
    area = 0.25 * np.pi * diameter**2
    flow = passage(pressure, 1e-6 * pressure, diameter, 0.0, gas, temperature)
    check("impingement_per_m2_s", flow / area / pressure * density)
    _, mu = speed_and_viscosity(gas, temperature)
    path = mean_free_path(pressure, temperature, GASES[gas].molar_mass_kg_mol, mu)
    check("mean_free_path_m", path)
