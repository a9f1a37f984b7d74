"""The engine keeps what it promises: rest, the law, limits, the linear loop, and clear ends."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache
from typing import Any

import numpy as np
import pytest

import chamberctl as cc
from chamberctl.control.controller import PidSettings, step
from chamberctl.control.response import sampled_response
from chamberctl.control.tuning import rule_tuning
from chamberctl.errors import Infeasible, InputError
from chamberctl.simulation import core
from chamberctl.simulation.engine import (
    TOLERANCE,
    Trace,
    compiled_run,
    load_compiled,
    simulate_loop,
)
from chamberctl.simulation.happenings import Happenings, Start
from chamberctl.simulation.prepared import Prepared, corners, memory_at
from chamberctl.simulation.scenarios import SCENARIOS, build, simulate, worst_point
from tests.house import EVERY_PRESET

RESOLUTION = 0.002


@cache
def tuned(preset: str) -> cc.Tuning:
    return rule_tuning(cc.load(f"preset:{preset}"))


def prepared(preset: str, scenario: str, **settings: Any) -> Prepared:
    tuning = tuned(preset)
    chosen = replace(tuning.settings, **settings)
    point = worst_point(tuning)
    return build(tuning.study, chosen, point, scenario, start_output=tuning.start_output)


def at_rest(preset: str, point: cc.OperatingPoint, duration_s: float, **more: Any) -> Trace:
    """A run from an operating point with nothing happening but what is given."""
    study, settings = tuned(preset).study, more.pop("settings", tuned(preset).settings)
    setpoint = more.pop("setpoint_pa", np.array([point.indicated_pa]))
    load = more.pop("load", corners((0.0, point.gas_load_pa_m3_s)))
    happenings = Happenings(duration_s, setpoint, load, **more.pop("happenings", {}))
    start = Start(np.array(point.node_pressures_pa), point.speed, memory_at(point.speed))
    gauge = more.pop("gauge", study.loop_gauge())
    return simulate_loop(study.system, gauge, settings, start, happenings, **more)


# --- rest


@pytest.mark.parametrize("preset", EVERY_PRESET)
def test_a_steady_start_stays_steady(preset: str) -> None:
    """At every duty point, for an hour, without counts and rounding."""
    for tuned_point in tuned(preset).points:
        point = tuned_point.point
        trace = at_rest(preset, point, 3600.0, ideal=True)
        assert trace.complete
        assert np.max(np.abs(trace.pressure_pa / point.pressure_pa - 1.0)) < 1e-7
        assert np.max(np.abs(trace.columns["output"] - point.speed)) < 1e-6


# --- the linear loop


@pytest.mark.parametrize("integral", ["after", "before"])
@pytest.mark.parametrize("preset", EVERY_PRESET)
def test_a_small_step_equals_the_linear_sampled_loop(preset: str, integral: Any) -> None:
    """Setpoint and gas load, at every duty point, to 1 % of the largest deviation."""
    tuning = tuned(preset)
    gauge = tuning.study.loop_gauge().model_copy(update={"update_period_s": 0.0})
    settings = replace(tuning.settings, integral=integral)
    small = 1e-5
    for tuned_point in tuning.points:
        point = tuned_point.point
        model = cc.linearize(tuning.study.system, point, gauge)
        for what in ("setpoint", "gas load"):
            move = small if settings.reading == "log10" else small * point.indicated_pa
            happen: dict[str, Any] = {}
            if what == "setpoint":
                linear = sampled_response(model, settings, setpoint_step=move, duration_s=60.0)
                setpoint = (
                    point.indicated_pa * 10.0**move if settings.reading == "log10"
                    else point.indicated_pa + move
                )  # fmt: skip
                # the law starts from rest, its setpoint not yet stepped
                happen["setpoint_pa"] = np.append(point.indicated_pa, np.full(9999, setpoint))
            else:
                linear = sampled_response(model, settings, gas_load_step=small, duration_s=60.0)
                load = point.gas_load_pa_m3_s + small * model.load_scale_pa_m3_s
                scan = settings.scan_time_s or 0.0
                happen["load"] = corners(
                    (0.0, point.gas_load_pa_m3_s), (scan, point.gas_load_pa_m3_s), (scan, load)
                )
            trace = at_rest(
                preset, point, 60.0, ideal=True, tolerance=1e-10, settings=settings, gauge=gauge,
                **happen,
            )  # fmt: skip
            for name, expected in (("reading", linear.reading), ("output", linear.speed)):
                found = trace.columns[name] - trace.columns[name][0]
                count = min(found.size - 1, expected.size)
                scale = np.max(np.abs(expected))
                worst = np.max(np.abs(found[1 : count + 1] - expected[:count])) / scale
                assert worst < 0.01, (point.where, what, name)


# --- the law


def replayed(what: Prepared, trace: Trace) -> np.ndarray:
    """Outputs of `controller.step` fed with the trace's readings."""
    memory, found = what.start.memory, []
    columns, feed = trace.columns, what.happenings.feed_forward
    for k in range(trace.time_s.size):
        held, bad = columns["held"][k] > 0.0, columns["bad"][k] > 0.0
        memory = step(
            memory, trace.settings, columns["setpoint"][k], columns["reading"][k],
            feed_forward=0.0 if feed is None else float(feed[min(k, len(feed) - 1)]),
            mode="override" if held else "auto",
            applied=float(columns["output"][k]) if held or bad else None,
            reading_good=held or not bad,
        )  # fmt: skip
        found.append((memory.output, memory.unlimited, memory.integral, memory.derivative,
                      memory.filtered))  # fmt: skip
    return np.array(found)


