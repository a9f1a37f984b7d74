"""The most integral action within limits: published optima, brute force, and what must hold."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, seed, settings
from hypothesis import strategies as st

from chamberctl.control.controller import PidSettings
from chamberctl.control.finder import Finder
from chamberctl.control.gain_gaps import largest_gain
from chamberctl.control.loop_excess import PASSES, peaks, sharpened
from chamberctl.control.loop_grid import Shape, loop_grid
from chamberctl.control.margins import margins
from chamberctl.control.optimum import optimum_of
from chamberctl.control.pace import LoopLimits
from chamberctl.errors import Infeasible, InputError
from chamberctl.plant.linear import LoopModel
from tests import reference
from tests.control import loops
from tests.control.loops import find_optimum, plant

PUBLISHED = reference.load("control/ms_constrained_pi")
SAMPLED = loops.settings(1.0, scan_time_s=0.1, computation_delay_s=0.1)
CHAMBER = plant([2.0], [20.0, 21.0, 1.0], 1.0)
LIMITS = LoopLimits(1.6, 1.6)


def _row_id(row: dict) -> str:
    return f"{row['plant']} Ms {row['Ms_limit']:g}"


@pytest.mark.parametrize("row", PUBLISHED.rows, ids=_row_id)
def test_optimal_pi_under_a_limit_on_ms(row, validation):
    model = plant(
        reference.numbers(row["num"]), reference.numbers(row["den"]), float(row["delay_s"])
    )
    limit = row["Ms_limit"]
    found = find_optimum([model], loops.settings(1.0), LoopLimits(limit))
    action, gain = found.integral_action, found.settings.kc
    validation.check(PUBLISHED, "integral action of the optimum", row["ki"], action, rel=0.005)
    validation.check(PUBLISHED, "gain of the optimum", row["K"], gain, rel=0.01)
    assert found.margins.stable[0]
    assert found.margins.ms[0] <= limit + 1e-3
    for column, value in (("pub_K", gain), ("pub_Ti", found.settings.ti_s)):
        if row[column] is not None:
            quantity = f"published {column.removeprefix('pub_')} of the optimum"
            validation.check(
                PUBLISHED, quantity, row[column], value, rel=0.01, status="from memory"
            )


@pytest.mark.parametrize("scan_time_s", [None, 0.5], ids=["continuous", "sampled"])
@pytest.mark.parametrize(
    "limits",
    [
        LoopLimits(1.6),
        LoopLimits(3.0, mt=1.2),
        LoopLimits(3.0, disk_margin=0.9),
        LoopLimits(3.0, noise_gain=4.0),
        LoopLimits(9.0, gain_margin=4.0),
        LoopLimits(9.0, phase_margin_deg=55.0),
        LoopLimits(9.0, delay_margin_s=1.7),
    ],
    ids=["Ms", "Mt", "disk", "noise", "gain margin", "phase margin", "delay margin"],
)
def test_the_largest_gain_is_the_one_at_which_the_margin_meets_its_limit(scan_time_s, limits):
    frame = loops.settings(1.0, scan_time_s=scan_time_s)
    shape = Shape(ti_s=8.0)
    grid = loop_grid([CHAMBER], frame, ["after"], density=150)
    gain, bound = largest_gain(grid, shape, limits)
    law = replace(frame, kc=gain, ti_s=shape.ti_s)
    found = margins(CHAMBER, law)
    assert bound is not None
    reached = {
        "ms": found.ms,
        "mt": found.mt,
        "disk_margin": found.disk_margin,
        "noise_gain": _noise_gain(CHAMBER, law),
        "gain_margin": found.gain_margin,
        "phase_margin_deg": found.phase_margin_deg,
        "delay_margin_s": found.delay_margin_s,
    }[bound.limit]
    assert getattr(limits, bound.limit) < 9.0 or bound.limit.endswith(("deg", "_s"))
    assert reached == pytest.approx(getattr(limits, bound.limit), rel=3e-4)
    assert found.stable
    more = margins(CHAMBER, replace(law, kc=1.02 * gain))
    assert more.ms > found.ms


def _noise_gain(model, law) -> float:
    """Highest |K S| by a dense frequency response of its own."""
    top = 1e3 if law.scan_time_s is None else math.pi / law.scan_time_s
    omega = np.geomspace(1e-3, top, 4_000)
    k = law.frequency_response(omega)
    a, b, c, _ = model.siso(law.reading)
    if law.scan_time_s is None:
        s = 1j * omega
        step, entry = a, b
    else:
        # the dead time of the plant in these tests is a whole number of scans
        from scipy.linalg import expm

        block = np.zeros((len(a) + 1, len(a) + 1))
        block[:-1, :-1], block[:-1, -1:] = a, b
        whole = expm(block * law.scan_time_s)
        s, step, entry = np.exp(1j * omega * law.scan_time_s), whole[:-1, :-1], whole[:-1, -1:]
    g = [(c @ np.linalg.solve(v * np.eye(len(a)) - step, entry))[0, 0] for v in s]
    late = np.exp(-1j * omega * (model.dead_time_s + law.delay_s))
    return float(np.max(np.abs(k / (1.0 - k * np.array(g) * late))))


@pytest.mark.parametrize(
    "asked",
    [{"gain_margin": 6.0}, {"phase_margin_deg": 70.0}, {"delay_margin_s": 4.0}],
    ids=["gain margin", "phase margin", "delay margin"],
)
def test_margins_that_are_asked_for_are_kept_and_reached(asked):
    (name, value), *_ = asked.items()
    models = [CHAMBER, plant([1.2], [15.0, 1.0], 1.0)]
    found = find_optimum(models, SAMPLED, replace(LoopLimits(2.0), **asked))
    reached = getattr(found.margins, name)
    assert np.min(reached) == pytest.approx(value, rel=1e-3)
    assert found.bindings[0].limit == name
    assert found.integral_action < find_optimum(models, SAMPLED, LoopLimits(2.0)).integral_action


def test_a_conditionally_stable_loop_is_not_taken_for_an_unstable_one():
    # three integrations and two leads: stable for gains above a lower end only
    model = plant([100.0, 20.0, 1.0], [1.0, 0.02, 0.0001, 0.0])
    found = find_optimum([model], loops.settings(1.0, scan_time_s=0.02), LoopLimits(1.8))
    assert found.margins.stable[0]
    assert found.margins.ms[0] <= 1.8 + 1e-3
    low = replace(found.settings, kc=1e-4 * found.settings.kc)
    assert not margins(model, low).stable or margins(model, low).ms > 1.8


def test_an_unstable_plant_gets_the_gain_it_needs():
    model = plant([1.0], [10.0, -1.0], 0.5)
    found = find_optimum([model], loops.settings(1.0, scan_time_s=0.05), LoopLimits(1.8))
    assert found.margins.stable[0]
    assert found.settings.kc > 1.0  # below it, nothing holds this plant
    with pytest.raises(Infeasible, match="No gain keeps the limits"):
        find_optimum([model], loops.settings(1.0, scan_time_s=0.05), LoopLimits(1.05))


def test_two_plants_get_what_both_bear_and_each_names_itself():
    fast, slow = plant([4.0], [10.0, 1.0], 1.0), plant([0.5], [40.0, 1.0], 2.0)
    limits = LoopLimits(1.6, mt=1.3)
    both = find_optimum([slow, fast], SAMPLED, limits)
    alone = [find_optimum([one], SAMPLED, limits).integral_action for one in (slow, fast)]
    assert both.integral_action < min(alone)
    assert {binding.plant for binding in both.bindings} == {0, 1}
    assert {binding.limit for binding in both.bindings} == {"ms", "mt"}
    for binding in both.bindings:
        reached = getattr(both.margins, binding.limit)[binding.plant]
        assert reached == pytest.approx(getattr(limits, binding.limit), rel=2e-3)
        assert binding.order == "after"


def test_more_plants_never_give_more():
    models = [plant([gain], [lag, 1.0], 1.0) for gain in (1.0, 2.0) for lag in (10.0, 30.0)]
    actions = [find_optimum(models[:n], SAMPLED, LIMITS).integral_action for n in (1, 2, 3, 4)]
    assert actions == sorted(actions, reverse=True)


def test_an_unknown_order_of_the_integral_keeps_the_limits_either_way():
    slow_scan = replace(SAMPLED, scan_time_s=1.0, computation_delay_s=1.0)
    found = find_optimum([CHAMBER], slow_scan, LIMITS, orders=("after", "before"))
    for order in ("after", "before"):
        one = margins(CHAMBER, replace(found.settings, integral=order))
        assert one.ms <= found.margins.ms[0] + 1e-9
        assert one.ms <= 1.6 + 1e-3
        alone = find_optimum([CHAMBER], replace(slow_scan, integral=order), LIMITS)
        assert found.integral_action <= alone.integral_action * (1.0 + 1e-3)


@pytest.mark.slow
@pytest.mark.parametrize("ms", [1.4, 2.0])
def test_derivative_action_gives_more_and_never_less(ms):
    limits = LoopLimits.of_peak(ms)
    pi, pid = (
        find_optimum([CHAMBER], SAMPLED, limits, structure=structure) for structure in ("PI", "PID")
    )
    assert pi.settings.td_s == 0.0
    assert pid.settings.td_s > 0.0
    assert pid.settings.tfd_s == pytest.approx(pid.settings.td_s / 8.0)
    assert pid.integral_action > 1.3 * pi.integral_action
    assert pid.noise_gain > pi.noise_gain
    # nothing to gain where nothing but the dead time is late
    late = plant([1.0], [0.02, 1.0], 2.0)
    pi, pid = (
        find_optimum([late], SAMPLED, limits, structure=structure) for structure in ("PI", "PID")
    )
    assert pid.integral_action >= pi.integral_action * (1.0 - 1e-3)


@pytest.mark.slow
def test_a_limit_on_noise_takes_derivative_action_back():
    free = find_optimum([CHAMBER], SAMPLED, LIMITS, structure="PID")
    asked = replace(LIMITS, noise_gain=0.5 * free.noise_gain)
    quiet = find_optimum([CHAMBER], SAMPLED, asked, structure="PID")
    assert quiet.noise_gain == pytest.approx(0.5 * free.noise_gain, rel=1e-3)
    assert quiet.settings.kc * (1.0 + quiet.settings.td_s) < free.settings.kc * (
        1.0 + free.settings.td_s
    )
    assert any(binding.limit == "noise_gain" for binding in quiet.bindings)
    assert quiet.integral_action < free.integral_action


def test_the_same_question_gets_the_same_answer():
    models = [plant([gain], [12.0, 1.0], 1.0) for gain in (1.0, 1.7, 2.0)]
    first, second = (find_optimum(models, SAMPLED, LIMITS) for _ in range(2))
    assert first.settings == second.settings
    assert first.bindings == second.bindings
    # nor does the order of the plants matter
    turned = find_optimum(models[::-1], SAMPLED, LIMITS)
    assert turned.integral_action == pytest.approx(first.integral_action, rel=1e-4)


def test_frequencies_near_a_limit_are_added_one_by_one_and_never_doubled():
    """A frequency that is there twice is equal to itself; it once doubled at every pass."""
    frame = loops.settings(1.0, scan_time_s=0.5)
    grid = loop_grid([CHAMBER], frame, ["after"])
    shape, limits = Shape(ti_s=8.0), LoopLimits.of_peak(1.6)
    gain, _ = largest_gain(grid, shape, limits)
    size = peaks(grid, gain, shape, limits)["ms"]
    peak = grid.omega[[int(np.argmax(size))]]
    twice = grid.with_points(np.array([0]), peak).with_points(np.array([0]), peak)
    before = twice.omega.size
    for _ in range(5):
        twice = sharpened(twice, gain, shape, limits, 0.9)
    assert twice.omega.size - before < 5 * PASSES * 4
    assert np.max(peaks(twice, gain, shape, limits)["ms"]) == pytest.approx(size.max(), rel=1e-3)


def test_a_prepared_finder_answers_for_some_of_its_plants():
    models = [plant([gain], [12.0, 1.0], 1.0) for gain in (1.0, 1.7, 2.0)]
    whole = Finder(models, SAMPLED, "PI", ("after", "before"))
    part = whole.only([0, 1]).solve(LIMITS)
    fresh = Finder(models[:2], SAMPLED, "PI", ("after", "before")).solve(LIMITS)
    assert part.integral_action == pytest.approx(fresh.integral_action, rel=1e-4)
    assert whole.solve(LIMITS).integral_action < part.integral_action


def test_derivative_action_gives_more():
    pi, pid = (
        find_optimum([CHAMBER], SAMPLED, LIMITS, structure=structure) for structure in ("PI", "PID")
    )
    assert pid.integral_action > 1.3 * pi.integral_action
    assert np.all(pid.margins.ms <= 1.6 + 1e-3)
    for found in (pi, pid):
        assert found.noise_gain == pytest.approx(_noise_gain(CHAMBER, found.settings), rel=1e-3)


_LAGS = st.lists(st.floats(0.05, 30.0), min_size=1, max_size=4)


@seed(11)
@settings(max_examples=12, deadline=None)
@given(
    lags=_LAGS,
    gain=st.floats(0.05, 20.0),
    delay=st.floats(0.0, 5.0),
    zero=st.floats(-1.0, 2.0),
    scan=st.sampled_from([0.05, 0.2, 1.0]),
    ms=st.floats(1.2, 2.2),
)
def test_no_plant_ever_breaks_its_limits(lags, gain, delay, zero, scan, ms):
    den = np.array([1.0])
    for lag in lags:
        den = np.polymul(den, [lag, 1.0])
    num = [gain * zero, gain] if len(lags) > 1 else [gain]
    models = [plant([0.7 * v for v in num], den.tolist(), delay), plant(num, den.tolist(), delay)]
    frame = replace(SAMPLED, scan_time_s=scan, computation_delay_s=scan)
    found = find_optimum(models, frame, LoopLimits(ms, mt=ms + 0.1))
    assert np.all(found.margins.stable)
    assert np.all(found.margins.ms <= ms + 1e-3)
    assert np.all(found.margins.mt <= ms + 0.1 + 1e-3)
    # and it is at its limit somewhere
    assert found.bindings
    assert max(np.max(found.margins.ms) / ms, np.max(found.margins.mt) / (ms + 0.1)) > 0.998


def test_a_plant_that_nothing_limits_is_said_to_be_unlimited():
    with pytest.raises(Infeasible, match="No limit binds") as error:
        find_optimum([plant([1.0], [5.0, 1.0])], loops.settings(1.0), LoopLimits(1.6))
    assert "scan time" in error.value.nearest


def test_a_plant_of_the_wrong_sign_is_named():
    wrong = plant([-1.0], [5.0, 1.0], 1.0)
    with pytest.raises(Infeasible, match="Plant 2 has the wrong sign") as error:
        find_optimum([CHAMBER, wrong], SAMPLED, LIMITS)
    assert "gauge's position" in error.value.nearest


@pytest.mark.parametrize(
    ("limits", "field"),
    [
        ({"ms": 1.0}, "ms"),
        ({"ms": 1.6, "mt": 1.0}, "mt"),
        ({"ms": 1.6, "disk_margin": 2.0}, "disk_margin"),
        ({"ms": 1.6, "noise_gain": 0.0}, "noise_gain"),
        ({"ms": 1.6, "gain_margin": 0.9}, "gain_margin"),
        ({"ms": 1.6, "phase_margin_deg": 180.0}, "phase_margin_deg"),
        ({"ms": 1.6, "delay_margin_s": -0.1}, "delay_margin_s"),
    ],
)
def test_limits_that_no_loop_can_keep_are_refused(limits, field):
    with pytest.raises(InputError, match="must be") as error:
        LoopLimits(**limits)
    assert error.value.first.field == field


def test_nothing_to_tune_and_no_filter_at_all_are_refused():
    with pytest.raises(InputError, match="at least one plant"):
        find_optimum([], SAMPLED, LIMITS)
    with pytest.raises(InputError, match="must be above 0"):
        find_optimum([CHAMBER], SAMPLED, LIMITS, derivative_ratio=0.0)


@pytest.mark.parametrize("ms", [3.0, 12.0, 30.0, 100.0])
def test_limits_far_from_use_are_kept_too(ms: float) -> None:
    """At a large Ms a loop is almost at the turn at which it is lost, between two frequencies."""
    model = LoopModel.from_transfer_function([-1.0], [1.0, 1.0], 1.0)
    frame = PidSettings(kc=1.0, ti_s=1.0, reading="linear")
    found = optimum_of(Finder([model], frame), LoopLimits(ms=ms))
    assert found.margins.stable.all()
    assert found.margins.ms.max() == pytest.approx(ms, rel=1e-3)


def test_settings_that_leave_a_loop_unstable_are_no_answer() -> None:
    """A plant that swings by itself almost without damping, sampled: found by random trials."""
    squared, damping = 1.0 / 1.03**2, 2.0 * 0.00084 / 1.03
    swings = np.polymul([squared, damping, 1.0], [2.24, 1.0]).tolist()
    model = LoopModel.from_transfer_function([-0.2756], swings, 0.0398)
    frame = PidSettings(
        kc=1.0, ti_s=1.0, reading="linear", scan_time_s=0.39575, computation_delay_s=0.0
    )
    finder = Finder([model], frame)
    with pytest.raises(Infeasible, match="loop is stable") as refused:
        optimum_of(finder, LoopLimits(ms=1.6))
    assert "damping" in refused.value.reason
