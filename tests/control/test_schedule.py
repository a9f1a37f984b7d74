"""Gains by reading or output: as few entries as do, margins that hold, switching without a bump."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache
from itertools import combinations, pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

import chamberctl as cc
from chamberctl.control.controller import Memory, PidSettings, change_settings, step
from chamberctl.control.duty_loops import settings_frame
from chamberctl.control.fewest import fewest_runs
from chamberctl.control.gain_steps import GainSteps
from chamberctl.control.margins import margins
from chamberctl.control.problem import Problem, limits_of
from chamberctl.control.robust import robust_settings
from chamberctl.control.schedule import LEAST_SHARE, gain_schedule
from chamberctl.control.schedule_cells import cells, reading_half_width
from chamberctl.control.schedule_parts import GainSchedule, Threshold
from chamberctl.control.schedule_search import Search
from chamberctl.errors import Infeasible, InputError
from chamberctl.plant.linear import LoopModel
from chamberctl.plant.tolerances import vary
from chamberctl.plant.window import duty_points
from chamberctl.simulation.engine import Trace, simulate_loop
from chamberctl.simulation.scenarios import prepare, simulate
from tests.control.loops import find_optimum

MS = 1.6


@cache
def plant(reading: str) -> cc.Study:
    return cc.load("preset:reference-plant").with_text({"controller.reading": reading})


@cache
def linear() -> GainSchedule:
    return gain_schedule(plant("linear"), MS)


# --- as few as possible


def _good_runs(needs: list[float], reach: float) -> set[tuple[int, int]]:
    """Runs whose needs lie within a factor: every part of such a run is one, too."""
    runs = combinations(range(len(needs) + 1), 2)
    return {(i, j) for i, j in runs if max(needs[i:j]) <= reach * min(needs[i:j])}


@given(
    st.lists(st.floats(1.0, 20.0), min_size=1, max_size=9),
    st.floats(1.0, 8.0),
    st.sets(st.integers(1, 8)),
)
def test_no_division_has_fewer_runs(needs: list[float], reach: float, ends: set[int]) -> None:
    """Against all divisions, one by one."""
    good, count = _good_runs(needs, reach), len(needs)
    found = fewest_runs(count, ends, lambda i, j: (i, j) in good)
    inner = sorted(end for end in ends if end < count)
    every = [
        (*chosen, count)
        for size in range(len(inner) + 1)
        for chosen in combinations(inner, size)
        if all(run in good for run in pairwise((0, *chosen, count)))
    ]
    if found is None:
        assert not every
    else:
        assert found in every
        assert len(found) == min(len(division) for division in every)


def test_one_set_is_enough_with_a_log_reading() -> None:
    study = plant("log10")
    fixed = robust_settings(study, ms_limit=MS, explain=False)
    found = gain_schedule(study, MS, fixed=fixed)
    assert len(found.entries) == 1
    assert not found.thresholds
    assert found.entries[0].settings == fixed.settings
    assert (found.entries[0].low, found.entries[0].high) == (0.0, math.inf)
    assert all(one.scheduled == one.fixed >= LEAST_SHARE * one.alone for one in found.worth)
    assert [f.severity for f in found.findings] == ["note"]
    assert "One set of gains is enough" in found.findings[0].text


@pytest.mark.thorough
def test_a_linear_reading_over_a_decade_needs_several() -> None:
    found = linear()
    assert len(found.entries) == 4
    assert all(one.scheduled >= LEAST_SHARE * one.alone for one in found.worth)
    lowest = found.worth[0]
    assert lowest.scheduled > 5.0 * lowest.fixed
    assert [e.low for e in found.entries[1:]] == [e.high for e in found.entries[:-1]]
    setpoints = [hold.setpoint_pa for hold in plant("linear").duty.holds]
    for one in found.thresholds:
        assert one.down < one.at < one.up
        assert all(abs(one.at / p - 1.0) > plant("linear").duty.hold_band for p in setpoints)


@pytest.mark.thorough
@pytest.mark.parametrize("share", [0.3, 0.5, 0.7])
def test_brute_force_over_all_divisions_finds_no_smaller_schedule(share: float) -> None:
    """Every division of the decade at a third of the possible thresholds, each run by itself."""
    study = plant("linear")
    problem = Problem(study, duty_points(study), "PI", settings_frame(study))
    limits = limits_of(study, MS)
    every = cells(problem, "reading")
    every = replace(every, ends=every.ends[::3])
    alone = {one.where: one.alone for one in linear().worth}
    found = Search(problem, every, limits, alone).divided(share)

    @cache
    def most(first: int, after: int) -> float:
        models = [every.plants[i].model for i in every.within(first, after)]
        return find_optimum(models, problem.frame, limits).integral_action

    def good(first: int, after: int) -> bool:
        names = [name for name in every.points(first, after) if name in alone]
        return all(most(first, after) >= share * alone[name] for name in names)

    fewest = next(
        (
            size + 1
            for size in range(len(every.ends) + 1)
            for chosen in combinations(every.ends, size)
            if all(good(*run) for run in pairwise((0, *chosen, every.count)))
        ),
        None,
    )
    assert (None if found is None else len(found)) == fewest


# --- margins


def _drawn(rng: np.random.Generator, indicated_pa: float) -> LoopModel:
    """A plant within the tolerances on the way through the duty, made by `linearize`."""
    study = changed = plant("linear")
    for path, origin in study.provenance.items():
        if path.rpartition(".")[2] in ("volume", "displacement", "dead_time") and origin.tolerance:
            changed = vary(changed, path, 1.0 + origin.tolerance * rng.uniform(-1.0, 1.0))
    holds = study.duty.holds
    x = [math.log(hold.setpoint_pa) for hold in holds]
    ends = [
        np.interp(math.log(indicated_pa), x, [math.log(end(h.gas_loads_pa_m3_s)) for h in holds])
        for end in (min, max)
    ]
    point = cc.operating_point(
        changed.system,
        indicated_pa=indicated_pa,
        gas_load_pa_m3_s=math.exp(rng.uniform(*ends)) + changed.system.gas_load.unmetered_pa_m3_s,
        gauge=study.loop_gauge(),
    )
    return cc.linearize(changed.system, point, study.loop_gauge())


@pytest.mark.thorough
def test_margins_hold_everywhere_on_the_way_and_on_both_sides_of_each_threshold() -> None:
    found, rng = linear(), np.random.default_rng(6)
    duty = np.exp(rng.uniform(math.log(100.0), math.log(1000.0), 150))
    places = [
        (float(p), i) for p in duty for i, e in enumerate(found.entries) if e.low < p < e.high
    ]
    for index, one in enumerate(found.thresholds):
        for p in (one.down, one.at, one.up):
            places += [(p, index), (p, index + 1)] * 5
    models = [_drawn(rng, p) for p, _ in places]
    each = margins(models, [found.entries[i].settings for _, i in places])
    assert np.all(each.stable)
    assert np.max(each.ms) <= MS * (1.0 + 1e-3)
    assert np.max(each.mt) <= MS * (1.0 + 1e-3)
    assert np.max(each.ms) > 1.4  # settings that do nothing would hold, too


@pytest.mark.thorough
def test_the_output_cannot_tell_points_apart_that_are_held_at_one_speed() -> None:
    with pytest.raises(Infeasible, match=r"2 mbar at 60 mbar L/s.*Schedule over the reading"):
        gain_schedule(plant("linear"), MS, key="output")


# --- as it runs

LOW = PidSettings(0.0068, 3.5, b=0.6, reading="linear", scan_time_s=0.1, output_min=0.2)
HIGH = replace(LOW, kc=0.0039, ti_s=4.3, b=0.2)
RESOLUTION = 0.02 / 50.0


@cache
def rough() -> cc.Study:
    """The reference plant with a gauge that is noisy and a drive with steps."""
    return plant("linear").with_text(
        {"system.gauge[0].noise": "0.1 %", "system.drive.resolution": "0.02 Hz"}
    )


def _steps(half: float) -> GainSteps:
    return GainSteps("reading", (LOW, HIGH), (Threshold(150.0, 150.0 + half, 150.0 - half),))


def _run(steps: GainSteps, to_pa: float, seed: int | None, point: int = 0) -> Trace:
    """A setpoint step from a duty point, 1 mbar if not said, after 5 s."""
    at = duty_points(rough())[point]
    made = prepare(rough(), steps, "setpoint-step-up", point=at)
    time = np.arange(1201) * 0.1
    setpoint = np.where(time < 5.0, at.indicated_pa, to_pa)
    happenings = replace(made.happenings, duration_s=120.0, setpoint_pa=setpoint)
    return simulate_loop(
        made.system, made.gauge, made.settings, made.start, happenings, steps=steps, seed=seed
    )


@pytest.mark.thorough
@pytest.mark.parametrize(("point", "to_pa"), [(0, 200.0), (1, 100.0)])
def test_the_output_does_not_jump_where_entries_change(point: int, to_pa: float) -> None:
    """A change of settings leaves v where it is, to far less than a step of the speed command."""
    steps = _steps(0.75)
    trace = _run(steps, to_pa, None, point)
    column, entry = trace.columns, trace.columns["entry"]
    changes = np.flatnonzero(np.diff(entry)) + 1
    assert changes.size >= 1
    assert entry[0] != entry[-1]
    for k in changes:
        memory = Memory(
            column["integral"][k - 1], column["derivative"][k - 1], column["filtered"][k - 1],
            column["setpoint"][k - 1], column["output"][k - 1], False,
        )  # fmt: skip
        old, new = (steps.settings[int(entry[i])] for i in (k - 1, k))
        after = change_settings(memory, old, new)
        still = [
            one.kc * (m.filtered - one.b * m.setpoint) + m.integral
            for one, m in ((old, memory), (new, after))
        ]
        assert still[1] == pytest.approx(still[0], abs=1e-6 * RESOLUTION)
        both = [
            step(m, one, column["setpoint"][k], column["reading"][k])
            for one, m in ((old, memory), (new, after))
        ]
        assert both[1].unlimited == pytest.approx(column["unlimited"][k], abs=1e-12)
        # what the scan then adds is the new gain times the reading's own move, not a jump
        move = column["filtered"][k] - column["filtered"][k - 1]
        assert both[1].unlimited - both[0].unlimited == pytest.approx(
            (new.kc - old.kc) * move, abs=1e-9
        )


def test_entries_do_not_chatter_where_the_reading_rests_at_a_threshold() -> None:
    """The suggested hysteresis against none, with the gauge's noise."""
    half = 150.0 * reading_half_width(rough().loop_gauge(), 150.0)
    late = slice(600, None)
    calm = np.diff(_run(_steps(half), 150.0, 1).columns["entry"])[late]
    nervous = np.diff(_run(_steps(0.0), 150.0, 1).columns["entry"])[late]
    assert np.count_nonzero(calm) == 0
    assert np.count_nonzero(nervous) > 50


