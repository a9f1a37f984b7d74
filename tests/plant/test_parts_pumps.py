"""Boosters, backing pumps, their limits and what turns them, at the level of the plant."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from chamberctl.errors import Infeasible
from chamberctl.physics.gases import GASES
from chamberctl.physics.pumps import backing_curves_throughput
from chamberctl.plant.chain import build_chain
from chamberctl.plant.linearize import linearize
from chamberctl.plant.operating import operating_point
from chamberctl.plant.parts import backing_element
from chamberctl.plant.steady import steady_pressures
from chamberctl.plant.survey import survey
from chamberctl.study import Backing
from tests.plant.linear_check import check_against_complex_step
from tests.plant.plants import plant
from tests.plant.rigs import ELBOW, GAPS, authority, boosted, chamber

S = 0.1


def leakage(booster, gas, inlet=1.0, outlet=41.0):
    """Throughput that leaks back at standstill [Pa m3/s]."""
    chain = build_chain(boosted(booster, gas={"name": gas}))
    return -chain.throughput(0, inlet, outlet, 0.0)


def test_leakage_stated_for_another_gas():
    """Its molecular part goes with 1/sqrt(M), its viscous part with 1/viscosity."""
    molecular = GAPS | {"stated_gas": "air"}
    viscous = {
        "swept_speed_m3_s": 0.5,
        "gap_conductance_m3_s": 0.0,
        "gap_conductance_per_pressure_m3_s_pa": 1e-4,
        "stated_gas": "air",
    }
    air, hydrogen = GASES["air"], GASES["H2"]
    by_mass = (air.molar_mass_kg_mol / hydrogen.molar_mass_kg_mol) ** 0.5
    by_viscosity = air.viscosity_20c_pa_s / hydrogen.viscosity_20c_pa_s
    assert leakage(molecular, "H2") / leakage(molecular, "air") == pytest.approx(by_mass)
    assert leakage(viscous, "H2") / leakage(viscous, "air") == pytest.approx(by_viscosity)
    unstated = viscous | {"stated_gas": None}
    assert leakage(unstated, "H2") == pytest.approx(leakage(unstated, "air"))


def test_slip_of_a_backing_pump_stated_for_another_gas():
    """The ultimate pressure is held by slip, which goes with 1/viscosity."""
    backing = {"displacement_m3_s": S, "ultimate_pressure_pa": 2.0, "stated_gas": "air"}
    air, hydrogen = (
        chamber(plant(backing=backing, gas={"name": name}), 1.0, 0.0) for name in ("air", "H2")
    )
    ratio = GASES["air"].viscosity_20c_pa_s / GASES["H2"].viscosity_20c_pa_s
    assert air == pytest.approx(2.0, rel=1e-9)
    assert hydrogen == pytest.approx(2.0 * ratio, rel=1e-9)


def test_clearances_varied_to_all_that_is_displaced_leave_no_flow():
    """A study says less; within a tolerance of 100 % it may come to that."""
    backing = {"displacement_m3_s": S, "ultimate_pressure_pa": 2.0}
    system = plant(backing=backing | {"clearance_conductance_m3_s": 0.5 * S})
    wider = system.backing.model_copy(update={"clearance_conductance_m3_s": S})
    chain = build_chain(system.model_copy(update={"backing": wider}))
    flow = chain.throughput(chain.size - 1, np.array([1.0, 1e3]), 0.0, 1.0)
    assert flow == pytest.approx(0.0, abs=1e-9)


# Pumps by curves and tables.


def test_a_gas_varied_too_far_leaves_the_curve_a_pumps():
    """Within a gas's tolerance its curve may dip so far that p S falls; it is held before that."""
    points = ((50.0, 7.0), (100.0, 9.0), (200.0, 6.0), (1e4, 10.0))
    air = GASES["air"]
    pressures, speeds = np.array(points).T
    pumped = {}
    for share in (1.0, 0.8, 0.45):
        thin = replace(air, viscosity_20c_pa_s=share * air.viscosity_20c_pa_s)
        _, row, tables = backing_element(Backing(curve=points, stated_gas="air"), thin)
        pumped[share] = backing_curves_throughput(pressures, 1.0, row[3], 1.0, tables)
        assert np.all(np.diff(pumped[share]) > 0.0)
    assert pumped[1.0] == pytest.approx(pressures * speeds)
    assert pumped[0.8][2] == pytest.approx(200.0 * (10.0 - 4.0 / 0.8))
    assert pumped[0.45][2] == pytest.approx(pumped[0.45][1], rel=1e-6)


