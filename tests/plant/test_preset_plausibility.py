"""Presets against the literature, so that nobody learns from an impossible plant.

A range is compared as its middle with half its width as tolerance.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from chamberctl.physics.boosters import zero_flow_compression
from chamberctl.physics.choked import critical_pressure_ratio, isentropic_throughput_squared
from chamberctl.physics.gases import GASES, most_probable_speed
from chamberctl.plant.chain import build_chain
from chamberctl.plant.steady import steady_pressures
from chamberctl.plant.window import duty_points
from chamberctl.study import load, presets
from chamberctl.study.flowing import molecular_scale, system_gas, viscous_scale
from tests import reference

PRESETS = sorted(presets())
STUDIES = {name: load(f"preset:{name}") for name in PRESETS}
BOOSTERS = [name for name in PRESETS if STUDIES[name].system.booster is not None]

ROOTS = reference.load("vacuum/roots_literature_ranges")
RANGES = {row["id"]: row for row in ROOTS.rows}
GAUGES = reference.load("vacuum/gauge_facts")
FACTS = {row["id"]: row for row in GAUGES.rows}
PROCESSES = reference.load("vacuum/scenarios_open_literature")
DUCT = reference.load("vacuum/choked_vapor_duct")

BY_HAND = {"reference-plant"}
"""Presets that stand for no process: an exercise."""

FILTERED = 3.0
"""A gauge's filter may slow it down by so much."""


@cache
def points_of(name):
    return duty_points(STUDIES[name])


def air_compression(booster, gas, backing_pa):
    """Zero-flow compression at rated speed, in air, at a backing pressure [Pa]."""
    if booster.compression_curve is not None:
        pressures, values = zip(*booster.compression_curve, strict=True)
        return float(np.exp(np.interp(np.log(backing_pa), np.log(pressures), np.log(values))))
    stated = GASES[booster.stated_gas] if booster.stated_gas else gas
    molecular = booster.gap_conductance_m3_s * molecular_scale(stated, GASES["air"])
    viscous = booster.gap_conductance_per_pressure_m3_s_pa * viscous_scale(stated, GASES["air"])
    found = 30.0
    for _ in range(50):
        gap = molecular + viscous * 0.5 * backing_pa * (1.0 + 1.0 / found)
        found = float(
            zero_flow_compression(1.0, booster.swept_speed_m3_s, gap, booster.carry_back_speed_m3_s)
        )
    return found


@pytest.fixture
def within(validation):
    """Compare what presets have with a range of boosters."""

    def check(name, values):
        row = RANGES[name]
        middle, half = 0.5 * (row["low"] + row["high"]), 0.5 * (row["high"] - row["low"])
        unit = "" if row["unit"] == 1.0 else f" [{row['unit']}]"
        validation.check(ROOTS, f"presets: {row['quantity']}{unit}", middle, values, abs=half)

    return check


@pytest.mark.parametrize("name", BOOSTERS)
def test_boosters_compress_as_boosters_do(name, within):
    system = STUDIES[name].system
    booster, gas = system.booster, system_gas(system.gas)
    within("k0_peak", air_compression(booster, gas, 100.0))
    within("k0_10_kpa", air_compression(booster, gas, 1e4))
    if booster.compression_curve is None:
        within("k0_100_kpa", air_compression(booster, gas, 1e5))
        return
    pressures, values = np.array(booster.compression_curve).T
    within("k0_peak_pressure", pressures[np.argmax(values)])
    if pressures[0] <= 1.0:
        within("k0_1_pa", air_compression(booster, gas, 1.0))


@pytest.mark.parametrize("name", BOOSTERS)
def test_boosters_work_where_boosters_do(name, within):
    """Inlet pressure and speed at the duty; net over swept speed with the duty's gas at rated."""
    system, chain = STUDIES[name].system, build_chain(STUDIES[name].system)
    booster, inlet = system.booster, chain.booster_node
    held = [point for point in points_of(name) if point.feasible]
    within("inlet_pressure", [point.node_pressures_pa[inlet] for point in held])
    within("speed", [point.booster_speed for point in held])
    loads = np.array([point.gas_load_pa_m3_s for point in held])
    pressures = steady_pressures(chain, 1.0, loads)
    flow = chain.throughput(inlet, pressures[inlet], pressures[inlet + 1], 1.0)
    within("efficiency", flow / (chain.rows[inlet, 0] * pressures[inlet]))
    backing = system.backing.displacement_m3_s
    if backing is None:
        curve = system.backing.curve or max(system.backing.curves, key=lambda c: c.speed).points
        backing = max(speed for _, speed in curve)
    within("staging", booster.swept_speed_m3_s / backing)
    if booster.difference_limit_pa is not None:
        within("difference_limit", booster.difference_limit_pa)
    # motors with two or four poles
    rated = system.drive.rated_rpm or 60.0 * system.drive.rated_hz
    within("rotor_speed", [rated, 0.5 * rated])