LAWS = [
    {},
    {"td_s": 1.0, "tfd_s": 0.5, "tf_s": 0.4, "b": 0.3, "c": 0.2, "tt_s": 5.0},
    {"integral": "before", "output_rate_per_s": 0.02, "tt_s": 3.0, "setpoint_ramp_per_s": 0.01},
]


@pytest.mark.parametrize("law", LAWS, ids=["as tuned", "PID, filtered, weighted", "rate limited"])
@pytest.mark.parametrize("scenario", SCENARIOS)
def test_the_law_replayed_from_the_readings_gives_the_outputs(
    scenario: str, law: dict[str, Any]
) -> None:
    """In automatic, held, with a bad reading and after each release, with noise and counts."""
    for preset in ("crystal-furnace", "reference-plant"):
        try:
            what = prepared(preset, scenario, **law)
        except Infeasible:
            continue
        trace = what.run(seed=5)
        found = replayed(what, trace)
        for place, name in enumerate(("output", "unlimited", "integral", "derivative", "filtered")):
            ours = trace.columns[name]
            if name == "unlimited":  # while held it is what is applied
                continue
            assert np.max(np.abs(found[:, place] - ours)) < 1e-9, (preset, name)


# --- limits


@pytest.mark.parametrize("scenario", SCENARIOS)
@pytest.mark.parametrize("preset", EVERY_PRESET)
def test_no_ramp_limit_or_resolution_is_exceeded(preset: str, scenario: str) -> None:
    try:
        what = prepared(preset, scenario, output_rate_per_s=0.05)
    except Infeasible:
        return
    bands, resolution, second = ((0.43, 0.47), (0.71, 0.74)), RESOLUTION, 15.0
    drive = what.system.drive.model_copy(
        update={"avoid_bands": bands, "resolution": resolution, "second_ramp_s": second}
    )
    what = replace(what, system=what.system.model_copy(update={"drive": drive}))
    trace = what.run(seed=2)
    columns, scan = trace.columns, float(trace.time_s[1])
    speed = np.diff(columns["speed"]) / scan
    coasting = np.zeros(speed.size, dtype=bool)
    dip = what.happenings.power_dip
    if dip is not None:
        coasting = (trace.time_s[:-1] >= dip.off_s - scan) & (trace.time_s[:-1] < dip.on_s)
        assert speed[coasting].min() >= -1.0 / dip.coast_s - 1.0 / drive.fall_time_s - 1e-9
    assert speed.max() <= 1.0 / drive.rise_time_s + 1e-9
    assert speed[~coasting].min() >= -1.0 / drive.fall_time_s - 1e-9
    command = columns["command"]
    inside = (command > drive.minimum_speed) & (command < drive.maximum_speed)
    for low, high in bands:
        assert not np.any((command > low + 1e-12) & (command < high - 1e-12))
        inside &= (np.abs(command - low) > 1e-12) & (np.abs(command - high) > 1e-12)
    counts = command[inside] / resolution
    assert np.max(np.abs(counts - np.round(counts)), initial=0.0) < 1e-9
    assert command.min() >= drive.minimum_speed
    assert command.max() <= drive.maximum_speed
    output, settings = columns["output"], trace.settings
    free = ~trace.held & (columns["bad"] == 0.0)
    assert output[free].min() >= settings.output_min
    assert output[free].max() <= settings.output_max
    steps = np.abs(np.diff(output))[free[1:]]
    assert steps.max() <= 0.05 * scan + 1e-12
    gauge = what.gauge
    shown = columns["indicated_pa"][columns["bad"] == 0.0]
    believed = shown[(shown > 0.0)]
    assert believed.min() >= gauge.range_low_pa
    assert believed.max() <= gauge.range_high_pa