CURVES = (
    {"speed": 1.0, "points": ((5.0, 0.02), (50.0, 0.09), (1e3, 0.1), (1e5, 0.06))},
    {"speed": 0.5, "points": ((5.0, 0.004), (50.0, 0.038), (1e3, 0.05), (1e5, 0.03))},
)


def test_curves_at_two_speeds_are_met_and_left_with_a_mark():
    system = plant(backing={"curves": CURVES, "slip_exponent": 2.0})
    chain = build_chain(system)
    for curve in CURVES:
        for pressure, speed in curve["points"]:
            found = steady_pressures(chain, curve["speed"], pressure * speed)[0]
            assert found == pytest.approx(pressure, rel=1e-8)
    between = [chamber(system, n, 5.0) for n in (0.5, 0.6, 0.75, 0.9, 1.0)]
    assert np.all(np.diff(between) < 0.0)
    speeds, loads = np.array([0.45, 0.5, 0.8, 0.8]), np.array([5.0, 5.0, 5.0, 0.05])
    marked = survey(chain, system, system.gauges[0], speeds, loads).extrapolated
    assert marked.tolist() == [True, False, False, True]


K0_CURVE = ((10.0, 20.0), (100.0, 40.0), (1e3, 25.0), (1e4, 8.0))


@pytest.mark.parametrize("split", ["gap", "carry-back", "at peak"])
def test_a_compression_table_is_met_at_rated_speed(split):
    """Without flow through the booster, the purge between the pumps sets the backing pressure."""
    booster = {"swept_speed_m3_s": 0.5, "compression_curve": K0_CURVE, "slip_split": split}
    for backing_pa, k0 in K0_CURVE:
        purge = {"interstage_pa_m3_s": S * backing_pa}
        system = boosted(booster, purge=purge)
        inlet, outlet = steady_pressures(build_chain(system), 1.0, 0.0)
        assert outlet == pytest.approx(backing_pa, rel=1e-9)
        assert outlet / inlet == pytest.approx(k0, rel=1e-8)


def test_at_reduced_speed_the_two_envelope_splits_differ():
    """Gaps alone: 1 + n (K0 - 1) = 15.5; carry-back alone: K0 = 30, whatever the speed."""
    flat = tuple((p, 30.0) for p, _ in K0_CURVE)
    for split, expected in (("gap", 15.5), ("carry-back", 30.0)):
        booster = {"swept_speed_m3_s": 0.5, "compression_curve": flat, "slip_split": split}
        system = boosted(booster, purge={"interstage_pa_m3_s": 10.0})
        inlet, outlet = steady_pressures(build_chain(system), 0.5, 0.0)
        assert outlet / inlet == pytest.approx(expected, rel=1e-8)


def test_given_leakage_may_be_counted_all_to_one_side():
    """The same zero-flow compression at rated speed, whichever way the slip is split."""
    given = GAPS | {"carry_back_speed_m3_s": 0.003, "gap_conductance_per_pressure_m3_s_pa": 1e-6}
    ratios = []
    for split in ("as given", "gap", "carry-back"):
        system = boosted(given | {"slip_split": split}, purge={"interstage_pa_m3_s": 10.0})
        inlet, outlet = steady_pressures(build_chain(system), 1.0, 0.0)
        ratios.append(outlet / inlet)
    assert ratios == pytest.approx([ratios[0]] * 3, rel=1e-3)


