"""The engine against other means: tight integration between events, and the gas that passed."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from typing import Any

import numpy as np
import pytest

import chamberctl as cc
from chamberctl.control.tuning import rule_tuning
from chamberctl.errors import Infeasible
from chamberctl.plant.chain import build_chain, gauge_node
from chamberctl.plant.operating import operating_point
from chamberctl.report.trace_csv import trace_csv
from chamberctl.simulation.drive import speed_after
from chamberctl.simulation.engine import Trace, drive_numbers
from chamberctl.simulation.prepared import Prepared
from chamberctl.simulation.scenarios import SCENARIOS, build, run, worst_point
from tests import recompute_trace
from tests.house import EVERY_PRESET
from tests.simulation.replay import Replay, node_pressures, on_line

AGREES, BEHIND = 1e-4, 1e-3
CLOSES, MOST_ROWS = 1e-5, 6000

Array = Any


@cache
def tuned(preset: str) -> cc.Tuning:
    return rule_tuning(cc.load(f"preset:{preset}"))


def prepared(preset: str, scenario: str, **settings: Any) -> Prepared:
    tuning = tuned(preset)
    chosen = replace(tuning.settings, **settings)
    point = worst_point(tuning)
    return build(tuning.study, chosen, point, scenario, start_output=tuning.start_output)


def compare(what: Prepared, replay: Replay, last_s: float | None, closed: bool) -> None:
    """Hold the engine's pressures, outputs and speeds against the replay's.

    With the same commands, rounding, bands, counts and noise in them, every node agrees. In closed
    loop and without those the chamber and the node that the gauge reads do; what is left there
    moves the speed a little, and a node behind a booster moves more.
    """
    trace = what.run(ideal=True) if closed else what.run(seed=1)
    assert trace.complete
    other = replay.run(None if closed else trace.columns["command"], last_s)
    scans = len(other["pressures"])
    if closed:
        # the law turns the agreed share of pressure into this much output
        per_share = what.settings.kc / np.log(10.0)
        ours = trace.columns["output"][:scans]
        assert ours == pytest.approx(other["output"], abs=AGREES * max(1.0, per_share))
    else:
        assert trace.columns["speed"][:scans] == pytest.approx(other["speed"], abs=1e-8)
    away = np.abs(node_pressures(trace, what)[:scans] / other["pressures"] - 1.0)
    near = [0, gauge_node(build_chain(what.system), what.gauge)] if closed else slice(None)
    assert np.max(away[:, near]) < AGREES
    assert np.max(away) < BEHIND


QUICK = [
    ("crystal-furnace", "gas-step", 60.0),
    ("crystal-furnace", "return-from-standby", 80.0),
    ("reference-plant", "gas-burst", 80.0),
    ("reference-plant", "pump-down", 60.0),
    ("student-rig", "speed-override", 60.0),
    ("heat-treatment-furnace", "gas-step-feed-forward", 30.0),
    ("heat-treatment-furnace", "power-dip", 30.0),
    ("tray-dryer", "return-from-standby", 90.0),
]


@pytest.mark.parametrize(("preset", "scenario", "last_s"), QUICK)
@pytest.mark.parametrize("closed", [False, True], ids=["same commands", "closed loop"])
def test_a_run_agrees_with_tight_integration(
    preset: str, scenario: str, last_s: float, closed: bool
) -> None:
    what = prepared(preset, scenario)
    compare(what, Replay(what), last_s, closed)


def test_a_run_agrees_with_the_right_hand_side_as_it_is_written() -> None:
    """Uncompiled, by an implicit Runge-Kutta method of another family."""
    what = prepared("reference-plant", "setpoint-step-down")
    compare(what, Replay(what, plain=True), 14.0, False)
    replay = Replay(what, plain=True, method="Radau")
    compare(what, replay, 11.0, True)


AFTER_EVENT_S = 60.0
"""How long the matrix of all scenarios and presets goes on after what happens has begun."""


EVERY = [
    # the freeze dryer's pump-down takes tight integration more than a minute
    pytest.param(
        preset, scenario,
        marks=pytest.mark.thorough if (preset, scenario) == ("freeze-dryer", "pump-down")
        else pytest.mark.slow,
    )
    for preset in cc.presets() for scenario in SCENARIOS
]  # fmt: skip


@pytest.mark.parametrize(("preset", "scenario"), EVERY)
def test_every_scenario_of_every_preset_agrees_with_tight_integration(
    preset: str, scenario: str
) -> None:
    try:
        what = prepared(preset, scenario)
    except Infeasible:
        return
    for closed in (False, True):
        compare(what, Replay(what), what.event_s + AFTER_EVENT_S, closed)


@pytest.mark.thorough
@pytest.mark.parametrize("scenario", SCENARIOS)
@pytest.mark.parametrize("preset", cc.presets())
def test_every_scenario_agrees_to_its_end(preset: str, scenario: str) -> None:
    try:
        what = prepared(preset, scenario)
    except Infeasible:
        return
    for closed in (False, True):
        compare(what, Replay(what), None, closed)


def changed(preset: str, **changes: str) -> Prepared:
    """A gas step in a changed plant at the worst point, its settings kept."""
    tuning, point = tuned(preset), worst_point(tuned(preset))
    study = tuning.study.with_text({k.replace("__", "."): v for k, v in changes.items()})
    there = operating_point(
        study.system, indicated_pa=point.indicated_pa, gas_load_pa_m3_s=point.gas_load_pa_m3_s,
        gauge=study.loop_gauge(),
    )  # fmt: skip
    return build(study, tuning.settings, there, "gas-step")


@pytest.mark.parametrize("volume", ["0 L", "0.02 L"])
def test_volumes_of_nothing_and_next_to_nothing(volume: str) -> None:
    """Nodes without a state, and with one that settles in less than a millisecond."""
    what = changed(
        "crystal-furnace", system__backing__inlet_volume=volume,
        system__booster__inlet_volume=volume,
    )  # fmt: skip
    compare(what, Replay(what), 25.0, False)
    compare(what, Replay(what), 16.0, True)


# --- the gas that passed


def drive_path(what: Prepared, commands: Array, times: Array) -> Array:
    """Speed at rising times, from the commands of a trace."""
    drive = drive_numbers(what.system.drive)
    scan = float(what.settings.scan_time_s or 0.0)
    wait = what.settings.delay_s + what.system.drive.dead_time_s
    start = target = what.start.speed
    turned, arrived, found = 0.0, 0, np.empty(len(times))
    for index, t in enumerate(times):
        while arrived < len(commands) and arrived * scan + wait <= t + 1e-9 * scan:
            at = arrived * scan + wait
            start = speed_after(start, target, drive, at - turned)
            target, turned, arrived = commands[arrived], at, arrived + 1
        found[index] = speed_after(start, target, drive, t - turned)
    return found


def exported(preset: str, what: Prepared) -> Trace:
    """A run as another program has it: read from the table that is written."""
    done = run(what)
    found = recompute_trace.read(trace_csv(tuned(preset).study, done)).columns
    columns = {name.removesuffix("_fraction"): values for name, values in found.items()}
    return replace(done.trace, time_s=found["time_s"], columns=columns)


def unbalanced(what: Prepared, trace: Trace, from_s: float) -> Array:
    """What each volume's balance lacks, of all gas that passed.

    Within each scan the pressures follow cubics through the trace's rows; four Gauss points.
    """
    chain, load = build_chain(what.system), what.happenings.load
    begin = round(from_s / float(trace.time_s[1]))
    time, pressures = trace.time_s[begin:], node_pressures(trace, what)[begin:].T
    scan = time[1] - time[0]
    places, weights = np.polynomial.legendre.leggauss(4)
    within = time[:-1, None] + 0.5 * (places + 1.0) * scan
    commands = trace.columns["command"]
    speeds = drive_path(what, commands, within.ravel()).reshape(within.shape)
    ends = drive_path(what, commands, time)
    assert ends == pytest.approx(trace.columns["speed"][begin:], abs=1e-9)

    def gas(times: Array, left: Array) -> Array:
        return np.array([on_line(load, t, (a, a + scan)) for t, a in zip(times, left, strict=True)])

    left = time[:-1]
    slopes = [
        chain.net_flows(pressures[:, :-1], ends[:-1], gas(left, left)),
        chain.net_flows(pressures[:, 1:], ends[1:], gas(left + scan, left)),
    ]
    slopes = [flows * scan / chain.volumes_m3[:, None] for flows in slopes]
    total = np.zeros(chain.size)
    for k, z in enumerate(0.5 * (places + 1.0)):
        middle = (
            (2 * z**3 - 3 * z**2 + 1) * pressures[:, :-1] + (z**3 - 2 * z**2 + z) * slopes[0]
            + (3 * z**2 - 2 * z**3) * pressures[:, 1:] + (z**3 - z**2) * slopes[1]
        )  # fmt: skip
        flows = chain.net_flows(middle, speeds[:, k], gas(within[:, k], left))
        total += 0.5 * weights[k] * scan * flows.sum(axis=1)
    change = chain.volumes_m3 * (pressures[:, -1] - pressures[:, 0])
    passed = float(np.sum(trace.columns["gas_load_pa_m3_s"][begin:]) * scan)
    return (change - total) / (passed + np.max(np.abs(change)))


@pytest.mark.parametrize(
    ("preset", "scenario", "scan_s", "from_s"),
    [
        ("crystal-furnace", "gas-burst", 0.05, 0.0),
        ("crystal-furnace", "pump-down", 0.05, 1.0),
        ("heat-treatment-furnace", "gas-step", 0.01, 0.0),
        ("heat-treatment-furnace", "pump-down", 0.01, 1.0),
        ("reference-plant", "setpoint-ramp", 0.1, 0.0),
        ("reference-plant", "pump-down", 0.1, 0.0),
        ("student-rig", "setpoint-step-down", 0.02, 0.0),
        ("student-rig", "pump-down", 0.01, 1.0),
        ("freeze-dryer", "gas-burst", 0.005, 0.0),
        ("freeze-dryer", "pump-down", 0.005, 1.0),
        ("tray-dryer", "gas-burst", 0.002, 0.0),
        ("tray-dryer", "pump-down", 0.005, 1.0),
    ],
)
def test_every_volume_balances_over_the_gas_that_passed(
    preset: str, scenario: str, scan_s: float, from_s: float
) -> None:
    """From the exported table, its rows close enough to see the fastest volume; the first jolt of a
    pump-down left out.
    """
    delay = tuned(preset).settings.delay_s
    what = prepared(preset, scenario, scan_time_s=scan_s, computation_delay_s=delay)
    length = min(what.happenings.duration_s, 60.0, MOST_ROWS * scan_s)
    what = replace(what, happenings=replace(what.happenings, duration_s=length))
    trace = exported(preset, what)
    assert np.max(np.abs(unbalanced(what, trace, from_s))) < CLOSES


# --- accuracy by halving


@pytest.mark.parametrize("preset", EVERY_PRESET)
def test_a_smaller_tolerance_moves_no_pressure_by_more_than_the_promise(preset: str) -> None:
    """With the tolerance halved, and at a hundredth, against a ten-thousandth."""
    for scenario in ("gas-step", "pump-down", "return-from-standby"):
        what = prepared(preset, scenario)
        tolerances = (1e-5, 5e-6, 1e-7, 1e-9)
        found = [what.run(ideal=True, tolerance=tolerance).pressure_pa for tolerance in tolerances]
        moved = [float(np.max(np.abs(one / found[-1] - 1.0))) for one in found[:-1]]
        assert moved[0] < AGREES, (scenario, moved)
        assert moved[1] < AGREES, (scenario, moved)
        assert moved[2] < max(0.3 * moved[0], 5e-6), (scenario, moved)