RELEASES = (
    "return-from-standby", "speed-override", "pump-down", "gauge-fault-zero", "gauge-fault-full",
    "power-dip",
)  # fmt: skip


@pytest.mark.parametrize("scenario", RELEASES)
@pytest.mark.parametrize("preset", EVERY_PRESET)
def test_every_release_goes_on_from_what_was_applied(preset: str, scenario: str) -> None:
    """From standby, override, manual, a bad reading and a dip, however fast the reading moves."""
    what = prepared(preset, scenario)
    trace = what.run(seed=3)
    columns = trace.columns
    away = (columns["held"] == 1.0) | (columns["bad"] == 1.0)
    back = np.flatnonzero(away[:-1] & ~away[1:])
    assert back.size
    moved = columns["unlimited"][back + 1] - columns["output"][back]
    assert np.abs(moved).max() < 1e-12
    limits = columns["output"][back]
    inside = (limits >= what.settings.output_min) & (limits <= what.settings.output_max)
    step = what.system.drive.resolution or RESOLUTION
    jumps = np.abs(columns["output"][back + 1] - columns["output"][back])
    assert jumps[inside].max(initial=0.0) < step


# --- ends that are clear


@pytest.mark.parametrize("value", [math.nan, math.inf])
def test_a_reading_that_is_no_number_is_a_bad_reading(value: float) -> None:
    """Output held while it lasts, released without a bump, and nothing else is touched."""
    point = tuned("crystal-furnace").points[1].point
    factor = np.ones(1000)
    factor[100:200] = value if math.isnan(value) else 0.0
    trace = at_rest("crystal-furnace", point, 200.0, happenings={"factor": factor})
    bad = trace.columns["bad"] > 0.0
    assert np.flatnonzero(bad).tolist() == list(range(100, 200))
    assert np.ptp(trace.columns["output"][99:201]) < RESOLUTION
    assert trace.complete
    assert np.isfinite(trace.pressure_pa).all()
    given = {"held": np.arange(1000) < 300, "applied": np.array([0.7])}
    covered, clean = (
        at_rest("crystal-furnace", point, 200.0, happenings={**given, **more})
        for more in ({"factor": factor}, {})
    )
    assert covered.columns["output"] == pytest.approx(clean.columns["output"], abs=1e-9)


@pytest.mark.parametrize("kc", [1e6, -1e6, 1e-12])
@pytest.mark.parametrize("preset", EVERY_PRESET)
def test_absurd_gains_end_in_a_complete_run(preset: str, kc: float) -> None:
    what = prepared(preset, "gas-step", kc=kc)
    trace = what.run(seed=1)
    assert trace.complete
    for name, values in trace.columns.items():
        assert np.isfinite(values).all(), name


def test_a_limit_cycle_goes_on_and_keeps_its_size() -> None:
    """Three times the gain at which the loop rings: it swings between limits, and is no error."""
    tuning = tuned("crystal-furnace")
    gain = tuning.points[0].margins.gain_margin
    kc = 3.0 * gain * tuning.settings.kc
    trace = at_rest(
        "crystal-furnace", tuning.points[0].point, 1200.0, seed=3,
        settings=replace(tuning.settings, kc=kc),
    )  # fmt: skip
    assert trace.complete
    swings = [np.ptp(trace.pressure_pa[part]) for part in (slice(3000, 4500), slice(4500, None))]
    assert swings[0] > 0.02 * trace.pressure_pa.mean()
    assert swings[1] == pytest.approx(swings[0], rel=0.2)


