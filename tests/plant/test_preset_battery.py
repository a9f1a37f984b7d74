"""What must hold for every preset; a new one is tested by being there."""

from __future__ import annotations

import html
import json
import re
import subprocess
import sys
from functools import cache

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import chamberctl as cc
from chamberctl.control.tuning import rule_tuning
from chamberctl.errors import Infeasible
from chamberctl.physics.choked import critical_flow_function
from chamberctl.physics.gases import viscosity
from chamberctl.physics.passages import elbow_length, transmission_probability
from chamberctl.plant.chain import build_chain
from chamberctl.plant.steady import steady_pressures
from chamberctl.plant.window import operating_window
from chamberctl.report.exports import loop_document
from chamberctl.study import field_table, load, presets
from chamberctl.study.flowing import system_gas
from tests import recompute_loop
from tests.house import CHECKOUT, EVERY_PRESET
from tests.physics.support import modest
from tests.plant.linear_check import check_against_complex_step
from tests.plant.sweeps import (
    BOOSTER_KINDS,
    HIGHEST,
    LINE_KINDS,
    LOWEST,
    by_log_pressure,
    element_functions,
    jump,
)

PRESETS = sorted(presets())
STUDIES = {name: load(f"preset:{name}") for name in PRESETS}
CHAINS = {name: build_chain(study.system) for name, study in STUDIES.items()}
ELEMENTS = [
    pytest.param(name, element, id=f"{name}: {part}")
    for name, chain in CHAINS.items()
    for element, part in enumerate(chain.part_names)
]
LINE_PARTS = [
    item for item in ELEMENTS if CHAINS[item.values[0]].kinds[item.values[1]] in LINE_KINDS
]

PHYSICAL = re.compile(r"system\.(gas\.name|.*\.(slip_split|stated_gas|signal|fails_to))")
"""Choices that say something of the plant, and may be wrong like a number."""

QUANTITIES = {
    info.path for info in field_table() if info.dimension or PHYSICAL.fullmatch(info.path)
}

log_pressures = st.floats(np.log10(LOWEST), np.log10(HIGHEST))
shares = st.floats(0.0, 1.0)


few = settings(modest, max_examples=25)


@cache
def window_of(name):
    return operating_window(STUDIES[name], n_speeds=7, n_loads=2)


def speed_between(study, share):
    drive = study.system.drive
    return drive.minimum_speed + share * (drive.maximum_speed - drive.minimum_speed)


# Invariants of the balances.


@pytest.mark.parametrize("name", EVERY_PRESET)
def test_steady_states_balance(name):
    """Random loads and speeds: every node passes on what it gets, to 1e-9 of it."""
    study = STUDIES[name]
    chain, rng = CHAINS[name], np.random.default_rng(5)
    loads = np.array([q for _, q, _ in study.duty_points()])
    load_ = np.exp(rng.uniform(np.log(loads.min() / 30.0), np.log(loads.max() * 3.0), 60))
    speed = speed_between(study, rng.uniform(0.0, 1.0, 60))
    pressures = steady_pressures(chain, speed, load_)
    held = np.isfinite(pressures[0])
    assert np.mean(held) > 0.5
    p, n, q = pressures[:, held], speed[held], load_[held]
    flows = chain.net_flows(p, n, q)
    passing = (
        q
        + np.cumsum(chain.nodes[0])[:, None]
        + np.maximum(chain.vapor[0] * (chain.vapor[1] - p[0]), 0.0)
    )
    assert np.max(np.abs(flows) / passing) < 1e-9
    assert np.all((p > 0.0) & (p < 1.1e5))


@pytest.mark.parametrize("name", EVERY_PRESET)
def test_more_speed_never_lifts_and_more_gas_never_lowers_the_pressure(name):
    study = STUDIES[name]
    chain = CHAINS[name]
    speeds = speed_between(study, np.linspace(0.0, 1.0, 7))
    loads = np.geomspace(
        *(extreme([q for _, q, _ in study.duty_points()]) for extreme in (min, max)), 5
    )
    grid = steady_pressures(chain, *np.meshgrid(speeds, loads))[0]
    by_speed, by_load = np.diff(grid, axis=1), np.diff(grid, axis=0)
    slack = 1e-9 * np.nanmax(grid)
    assert np.all((by_speed < slack) | np.isnan(by_speed))
    assert np.all((by_load > -slack) | np.isnan(by_load))


@pytest.mark.parametrize("name, element", LINE_PARTS)
@few
@given(log_pressures)
def test_nothing_flows_through_the_line_at_equal_pressures(name, element, log_pressure):
    chain, pressure = CHAINS[name], 10.0**log_pressure
    full = abs(chain.throughput(element, pressure, 0.1 * pressure, 1.0))
    assert abs(chain.throughput(element, pressure, pressure, 1.0)) <= 1e-12 * full