def test_a_schedule_of_equal_entries_runs_like_one_set() -> None:
    at = duty_points(rough())[0]
    same = replace(_steps(0.5), settings=(LOW, LOW))
    one = simulate(rough(), LOW, "setpoint-step-up", point=at, seed=3).trace
    two = simulate(rough(), same, "setpoint-step-up", point=at, seed=3).trace
    assert np.array_equal(one.columns["output"], two.columns["output"])


def test_a_schedule_over_the_output_switches_by_the_output() -> None:
    steps = replace(_steps(0.0), key="output", thresholds=(Threshold(0.5, 0.51, 0.49),))
    trace = _run(steps, 200.0, None)  # 60 % at 1 mbar, 30 % at 2 mbar
    output, entry = trace.columns["output"], trace.columns["entry"]
    assert entry[0] == 1
    assert entry[-1] == 0
    change = np.flatnonzero(np.diff(entry))[0] + 1
    assert output[change - 1] < 0.49 <= output[change - 2]


def test_sets_of_a_schedule_must_fit_each_other() -> None:
    with pytest.raises(InputError, match="one threshold less"):
        replace(_steps(0.5), thresholds=())
    with pytest.raises(InputError, match="same in every set"):
        replace(_steps(0.5), settings=(LOW, replace(HIGH, scan_time_s=0.2)))
    twice = (Threshold(150.0, 160.0, 140.0), Threshold(155.0, 165.0, 145.0))
    with pytest.raises(InputError, match="must rise"):
        GainSteps("reading", (LOW, HIGH, LOW), twice)
    with pytest.raises(InputError, match="given point"):
        simulate(rough(), _steps(0.5), "gas-step")
