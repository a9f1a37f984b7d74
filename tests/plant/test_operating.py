"""Operating points against closed forms and the worked scenarios of the reference plant."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import chamberctl as cc
from chamberctl.errors import Infeasible, InputError
from chamberctl.plant.chain import build_chain
from chamberctl.plant.operating import operating_point, slew_rates
from chamberctl.plant.steady import load_for_pressure, steady_pressures
from tests.plant.plants import GAUGE, booster_plant, conductance, plant

MBAR = 100.0
MBAR_L_S = 0.1


@pytest.mark.parametrize(
    ("load", "lowest", "highest"), [(60, 0.60, 3.00), (120, 1.20, 6.00), (250, 2.50, 12.50)]
)
def test_window_of_the_reference_plant_at_three_loads(load, lowest, highest):
    ends = steady_pressures(build_chain(plant()), np.array([1.0, 0.2]), load * MBAR_L_S)[0]
    assert ends / MBAR == pytest.approx([lowest, highest], rel=1e-12)


def test_a_setpoint_above_the_window_is_refused_with_the_nearest_one():
    with pytest.raises(Infeasible, match="not reachable") as refusal:
        operating_point(plant(), pressure_pa=5 * MBAR, gas_load_pa_m3_s=60 * MBAR_L_S)
    assert "3 mbar" in refusal.value.nearest
    assert "never air" in refusal.value.nearest


def test_a_setpoint_below_the_window_is_refused_with_the_largest_load():
    with pytest.raises(Infeasible, match="no further") as refusal:
        operating_point(plant(), pressure_pa=2 * MBAR, gas_load_pa_m3_s=250 * MBAR_L_S)
    assert "2.5 mbar" in refusal.value.nearest
    assert "200 mbar L/s" in refusal.value.nearest


def test_slew_differs_both_ways_and_may_be_impossible():
    point = operating_point(plant(), pressure_pa=5 * MBAR, gas_load_pa_m3_s=250 * MBAR_L_S)
    assert point.slew_down_pa_s == pytest.approx(0.50 * MBAR, rel=1e-9)
    assert point.slew_up_pa_s == pytest.approx(0.30 * MBAR, rel=1e-9)
    starved = operating_point(plant(), speed=0.2, gas_load_pa_m3_s=60 * MBAR_L_S)
    assert starved.slew_up_pa_s == pytest.approx(0.0, abs=1e-9)
    assert any(finding.subject == "cannot rise" for finding in starved.findings)
    down, up = slew_rates(plant(), 5 * MBAR, 60 * MBAR_L_S)
    assert up < 0.0 < down


def test_operating_point_of_the_reference_plant():
    point = operating_point(plant(), pressure_pa=5 * MBAR, gas_load_pa_m3_s=250 * MBAR_L_S)
    assert point.speed == pytest.approx(0.5, rel=1e-12)
    assert point.gain_pa_per_fraction / MBAR / 100.0 == pytest.approx(-0.10, rel=1e-12)
    assert point.time_constant_s == pytest.approx(10.0, rel=1e-12)
    assert point.authority_chamber == pytest.approx(1.0, rel=1e-12)


def test_a_narrow_line_takes_the_authority():
    system = plant(line=(conductance(0.02),))
    point = operating_point(system, speed=1.0, gas_load_pa_m3_s=5.0)
    assert point.authority_chamber == pytest.approx(0.02 / 0.12, rel=1e-9)
    assert round(point.authority_chamber, 2) == 0.17
    assert any(finding.subject == "speed has little effect" for finding in point.findings)


def test_slip_table_near_its_ultimate_pressure():
    """Authority is what the slip law says: 1 for constant slip, above 1 for clearance slip."""
    constant = plant(backing={"displacement_m3_s": 0.1, "ultimate_pressure_pa": 10.0})
    near = operating_point(constant, speed=0.5, gas_load_pa_m3_s=0.01)
    assert near.pressure_pa == pytest.approx((0.01 + 1.0) / 0.05)
    assert near.authority_chamber == pytest.approx(1.0, rel=1e-12)
    growing = plant(
        backing={
            "displacement_m3_s": 0.1,
            "clearance_conductance_m3_s": 0.03,
            "ultimate_pressure_pa": 10.0,
        }
    )
    stalling = operating_point(growing, speed=0.5, gas_load_pa_m3_s=1.0)
    assert stalling.authority_chamber == pytest.approx(0.05 / (0.05 - 0.03), rel=1e-12)
    assert any(finding.subject == "near stall" for finding in stalling.findings)
    carried = plant(line=(conductance(0.1),), backing=growing.backing)
    weaker = operating_point(carried, speed=0.5, gas_load_pa_m3_s=1.0)
    assert weaker.authority_chamber < stalling.authority_chamber


def test_points_outside_a_stated_curve_are_marked():
    curve = ((1.0, 0.05), (10.0, 0.095), (1e3, 0.1), (1e5, 0.08))
    system = plant(backing={"curve": curve, "curve_known_down_to_speed": 0.8})
    inside = operating_point(system, speed=0.9, gas_load_pa_m3_s=5.0)
    slower = operating_point(system, speed=0.6, gas_load_pa_m3_s=5.0)
    below = operating_point(system, speed=0.9, gas_load_pa_m3_s=0.0)
    assert [p.extrapolated for p in (inside, slower, below)] == [False, True, True]
    assert any(finding.subject == "extrapolated" for finding in slower.findings)


def test_booster_difference_is_flagged_against_its_limit():
    system = plant(
        backing={"displacement_m3_s": 0.1},
        booster={
            "swept_speed_m3_s": 0.5,
            "gap_conductance_m3_s": 0.0,
            "difference_limit_pa": 60 * MBAR,
        },
        speed_map={"output": (0.0, 1.0), "booster": (0.0, 1.0), "backing": (1.0, 1.0)},
    )
    point = operating_point(system, speed=1.0, gas_load_pa_m3_s=8000 * MBAR_L_S)
    assert point.node_pressures_pa[-1] / MBAR == pytest.approx(80.0)
    assert point.node_pressures_pa[-2] / MBAR == pytest.approx(16.0)
    assert point.booster_difference_pa / MBAR == pytest.approx(64.0)
    flag = next(finding for finding in point.findings if finding.subject == "booster difference")
    assert "60 mbar" in flag.text
    assert flag.severity == "no"


def test_an_open_overflow_valve_takes_the_authority():
    system = plant(
        backing={"displacement_m3_s": 0.1},
        booster={
            "swept_speed_m3_s": 0.5,
            "gap_conductance_m3_s": 0.0,
            "overflow_difference_pa": 60 * MBAR,
        },
        speed_map={"output": (0.0, 1.0), "booster": (0.0, 1.0), "backing": (1.0, 1.0)},
    )
    point = operating_point(system, speed=1.0, gas_load_pa_m3_s=8000 * MBAR_L_S)
    assert point.limited_by == "overflow valve"
    assert point.authority_chamber == 0.0
    assert point.booster_difference_pa / MBAR == pytest.approx(60.0, rel=0.05)


def test_gauge_at_the_pump_inlet_reads_lower():
    system = plant(line=(conductance(0.1),), gauges=(GAUGE | {"position": "pump inlet"},))
    point = operating_point(system, speed=1.0, gas_load_pa_m3_s=250 * MBAR_L_S)
    assert point.gauge_offset_pa / MBAR == pytest.approx(-2.5, rel=1e-9)
    assert any("2.5 mbar lower" in finding.text for finding in point.findings)


def test_a_thermal_gauge_on_argon_understates_the_pressure():
    system = plant(gas={"name": "Ar"}, gauges=(GAUGE | {"kind": "thermal", "gas_factor": 1.7},))
    point = operating_point(system, indicated_pa=1 * MBAR, gas_load_pa_m3_s=8.0)
    assert point.pressure_pa / MBAR == pytest.approx(1.7, rel=1e-9)
    assert point.indicated_pa / MBAR == pytest.approx(1.0, rel=1e-9)


def test_no_steady_state_at_all_is_one_sentence():
    stalled = plant(backing={"displacement_m3_s": 0.1, "clearance_conductance_m3_s": 0.05})
    with pytest.raises(Infeasible, match="no steady state"):
        operating_point(stalled, speed=0.4, gas_load_pa_m3_s=1.0)
    with pytest.raises(Infeasible, match="cannot carry the gas"):
        operating_point(plant(), pressure_pa=500.0, gas_load_pa_m3_s=2e4)


def test_pressures_below_the_model_are_refused():
    with pytest.raises(InputError, match="outside the model"):
        operating_point(plant(), pressure_pa=1e-4, gas_load_pa_m3_s=1e-5)
    with pytest.raises(InputError, match="zero or more"):
        operating_point(plant(), pressure_pa=1.0, gas_load_pa_m3_s=-1.0)
    with pytest.raises(InputError, match="exactly one"):
        operating_point(plant(), gas_load_pa_m3_s=1.0)


@settings(derandomize=True, max_examples=15, deadline=None)
@given(
    log_load=st.floats(math.log(1e-3), math.log(300.0)),
    speed=st.floats(0.25, 1.0),
    wide=st.floats(0.02, 0.3),
)
def test_steady_states_balance_and_invert(log_load, speed, wide):
    """Every node's net flow vanishes; speed and load follow back from the pressure."""
    tube = {"kind": "tube", "diameter_m": wide, "length_m": 8.0}
    chain = build_chain(booster_plant(line=(tube,)))
    load = math.exp(log_load)
    pressures = steady_pressures(chain, speed, load)
    if np.isnan(pressures[0]):
        return
    residual = chain.net_flows(pressures, speed, load)
    assert np.max(np.abs(residual)) < 1e-9 * load
    assert np.all(np.diff(pressures[:2]) < 0.0)
    assert float(load_for_pressure(chain, pressures[0], speed)) == pytest.approx(load, rel=1e-9)