@pytest.mark.parametrize("name, element", ELEMENTS)
@few
@given(log_pressures, log_pressures, shares)
def test_every_part_rises_with_inlet_and_falls_with_outlet_pressure(
    name, element, log_inlet, log_outlet, share
):
    """Over twelve decades. A pump only where it pumps: its slip may outgrow the rest below."""
    chain, study = CHAINS[name], STUDIES[name]
    inlet, outlet, speed = 10.0**log_inlet, 10.0**log_outlet, speed_between(study, share)
    if chain.kinds[element] in BOOSTER_KINDS:
        outlet = inlet * 10.0 ** (0.25 * (log_outlet - np.log10(LOWEST)))
    over_inlet, over_outlet = element_functions(chain, element, inlet, outlet, speed)
    is_line = chain.kinds[element] in LINE_KINDS
    if is_line or over_inlet(inlet) > 0.0:
        assert by_log_pressure(over_inlet, inlet) > 0.0
    falls = by_log_pressure(over_outlet, outlet)
    assert falls == 0.0 if element == chain.size - 1 else falls < 0.0


@pytest.mark.parametrize("name, element", ELEMENTS)
@pytest.mark.parametrize("share", [0.0, 0.5])
def test_neither_value_nor_slope_jumps_where_regimes_meet(name, element, share):
    """Along twelve decades of either pressure, without the limiters, which are corners."""
    chain, study = CHAINS[name], STUDIES[name]
    if chain.kinds[element] in BOOSTER_KINDS:
        rows = chain.rows.copy()
        rows[element, [4, 6]] = 1e12
        chain = _with_rows(chain, rows)
    speed = speed_between(study, share)
    for fixed in (1e-5, 0.3, 40.0, 3e3):
        for function in element_functions(chain, element, fixed, fixed, speed):
            if function(fixed) == function(2.0 * fixed):
                continue
            assert jump(function) < 1e-6
            assert jump(lambda p, f=function: by_log_pressure(f, p) / p) < 1e-6


@pytest.mark.parametrize("name, element", LINE_PARTS)
def test_line_parts_reach_their_limits(name, element):
    """Molecular, viscous and, without a length, choked flow; a fixed conductance is one."""
    chain, system = CHAINS[name], STUDIES[name].system
    part, gas = system.line[element], system_gas(system.gas)

    def conductance(inlet, outlet):
        return chain.throughput(element, inlet, outlet, 1.0) / (inlet - outlet)

    if part.diameter_m is None:
        found = [conductance(p, 0.5 * p) for p in (1e-6, 1.0, 1e5)]
        assert found == pytest.approx([part.conductance_m3_s] * 3, rel=1e-12)
        return
    a, t = 0.5 * part.diameter_m, part.temperature_k
    length = {"tube": part.length_m, "elbow": 2.0 * (part.leg_m or 0.0)}.get(part.kind, 0.0)
    straight = elbow_length(part.leg_m, a) if part.kind == "elbow" else length
    counted, area = 293.15 / t, np.pi * a**2
    speed = np.sqrt(8.0 * 8.314462618 * t / (np.pi * gas.molar_mass_kg_mol))
    molecular = 0.25 * area * speed * transmission_probability(straight / a) * counted
    assert conductance(1e-6, 1e-7) == pytest.approx(molecular, rel=1e-4)
    mu, near = viscosity(t, gas.viscosity_20c_pa_s, gas.sutherland_k), 1e3
    ends = length + 3.0 * np.pi / 8.0 * a
    laminar = np.pi * a**4 * near / (8.0 * mu * ends) * counted
    assert conductance(near * (1.0 + 1e-10), near) == pytest.approx(laminar, rel=3e-3)
    if not length:
        flow = float(critical_flow_function(gas.heat_capacity_ratio))
        sonic = flow * np.sqrt(8.314462618 * t / gas.molar_mass_kg_mol)
        choked = part.discharge_coefficient * area * sonic * counted
        assert conductance(1e5, 1.0) == pytest.approx(choked, rel=0.01)


def _with_rows(chain, rows):
    return type(chain)(**{**vars(chain), "rows": rows})


def test_the_search_for_jumps_finds_small_ones_and_none_in_smooth_functions():
    """A corner of one in a thousand in a function that otherwise changes far more."""
    assert jump(lambda p: p**1.7 / (1.0 + p)) < 1e-6
    assert jump(lambda p: 1.0 / p - 3.0) < 1e-6
    corner = 123.4
    assert jump(lambda p: p * (1.0 + 1e-3 * (p > corner))) == pytest.approx(1e-3, rel=0.5)
    slope = jump(
        lambda p: by_log_pressure(lambda x: x + 1e-3 * (x.real > corner) * (x - corner), p) / p
    )
    assert slope == pytest.approx(1e-3, rel=0.5)