@pytest.mark.parametrize("name", PRESETS)
def test_gauges_are_plausible(name, validation):
    def check(fact, computed, low, high):
        row = FACTS[fact]
        validation.check(
            GAUGES, f"presets: {fact} [{row['unit']}]", 0.5 * (low + high), computed,
            abs=0.5 * (high - low), source=row["source"], status=row["status"],
        )  # fmt: skip

    for gauge in STUDIES[name].system.gauges:
        if gauge.kind == "capacitance":
            fact = FACTS["decades of a capacitance head"]
            decades = np.log10(gauge.range_high_pa / gauge.range_low_pa)
            check(fact["id"], min(decades, round(decades, 9)), fact["low"], fact["high"])
        own = FACTS.get(f"response of a {gauge.kind} gauge")
        if own and gauge.lag_s > 0.0:
            check(own["id"], gauge.lag_s, own["low"], FILTERED * own["high"])
        asked = FACTS["response that industry asks for"]
        check(asked["id"], gauge.lag_s + gauge.update_period_s, asked["low"], asked["high"])


def test_every_preset_but_the_exercise_stands_for_a_process():
    assert {row["preset"] for row in PROCESSES.rows} == set(PRESETS) - BY_HAND


@pytest.mark.parametrize("name", [name for name in PRESETS if name not in BY_HAND])
def test_duty_and_size_are_those_of_the_process(name, validation):
    """Each hold in one of its processes; gas loads to a factor of two, as typical values are."""
    study = STUDIES[name]
    rows = [row for row in PROCESSES.rows if row["preset"] == name]
    chamber = study.system.chamber
    volume = chamber.volume_m3 + sum(zone.volume_m3 for zone in chamber.hot_zones)

    def check(row, quantity, computed, low, high):
        validation.check(
            PROCESSES, f"{row['process']}: {quantity}", 0.5 * (low + high), computed,
            abs=0.5 * (high - low), source=row["source"], status=row["status"],
        )  # fmt: skip

    for hold in study.duty.holds:
        row = next(
            (r for r in rows if hold.setpoint_pa <= r["pressure_high_Pa"] * (1.0 + 1e-9)), rows[-1]
        )
        setpoint = round(hold.setpoint_pa, 9)
        check(row, "setpoint [Pa]", setpoint, row["pressure_low_Pa"], row["pressure_high_Pa"])
        check(row, "volume [m3]", volume, row["volume_low_m3"], row["volume_high_m3"])
        if row["gas_load_low_Pa_m3_s"] is not None:
            low, high = row["gas_load_low_Pa_m3_s"] / 2.0, row["gas_load_high_Pa_m3_s"] * 2.0
            entering = np.array(hold.gas_loads_pa_m3_s) + study.system.gas_load.unmetered_pa_m3_s
            check(row, "gas load [Pa m3/s]", entering, low, high)


@pytest.mark.parametrize("row", DUCT.rows, ids=reference.row_id)
def test_vapor_in_a_choked_duct_and_in_the_freeze_dryers(row, validation):
    """Sonic speed at the throat: flow per area over what pressure and temperature are there."""
    vapor = GASES["H2O"]
    gamma = vapor.heat_capacity_ratio
    speed = most_probable_speed(row["temperature_K"], vapor.molar_mass_kg_mol)
    cooled = 2.0 / (gamma + 1.0)
    per_area = np.sqrt(isentropic_throughput_squared(1.0, 0.0, 1.0, speed, gamma))
    sonic = per_area * cooled / critical_pressure_ratio(gamma)
    validation.check(
        DUCT, "speed of choked vapor [m/s]", row["vapor_speed_m_per_s"], sonic, rel=0.1
    )
    # the preset's duct is far from choking at every duty point
    dryer = STUDIES["freeze-dryer"]
    duct = dryer.system.line[0]
    chain = build_chain(dryer.system)
    for point in points_of("freeze-dryer"):
        if point.feasible:
            first, second = point.node_pressures_pa[:2]
            through = chain.throughput(0, first, second, point.speed) * duct.temperature_k / 293.15
            area = np.pi / 4.0 * duct.diameter_m**2
            assert through / first / area < 0.2 * sonic