def test_a_load_that_is_no_number_ends_the_run_early_and_says_so() -> None:
    """The rows before it are kept, those after are NaN; no exception, no hang."""
    point = tuned("crystal-furnace").points[1].point
    load = corners((0.0, point.gas_load_pa_m3_s), (20.0, point.gas_load_pa_m3_s), (20.0, math.nan))
    trace = at_rest("crystal-furnace", point, 60.0, load=load)
    assert not trace.complete
    known = np.isfinite(trace.pressure_pa)
    assert known[:100].all()
    assert not known[102:].any()


def test_settings_without_a_scan_and_a_run_without_one_are_refused() -> None:
    tuning = tuned("reference-plant")
    point = tuning.points[0].point
    with pytest.raises(InputError, match="scan time"):
        at_rest("reference-plant", point, 60.0, settings=PidSettings(kc=1.0))
    for none in (0.0, -1.0, math.nan):
        with pytest.raises(InputError, match="at least one scan"):
            at_rest("reference-plant", point, none)
    for endless in (1e7, 1e300, math.inf):
        with pytest.raises(InputError, match=r"at most 10000000 scans.*shorter scenario\.tail"):
            at_rest("reference-plant", point, endless)


@pytest.mark.parametrize("pressures", [[100.0], [0.0] * 4, [math.nan] * 4, [-1.0] * 4])
def test_a_start_that_is_no_state_is_refused(pressures: list[float]) -> None:
    point = replace(tuned("crystal-furnace").points[0].point, node_pressures_pa=tuple(pressures))
    with pytest.raises(InputError, match="starts from 4 node pressures"):
        at_rest("crystal-furnace", point, 10.0)


def test_the_columns_are_those_of_the_documentation() -> None:
    trace = at_rest("crystal-furnace", tuned("crystal-furnace").points[0].point, 1.0)
    assert tuple(trace.columns)[: len(core.COLUMNS)] == core.COLUMNS
    assert list(trace.columns)[len(core.COLUMNS)] == "p_chamber_pa"
    assert trace.time_s == pytest.approx(np.arange(6) * 0.2)


@pytest.mark.parametrize("name", EVERY_PRESET)
def test_what_is_loaded_early_is_what_runs(name: str) -> None:
    """Compiled for the same kinds of arguments: a run that follows compiles nothing more."""
    study = cc.load(f"preset:{name}")
    load_compiled(study.system, study.loop_gauge())
    known = list(compiled_run().signatures)
    simulate(study, rule_tuning(study), "setpoint-step-up")
    assert compiled_run().signatures == known


@pytest.mark.parametrize("lasts", [0.6, 1.0, 2.0])
@pytest.mark.parametrize("begins", [0.1, 0.5, 0.9])
def test_small_volumes_beside_a_moving_valve_are_known_at_every_scan(
    begins: float, lasts: float
) -> None:
    """Commands arrive late here, so that scans fall into the middle of steps."""
    study = cc.load("preset:student-rig")
    tuning = rule_tuning(study)
    point, scan_s = tuning.points[0].point, 0.2
    settings = replace(
        tuning.settings, scan_time_s=scan_s, computation_delay_s=4.5 * scan_s, tt_s=None
    )
    from_s = (1.0 + begins) * scan_s
    happenings = Happenings(
        6.0 * scan_s,
        np.array([point.indicated_pa]),
        corners((0.0, point.gas_load_pa_m3_s)),
        opening=corners((0.0, 1.0), (from_s, 1.0), (from_s + lasts * scan_s, 0.5)),
        moving=0,
    )
    start = Start(np.array(point.node_pressures_pa), point.speed, memory_at(point.speed))
    usual, closely = (
        simulate_loop(
            study.system, study.loop_gauge(), settings, start, happenings,
            ideal=True, tolerance=tolerance,
        ).columns
        for tolerance in (TOLERANCE, 1e-10)
    )  # fmt: skip
    nodes = [key for key in usual if key.startswith("p_")]
    assert len(nodes) > 1
    for key in nodes:
        assert usual[key] == pytest.approx(closely[key], rel=1e-4)
