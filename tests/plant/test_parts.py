"""Every part of a vacuum system at the level of the plant, against closed forms."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import brentq

from chamberctl.physics.gases import GASES
from chamberctl.plant.chain import build_chain
from chamberctl.plant.operating import operating_point
from tests.plant.linear_check import check_against_complex_step
from tests.plant.plants import conductance, plant
from tests.plant.rigs import ELBOW, authority, chamber, gauge_at

S = 0.1
LOADS = np.geomspace(1e-4, 3e2, 7)


def passes(part, inlet, outlet, gas="N2", **changes):
    """Throughput of one line part [Pa m3/s]."""
    described = plant(line=(part,), gas=gas if isinstance(gas, dict) else {"name": gas}, **changes)
    return build_chain(described).throughput(0, inlet, outlet, 1.0)


# Parts of the line.

BOTH_LEGS = {"kind": "tube", "diameter_m": 0.05, "length_m": 0.2}


def test_an_elbow_passes_a_little_less_than_the_straight_tube_of_its_legs():
    """Molecular: the simulated 0.2151 of the aperture against 0.2253. Laminar flow: the same."""
    molecular = [passes(part, 1e-4, 1e-6) for part in (ELBOW, BOTH_LEGS)]
    assert molecular[0] / molecular[1] == pytest.approx(0.21514 / 0.2252631, rel=0.01)
    creeping = [passes(part, 100.0, 99.999) for part in (ELBOW, BOTH_LEGS)]
    assert creeping[0] == pytest.approx(creeping[1], rel=2e-3)
    fast = [passes(part, 1e5, 1e4) for part in (ELBOW, BOTH_LEGS)]
    assert 0.6 < fast[0] / fast[1] < 0.9


def test_an_elbow_holds_the_gas_of_both_legs():
    pair = [build_chain(plant(line=(part,))).volumes_m3 for part in (ELBOW, BOTH_LEGS)]
    assert pair[0] == pytest.approx(pair[1], rel=1e-12)


def test_parts_in_series_are_one_after_the_other():
    """Two conductances of 0.1 and 0.3: 1/S = 1/0.1 + 1/0.3 + 1/S_pump."""
    system = plant(line=(conductance(0.1), conductance(0.3)))
    assert 1.0 / chamber(system, 1.0, 1.0) == pytest.approx(1.0 / (1 / 0.1 + 1 / 0.3 + 1 / S))
    halves = {"kind": "tube", "diameter_m": 0.05, "length_m": 0.5, "volume_m3": 0.0}
    whole = halves | {"length_m": 1.0}
    one, two = (chamber(plant(line=line), 1.0, 5.0) for line in ((whole,), (halves, halves)))
    assert two == pytest.approx(one, rel=0.05)
    assert two > one


def test_an_open_valve_is_its_conductance_or_its_orifice():
    by_conductance = {"kind": "valve", "conductance_m3_s": 0.25, "opening_time_s": 2.0}
    assert passes(by_conductance, 30.0, 10.0) == pytest.approx(5.0)
    orifice = {"kind": "orifice", "diameter_m": 0.04, "discharge_coefficient": 0.8}
    valve = orifice | {"kind": "valve"}
    for inlet, outlet in ((1e-3, 1e-4), (10.0, 1.0), (1e5, 1e3)):
        assert passes(valve, inlet, outlet) == passes(orifice, inlet, outlet)


def test_turbulence_caps_what_a_wide_line_passes():
    """5 m of 50 mm near atmosphere: friction by Blasius, f = 0.3164 Re^-1/4, in series with the
    velocity head, within the 20 % that the law claims; laminar friction alone would pass more
    than five times as much."""
    tube = {"kind": "tube", "diameter_m": 0.05, "length_m": 5.0}
    inlet, outlet, gas = 1e5, 9.8e4, GASES["air"]
    flow = passes(tube, inlet, outlet, "air")
    area, mean = np.pi * 0.025**2, 0.5 * (inlet + outlet)
    density = mean * gas.molar_mass_kg_mol / (8.314462618 * 293.15)

    def drop(q):
        velocity = q / mean / area
        reynolds = density * velocity * 0.05 / gas.viscosity_20c_pa_s
        friction = 0.3164 * reynolds**-0.25 * 5.0 / 0.05
        return (friction + 1.0) * 0.5 * density * velocity**2

    by_hand = brentq(lambda q: drop(q) - (inlet - outlet), 1.0, 1e5)
    assert flow == pytest.approx(by_hand, rel=0.2)
    laminar = np.pi * 0.05**4 / (128 * gas.viscosity_20c_pa_s * 5.0) * mean * (inlet - outlet)
    assert laminar > 5.0 * flow


# Vapor and cold surfaces.

TRAP = {"kind": "cold trap", "conductance_m3_s": 0.4}
VAPOR = {"vapor_conductance_m3_s": 0.05, "vapor_saturation_pa": 600.0}


@pytest.mark.parametrize("load_", [0.0, 0.5, 8.0])
@pytest.mark.parametrize("speed", [0.3, 1.0])
def test_vapor_without_a_condenser(speed, load_):
    """p = (q + k p_sat)/(S + k); authority S/(S + k): the vapor gives way where the pump pulls."""
    system = plant(gas_load=VAPOR)
    swept, k = speed * S, 0.05
    expected = (load_ + k * 600.0) / (swept + k)
    found, point = authority(system, speed, load_)
    assert point.pressure_pa == pytest.approx(expected, rel=1e-9)
    assert found == pytest.approx(swept / (swept + k), rel=1e-9)


def test_vapor_ends_where_the_gas_alone_holds_more_than_its_saturation():
    system = plant(gas_load=VAPOR | {"vapor_saturation_pa": 50.0})
    found, point = authority(system, 0.5, 10.0)
    assert point.pressure_pa == pytest.approx(10.0 / 0.05, rel=1e-9)
    assert found == pytest.approx(1.0, rel=1e-9)


@pytest.mark.parametrize("kind", ["cold trap", "condenser"])
@pytest.mark.parametrize("load_", [0.05, 0.5, 5.0])
def test_a_condenser_catches_the_vapor_and_speed_acts_on_the_rest(kind, load_):
    """Behind it p = p_v + q/S. The chamber follows by p_c = p + (q + k (p_sat - p_c))/C."""
    part = TRAP | {"kind": kind, "vapor_pressure_pa": 10.0}
    system = plant(line=(part,), gas_load=VAPOR)
    speed, k, c = 0.5, 0.05, 0.4
    point = operating_point(system, speed=speed, gas_load_pa_m3_s=load_)
    behind = 10.0 + load_ / (speed * S)
    assert point.node_pressures_pa[1] == pytest.approx(behind, rel=1e-9)
    expected = (c * behind + load_ + k * 600.0) / (c + k)
    assert point.pressure_pa == pytest.approx(expected, rel=1e-9)
    share = (behind - 10.0) / behind
    at_trap = operating_point(
        system.model_copy(update={"gauges": (gauge_at("pump inlet"),)}),
        speed=speed,
        gas_load_pa_m3_s=load_,
    ).authority_gauge
    assert at_trap == pytest.approx(share, rel=1e-9)
    chamber_share = share * c * behind / ((c + k) * expected)
    assert point.authority_chamber == pytest.approx(chamber_share, rel=1e-9)


def test_ice_alone_without_vapor_load_takes_authority():
    """p = p_v + q/S behind an ideal conductance: authority (p - p_v)/p."""
    part = TRAP | {"conductance_m3_s": 1e3, "vapor_pressure_pa": 40.0}
    found, point = authority(plant(line=(part,)), 0.5, 3.0)
    assert point.pressure_pa == pytest.approx(100.0, rel=1e-3)
    assert found == pytest.approx(60.0 / 100.0, rel=1e-3)


def test_linear_models_with_vapor_and_ice():
    part = TRAP | {"vapor_pressure_pa": 10.0, "volume_m3": 0.05}
    system = plant(line=(part,), gas_load=VAPOR)
    check_against_complex_step(system, np.array([0.3, 0.9]), np.array([0.5, 5.0]))


# Gases.


def own(gas):
    return {
        "name": "own",
        "molar_mass_kg_mol": gas.molar_mass_kg_mol,
        "viscosity_20c_pa_s": gas.viscosity_20c_pa_s,
        "sutherland_k": gas.sutherland_k,
        "heat_capacity_ratio": gas.heat_capacity_ratio,
    }


TUBE = {"kind": "tube", "diameter_m": 0.04, "length_m": 3.0, "temperature_k": 350.0}


@pytest.mark.parametrize("name", ["Ar", "H2", "CO2"])
def test_an_own_gas_with_a_known_gas_properties_is_that_gas(name):
    known, described = (
        chamber(plant(line=(TUBE,), gas=gas), 0.7, LOADS)
        for gas in ({"name": name}, own(GASES[name]))
    )
    assert described == pytest.approx(known, rel=1e-13)


def test_a_blend_lies_between_its_gases_and_meets_them():
    def blended(share):
        parts = ({"name": "Ar", "fraction": share}, {"name": "H2", "fraction": 1.0 - share})
        return chamber(plant(line=(TUBE,), gas={"name": "blend", "parts": parts}), 0.7, LOADS)

    pure = [chamber(plant(line=(TUBE,), gas={"name": name}), 0.7, LOADS) for name in ("Ar", "H2")]
    assert blended(1.0 - 2e-6) == pytest.approx(pure[0], rel=1e-4)
    assert blended(2e-6) == pytest.approx(pure[1], rel=1e-4)
    middle = blended(0.5)
    assert np.all((middle < 1.05 * pure[0]) & (middle > pure[1]))