# The battery.


@pytest.mark.parametrize("name", EVERY_PRESET)
def test_saved_it_comes_back_the_same(name, tmp_path):
    study = STUDIES[name]
    study.save(tmp_path / "again.toml")
    again = load(tmp_path / "again.toml")
    assert again == study
    assert again.text == study.text


@pytest.mark.parametrize("name", EVERY_PRESET)
def test_every_number_says_where_it_comes_from(name):
    """Each quantity is measured, from a data sheet or assumed, and a note says how or why."""
    typed = 0
    for path, origin in STUDIES[name].provenance.items():
        if origin.basis != "default" and re.sub(r"\[\d+\]", "[]", path) in QUANTITIES:
            assert origin.basis in ("measured", "data sheet", "assumed"), f"{path}: {origin.basis}"
            assert origin.note, f"{path}: {origin.basis}, but not how or why"
            typed += 1
    assert typed > 25


@pytest.mark.parametrize("name", EVERY_PRESET)
def test_window_and_duty(name):
    study = STUDIES[name]
    window = window_of(name)
    assert np.any(window.feasible)
    feasible = window.feasible
    assert np.all(np.isfinite(window.pressure_pa[feasible]))
    assert np.all(np.isnan(window.pressure_pa[~feasible]))
    assert np.all(window.slew_down_pa_s[feasible] > -1e-9 * window.pressure_pa[feasible])
    for point in window.duty_points:
        if point.feasible:
            assert (
                study.system.drive.minimum_speed <= point.speed <= study.system.drive.maximum_speed
            )
            assert point.indicated_pa > 0.0
        else:
            assert point.reason
            assert point.nearest
            assert any(f.severity == "no" and point.reason in f.text for f in window.findings)


@pytest.mark.parametrize("name", EVERY_PRESET)
def test_fifty_points_over_the_window_against_complex_step(name):
    """Spread in ln p over the reachable pressures of the duty's gas loads."""
    study = STUDIES[name]
    window = window_of(name)
    reachable = window.feasible & (window.limited_by == "")
    rng = np.random.default_rng(11)
    loads = np.broadcast_to(window.gas_loads_pa_m3_s[:, None], reachable.shape)[reachable]
    speeds = np.broadcast_to(window.speeds, reachable.shape)[reachable]
    order = np.argsort(window.pressure_pa[reachable])
    chosen = order[np.linspace(0, order.size - 1, 50).round().astype(int)]
    drive = study.system.drive
    spread = speeds[chosen] * rng.uniform(0.999, 1.001, 50)
    spread = np.clip(spread, drive.minimum_speed * 1.0001, drive.maximum_speed * 0.9999)
    check_against_complex_step(study.system, spread, loads[chosen], study.loop_gauge())


@pytest.mark.parametrize("name", EVERY_PRESET)
def test_tuning_and_the_loop_recomputed(name):
    """Settings are either refused with the reason, or judged "no" for a finding, or they hold."""
    study, points = STUDIES[name], window_of(name).duty_points
    result = _tuned(study)
    if isinstance(result, Infeasible):
        assert not all(point.feasible and not point.limited_by for point in points)
        assert result.reason
        return
    noes = [finding for finding in result.findings if finding.severity == "no"]
    assert bool(noes) == (not result.holds), noes
    assert all(point.feasible for point in points) or not result.holds
    document = json.loads(json.dumps(loop_document(study, result)))
    lines = recompute_loop.compare(document)
    assert len(lines) >= 9
    assert all(line[-1] for line in lines), [line for line in lines if not line[-1]]
    assert result.holds <= all(point["margins"]["stable"] for point in document["points"])


@pytest.mark.slow
@pytest.mark.parametrize("name", EVERY_PRESET)
def test_report_written_and_its_loop_recomputed_by_the_script(name, tmp_path):
    """The script runs on its own: chamberctl is not importable for it."""
    result = _tuned(STUDIES[name])
    files = cc.write_report(STUDIES[name], result, tmp_path)
    page = html.unescape(re.sub(r"<[^>]+>", "", files.html.read_text("utf-8")))
    if isinstance(result, Infeasible):
        assert result.reason in page
        return
    script = (CHECKOUT / "tests" / "recompute_loop.py").read_text("utf-8")
    assert "import chamberctl" not in script
    (tmp_path / "recompute.py").write_text(script, encoding="utf-8")
    done = subprocess.run(
        [sys.executable, "-I", "recompute.py", "loop.json"],
        cwd=tmp_path, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout + done.stderr


def _tuned(study):
    try:
        return rule_tuning(study)
    except Infeasible as refusal:
        return refusal