@settings(derandomize=True, max_examples=15, deadline=None)
@given(speed=st.floats(0.25, 0.95), log_load=st.floats(math.log(0.01), math.log(100.0)))
def test_pressure_falls_with_speed_and_rises_with_gas(speed, log_load):
    chain = build_chain(booster_plant())
    load = math.exp(log_load)
    at, faster, more = (
        steady_pressures(chain, n, q)[0]
        for n, q in ((speed, load), (speed + 0.02, load), (speed, 1.02 * load))
    )
    assert faster < at < more


def test_a_curve_and_its_formula_agree():
    """A pump given by points of S_D - q/p behaves as the pump given by displacement and slip."""
    pressures = np.geomspace(3.0, 1e5, 40)
    curve = tuple(zip(pressures, 0.1 * (1.0 - 2.0 / pressures), strict=True))
    by_curve = plant(backing={"curve": curve, "curve_known_down_to_speed": 0.2})
    by_formula = plant(backing={"displacement_m3_s": 0.1, "ultimate_pressure_pa": 2.0})
    for load in (0.5, 5.0, 50.0):
        one, two = (
            operating_point(system, speed=0.7, gas_load_pa_m3_s=load)
            for system in (by_curve, by_formula)
        )
        assert one.pressure_pa == pytest.approx(two.pressure_pa, rel=5e-3)


def test_a_reading_that_rises_with_speed_is_called_a_wrong_sign() -> None:
    """A booster that turns faster lifts the pressure behind it."""
    study = cc.load("preset:freeze-dryer")
    gauge = study.loop_gauge().model_copy(update={"position": "interstage"})
    system = study.system
    ends = [
        cc.operating_point(system, gas_load_pa_m3_s=0.15, speed=speed, gauge=gauge).indicated_pa
        for speed in (system.drive.minimum_speed, 1.0)
    ]
    assert ends[1] > ends[0]
    with pytest.raises(cc.Infeasible, match="more speed raises it") as refused:
        cc.operating_point(system, gas_load_pa_m3_s=0.15, indicated_pa=sum(ends) / 2.0, gauge=gauge)
    assert "wrong sign" in str(refused.value)
    assert 'position = "chamber"' in refused.value.nearest