@pytest.mark.parametrize("share, load_", [(0.3, 2.0), (0.8, 30.0)])
def test_linear_models_with_tables(share, load_):
    booster = {"swept_speed_m3_s": 0.5, "compression_curve": K0_CURVE, "inlet_volume_m3": 0.02}
    system = boosted(
        booster,
        line=({"kind": "tube", "diameter_m": 0.1, "length_m": 2.0}, ELBOW | {"diameter_m": 0.1}),
        backing={"curves": CURVES, "slip_exponent": 2.0, "inlet_volume_m3": 0.01},
        speed_map={"output": (0.0, 1.0), "booster": (0.1, 1.0), "backing": (0.45, 0.95)},
    )
    check_against_complex_step(system, np.array([share]), np.array([load_]))


def test_a_booster_behind_its_table_is_marked_and_says_so():
    """The table covers some backing pressures; beyond them its leakage stays as at the ends."""
    low, high = K0_CURVE[0][0], K0_CURVE[-1][0]
    system = boosted({"swept_speed_m3_s": 0.5, "compression_curve": K0_CURVE})
    for load_, outside in ((0.3 * low * S, True), (2.0 * low * S, False), (0.9 * high * S, False)):
        point = operating_point(system, speed=1.0, gas_load_pa_m3_s=load_)
        assert point.node_pressures_pa[-1] == pytest.approx(load_ / S)
        assert point.extrapolated == outside
        said = [f.text for f in point.findings if f.subject == "extrapolated"]
        assert bool(said) == outside
        assert all("outside its compression curve" in text for text in said)


# Warm gas at the inlet: as much volume, less gas.

WARM = {"inlet_temperature_k": 2.0 * 293.15}
SLIPPING = {"displacement_m3_s": S, "ultimate_pressure_pa": 2.0, "clearance_conductance_m3_s": 0.01}


@pytest.mark.parametrize("speed", [0.4, 1.0])
def test_a_warm_booster_compresses_as_stated(speed):
    """Without flow the temperature of the inlet does not matter: K0 is a ratio of volume flows."""
    leaking = GAPS | {"gap_conductance_per_pressure_m3_s_pa": 1e-6, "carry_back_speed_m3_s": 0.003}
    described = (
        leaking,
        *(leaking | {"slip_split": split} for split in ("gap", "carry-back")),
        *(
            {"swept_speed_m3_s": 0.5, "compression_curve": K0_CURVE, "slip_split": split}
            for split in ("gap", "carry-back", "at peak")
        ),
    )
    for booster in described:
        cold, warm = (
            steady_pressures(
                build_chain(boosted(booster | more, purge={"interstage_pa_m3_s": 10.0})), speed, 0.0
            )
            for more in ({}, WARM)
        )
        assert warm == pytest.approx(cold, rel=1e-9)


@pytest.mark.parametrize("gas", ["air", "H2"])
@pytest.mark.parametrize("speed, exponent", [(1.0, 0.0), (0.6, 2.0)])
def test_a_warm_backing_pump_ends_at_its_stated_pressure(gas, speed, exponent):
    backing = SLIPPING | {"slip_exponent": exponent, "stated_gas": "air"}
    ends = [
        chamber(plant(backing=backing | more, gas={"name": gas}), speed, 0.0) for more in ({}, WARM)
    ]
    assert ends[1] == pytest.approx(ends[0], rel=1e-9)
    if gas == "air" and speed == 1.0:
        assert ends[1] == pytest.approx(2.0, rel=1e-9)


@pytest.mark.parametrize("backing", [SLIPPING | {"slip_exponent": 2.0}, {"curves": CURVES}])
def test_at_twice_the_temperature_pumps_take_half_the_gas_at_the_same_pressures(backing):
    """Every volume flow stays, so that all pressures are those of twice the gas, cold."""
    leaking = GAPS | {"gap_conductance_per_pressure_m3_s_pa": 1e-6, "carry_back_speed_m3_s": 0.003}
    for speed in (0.55, 1.0):
        cold = steady_pressures(build_chain(boosted(leaking, backing=backing)), speed, 30.0)
        hot = boosted(leaking | WARM, backing=backing | WARM)
        warm = steady_pressures(build_chain(hot), speed, 15.0)
        assert warm == pytest.approx(cold, rel=1e-9)


# Limiters.


def test_an_overflow_valve_holds_the_difference_and_speed_no_longer_acts():
    system = boosted(GAPS | {"overflow_difference_pa": 5000.0})
    found, point = authority(system, 1.0, 800.0)
    assert point.limited_by == "overflow valve"
    assert point.booster_difference_pa == pytest.approx(5000.0, rel=0.07)
    assert found == 0.0
    with pytest.raises(Infeasible, match="overflow valve rules"):
        linearize(system, point)
    below = operating_point(system, speed=1.0, gas_load_pa_m3_s=300.0)
    assert below.limited_by == ""
    assert below.authority_chamber > 0.5


def test_a_torque_ceiling_holds_the_difference_and_speed_no_longer_acts():
    system = boosted(GAPS | {"torque_difference_pa": 5000.0})
    found, point = authority(system, 1.0, 800.0)
    assert point.limited_by == "torque limit"
    assert 5000.0 < point.booster_difference_pa < 1.1 * 5000.0
    assert found == 0.0
    assert any(f.severity == "no" and "torque" in f.text for f in point.findings)
    with pytest.raises(Infeasible, match="torque limit rules"):
        linearize(system, point)
    # the booster itself has slowed: the pressure is that of the held difference
    assert point.pressure_pa == pytest.approx(8000.0 - point.booster_difference_pa, rel=1e-6)
    assert point.pressure_pa > 1.5 * chamber(boosted(GAPS), 1.0, 800.0)


# Maps, purges, gauges, outgassing.


def test_split_range_turns_first_one_pump_then_the_other():
    """Up to half the output the backing pump speeds up, then the booster."""
    split = {"output": (0.0, 0.5, 1.0), "booster": (0.2, 0.2, 1.0), "backing": (0.3, 1.0, 1.0)}
    system = boosted(speed_map=split)
    points = [operating_point(system, speed=n, gas_load_pa_m3_s=20.0) for n in (0.25, 0.5, 0.75)]
    assert [p.booster_speed for p in points] == pytest.approx([0.2, 0.2, 0.6])
    assert [p.backing_speed for p in points] == pytest.approx([0.65, 1.0, 1.0])
    falling = [p.pressure_pa for p in points]
    assert falling == sorted(falling, reverse=True)


def test_purges_and_ballast_enter_where_they_enter():
    """At the inlet through both pumps, between them only through the second, ballast in part."""
    ballast = {"displacement_m3_s": S, "ballast_pa_m3_s": 40.0, "ballast_share": 0.25}
    cases = {
        "none": boosted(),
        "inlet": boosted(purge={"inlet_pa_m3_s": 10.0}),
        "interstage": boosted(purge={"interstage_pa_m3_s": 10.0}),
        "ballast": boosted(backing=ballast),
    }
    found = {name: steady_pressures(build_chain(case), 1.0, 20.0) for name, case in cases.items()}
    assert found["none"][1] == pytest.approx(20.0 / S, rel=1e-9)
    for name in ("inlet", "interstage", "ballast"):
        assert found[name][1] == pytest.approx(30.0 / S, rel=1e-9)
    assert found["inlet"][0] > found["interstage"][0] > found["none"][0]
    assert found["ballast"][0] == pytest.approx(found["interstage"][0], rel=1e-12)
