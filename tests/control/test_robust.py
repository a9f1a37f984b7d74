"""Settings for a whole envelope: brute force, denser checks, and requests that cannot be met."""

from __future__ import annotations

import re
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

import chamberctl as cc
from chamberctl.control.calmness import recovery, slowest
from chamberctl.control.dense_envelope import hold_between
from chamberctl.control.duty_loops import settings_frame
from chamberctl.control.envelope import envelope_of
from chamberctl.control.margins import margins
from chamberctl.control.pace import PACES, LoopLimits
from chamberctl.control.response import sampled_response
from chamberctl.control.robust import RobustOptimum, robust_settings
from chamberctl.control.tolerance_cases import Cases
from chamberctl.control.trade_off import trade_off
from chamberctl.errors import Infeasible
from chamberctl.plant.linear import LoopModel
from chamberctl.plant.tolerances import vary
from chamberctl.plant.window import duty_points
from chamberctl.study import preset_path, presets
from tests import studies

#: Two presets with the slow tests, all of them by hand.
PRESETS = [
    pytest.param(
        name,
        marks=pytest.mark.slow
        if name in ("reference-plant", "crystal-furnace")
        else pytest.mark.thorough,
    )
    for name in presets()
]


@cache
def furnace() -> cc.Study:
    return cc.load("preset:crystal-furnace")


@cache
def small() -> cc.Study:
    return cc.load("preset:reference-plant")


@cache
def balanced() -> RobustOptimum:
    """The reference plant with everything found out."""
    return robust_settings(small())


def _orders(study: cc.Study) -> tuple[str, ...]:
    stated = study.controller.integral
    return ("after", "before") if stated == "unknown" else (stated,)


def _breaks(study: cc.Study, models: list[LoopModel], laws: list, ms: float) -> np.ndarray:
    """Return which laws break Ms or Mt at some plant: by margins alone, plant after plant."""
    broken = np.zeros(len(laws), dtype=bool)
    for model in models:
        for order in _orders(study):
            left = np.flatnonzero(~broken)
            if left.size == 0:
                return broken
            tried = [replace(laws[i], integral=order) for i in left]
            found = margins([model] * left.size, tried)
            broken[left] = ~found.stable | (found.ms > ms) | (found.mt > ms)
    return broken


def _brute_force(study: cc.Study, found: RobustOptimum, step: float, reach: float) -> None:
    """Hold an optimum against all gains and integral times of a grid around it.

    The grid has `reach` times more and less of either, in steps of `step`. No point with 0.5 % more
    integral action keeps the limits, and one with little less does.
    """
    ms, best = found.limits.ms, found.settings
    peaks = np.where(found.margins.stable, np.fmax(found.margins.ms, found.margins.mt), np.inf)
    models = [found.plants[i].model for i in np.argsort(-peaks)]
    count = int(np.log(reach) / np.log1p(step))
    factors = (1.0 + step) ** np.arange(-count, count + 1)
    gains, times = (part.ravel() for part in np.meshgrid(best.kc * factors, best.ti_s * factors))
    more = gains / times / found.integral_action
    laws = [replace(best, kc=k, ti_s=ti) for k, ti in zip(gains, times, strict=True)]
    above = [law for law, ratio in zip(laws, more, strict=True) if ratio > 1.0 / 0.995]
    assert len(above) > 0.4 * len(laws)
    assert np.all(_breaks(study, models, above, ms))
    slightly = (more < 1.0 - 0.5 * step) & (more > 1.0 - 4.0 * step)
    near = slightly & (abs(np.log(gains / best.kc)) < 5.0 * step)
    assert not np.all(_breaks(study, models, [laws[i] for i in np.flatnonzero(near)], ms))


def test_no_point_of_a_grid_has_more_integral_action() -> None:
    _brute_force(small(), balanced(), step=0.08, reach=1.5)


@pytest.mark.parametrize("name", PRESETS)
def test_no_point_of_a_fine_grid_has_more_integral_action(name: str) -> None:
    study = cc.load(f"preset:{name}")
    found = robust_settings(study, dense=False, explain=False)
    _brute_force(study, found, step=0.01, reach=3.0)


def _between(study: cc.Study, seed: int, count: int) -> list[LoopModel]:
    """Return plants within the envelope: gas loads and tolerances between their ends, by chance.

    Made by `linearize` from studies in which each field of volume, pumping speed, dead time and lag
    is moved on its own.
    """
    rng = np.random.default_rng(seed)
    keys = ("volume", "displacement", "dead_time")
    models: list[LoopModel] = []
    while len(models) < count:
        changed = study
        for path, origin in study.provenance.items():
            if path.rpartition(".")[2] in keys and origin.tolerance:
                changed = vary(changed, path, 1.0 + origin.tolerance * rng.uniform(-1.0, 1.0))
        hold = study.duty.holds[rng.integers(len(study.duty.holds))]
        low, high = min(hold.gas_loads_pa_m3_s), max(hold.gas_loads_pa_m3_s)
        load = low * (high / low) ** rng.uniform()
        point = cc.operating_point(
            changed.system,
            indicated_pa=hold.setpoint_pa,
            gas_load_pa_m3_s=load + changed.system.gas_load.unmetered_pa_m3_s,
            gauge=study.loop_gauge(),
        )
        models.append(cc.linearize(changed.system, point, study.loop_gauge()))
    return models


def test_between_the_plants_that_were_tuned_for_the_limits_hold() -> None:
    found = balanced()
    assert found.check is not None
    assert found.check.plants >= 10 * len(found.plants)
    every = margins(_between(small(), 5, 60), found.settings)
    assert np.all(every.stable)
    assert np.max(every.ms) <= 1.6 + 1e-3
    assert np.max(every.mt) <= 1.6 + 1e-3
    assert np.all(found.margins.ms <= 1.6 + 1e-3)


@pytest.mark.parametrize("name", PRESETS)
@pytest.mark.parametrize("pace", PACES)
def test_settings_of_every_preset_and_pace_hold_densely(name: str, pace: str) -> None:
    study = cc.load(f"preset:{name}")
    ms = PACES[pace]
    found = robust_settings(study, ms_limit=ms, explain=False)
    assert found.check is not None
    assert found.check.plants >= 10 * len(found.plants)
    assert found.check.worst_corner_ms >= ms - 0.2
    for order in _orders(study):
        every = margins([p.model for p in found.plants], replace(found.settings, integral=order))
        assert np.all(every.stable)
        assert np.max(every.ms) <= ms + 1e-3
        assert np.max(every.mt) <= ms + 1e-3


@pytest.mark.slow
def test_plants_of_the_denser_check_join_where_they_must() -> None:
    # gas loads a decade apart: the hardest plant lies between them
    study = cc.load("preset:heat-treatment-furnace")
    rough = robust_settings(study, dense=False, explain=False)
    found = robust_settings(study, explain=False)
    assert found.check is not None
    assert found.check.joined
    assert [plant.where for plant in found.plants[len(rough.plants) :]] == [*found.check.joined]
    assert found.integral_action < rough.integral_action
    (finding,) = (f for f in found.findings if f.subject == "denser check")
    assert found.check.joined[0] in finding.text


@pytest.mark.slow
def test_limits_hold_at_any_setpoint_between_holds_a_decade_apart() -> None:
    """The highest Ms lies just above a hold, at 1.09 mbar: 1 % over where it is not looked for."""
    study = cc.load("preset:heat-treatment-furnace")
    found = robust_settings(study, ms_limit=1.6, explain=False)
    hardest = {plant.case.label: plant.case for plant in found.plants if len(plant.case.ends) > 1}
    rng, low, high = (
        np.random.default_rng(11),
        *sorted(study.duty.holds, key=lambda hold: hold.setpoint_pa)[1:],
    )
    near = [hold_between(low, high, share) for share in (0.03, 0.0374, 0.045)]
    anywhere = [hold_between(low, high, share) for share in rng.uniform(size=40)]
    duty = study.duty.model_copy(update={"holds": (*near, *anywhere)})
    there = study.model_copy(update={"duty": duty})
    cases = Cases(there)
    plants = envelope_of(
        there, duty_points(there), [cases.same(case) for case in hardest.values()]
    ).plants
    assert len(plants) > 500
    every = margins([plant.model for plant in plants], found.settings)
    assert np.max(every.ms) <= 1.6 * (1.0 + 1e-3)
    assert np.max(every.mt) <= 1.6 * (1.0 + 1e-3)


def test_an_optimum_says_where_it_ends_and_what_would_give_more() -> None:
    found = balanced()
    first = found.bindings[0]
    where = found.plants[first.plant].where
    assert "volumes -5 %, pumping speeds +5 %, dead times and lags +20 %" in where
    assert f"Ms at {where}" in found.why[1]
    by_name = {one.name: one for one in found.relaxations}
    assert by_name["ms"].text.startswith("allowing Ms 1.7 instead of 1.6 gives ")
    looser = robust_settings(small(), limits=LoopLimits(1.7, mt=1.6), dense=False, explain=False)
    ratio = looser.integral_action / found.integral_action - 1.0
    assert by_name["ms"].more == pytest.approx(ratio, abs=2e-3)
    delays = by_name["dead times and lags"]
    assert delays.text.startswith("knowing dead times and lags exactly gives ")
    assert delays.more > 0.05
    assert [one.more for one in found.relaxations] == sorted(
        (one.more for one in found.relaxations), reverse=True
    )


def test_what_a_known_dead_time_is_worth_is_what_it_gives_when_it_is_known(tmp_path) -> None:
    text = preset_path("reference-plant").read_text(encoding="utf-8")
    line = re.compile(r'^dead_time = \{ is = ("[^"]+"), .+$', re.MULTILINE)
    known, count = line.subn(r'dead_time = { is = \1, basis = "measured" }', text)
    assert count == 1
    study = cc.load(studies.write(tmp_path, known))
    exact = robust_settings(study, dense=False, explain=False)
    promised = {one.name: one.more for one in balanced().relaxations}["dead times and lags"]
    gained = exact.integral_action / balanced().integral_action - 1.0
    assert promised == pytest.approx(gained, abs=2e-3)


def test_a_loop_calmer_than_the_plant_itself_is_refused_with_the_nearest_one() -> None:
    with pytest.raises(Infeasible, match="slower than the plant by itself") as error:
        robust_settings(small(), ms_limit=1.1)
    assert error.value.nearest.startswith("Nearest: Ms 1.2, the lowest usual one; with Ms 1.")
    nearest = float(re.findall(r"Ms (1\.\d+)", error.value.nearest)[1])
    calmer, found = (
        robust_settings(small(), ms_limit=ms, dense=False, explain=False)
        for ms in (nearest - 0.01, nearest)
    )
    ratios = [
        slowest(one.plants, one.settings.reading, one.integral_action).ratio
        for one in (calmer, found)
    ]
    assert ratios[0] > 1.0 >= ratios[1]


def test_just_below_the_nearest_ms_the_loop_is_still_too_calm() -> None:
    study = cc.load("preset:student-rig")
    robust_settings(study, ms_limit=1.12, dense=False, explain=False)
    with pytest.raises(Infeasible, match=r"slower.*Nearest: Ms 1\.12\."):
        robust_settings(study, ms_limit=1.11, dense=False, explain=False)


def test_recovery_is_the_integrated_error_of_the_response() -> None:
    found = balanced()
    model = next(plant.model for plant in found.plants if not plant.case.label)
    told = recovery("", model, "log10", found.integral_action)
    closed = sampled_response(model, found.settings, gas_load_step=0.1, duration_s=400.0)
    still = sampled_response(
        model, replace(found.settings, kc=1e-12), gas_load_step=0.1, duration_s=400.0
    )
    lasting = still.reading[-1]
    area = np.trapezoid(closed.reading, closed.time_s) / lasting
    assert area == pytest.approx(told.loop_s, rel=2e-3)
    own = np.trapezoid(lasting - still.reading, still.time_s) / lasting
    assert own == pytest.approx(told.own_s, rel=2e-3)
    assert told.ratio == told.loop_s / told.own_s


def test_a_setpoint_outside_the_window_is_no_and_the_others_are_tuned(tmp_path) -> None:
    path = studies.reference_study(
        tmp_path, ("2 mbar", ("60 mbar L/s",)), ("0.2 mbar", ("60 mbar L/s",))
    )
    found = robust_settings(cc.load(path), dense=False, explain=False)
    (no,) = (finding for finding in found.findings if finding.severity == "no")
    assert "0.2 mbar" in no.text
    assert "not reachable" in no.text
    assert {plant.at for plant in found.plants} == {"2 mbar at 60 mbar L/s"}


def test_nothing_within_the_window_is_refused_with_the_nearest_pressure(tmp_path) -> None:
    path = studies.reference_study(tmp_path, ("0.2 mbar", ("60 mbar L/s",)))
    with pytest.raises(Infeasible, match="No duty point can be held by speed") as error:
        robust_settings(cc.load(path))
    assert "Nearest" in error.value.nearest


def test_a_noise_limit_holds_between_the_plants_too() -> None:
    free = balanced().noise_gain
    limits = LoopLimits(1.6, mt=1.6, noise_gain=0.7 * free)
    found = robust_settings(small(), limits=limits, explain=False)
    assert found.noise_gain == pytest.approx(0.7 * free, rel=1e-3)
    assert found.bindings[0].limit == "noise_gain"
    assert found.integral_action < balanced().integral_action


def test_a_linear_reading_costs_integral_action_over_the_same_duty() -> None:
    linear = small().model_copy(
        update={"controller": small().controller.model_copy(update={"reading": "linear"})}
    )
    found = robust_settings(linear, dense=False, explain=False)
    assert found.settings.reading == "linear"
    # the deviation lasts longer, because one gain has to do for a decade of pressure
    assert found.recovery.loop_s > 2.0 * balanced().recovery.loop_s


def test_the_trade_off_rises_with_ms_and_passes_through_the_optimum() -> None:
    found = balanced()
    curve = trade_off(small(), found, (1.4, 1.6, 2.0))
    assert np.all(np.diff(curve.integral_action) > 0.0)
    assert np.all(np.diff(curve.recovery_s) < 0.0)
    assert curve.integral_action[1] == pytest.approx(found.integral_action, rel=1e-3)
    assert curve.kc[1] == pytest.approx(found.settings.kc, rel=0.02)
    assert curve.noise_gain[1] == pytest.approx(found.noise_gain, rel=0.02)
    assert curve.recovery_s[1] == pytest.approx(found.recovery.loop_s, rel=1e-3)
    assert (curve.chosen_ms, curve.structure, curve.reading) == (1.6, "PI", "log10")


def test_where_nothing_holds_the_trade_off_has_a_gap() -> None:
    strict = replace(balanced(), limits=LoopLimits(1.6, mt=1.6, disk_margin=1.9999))
    curve = trade_off(small(), strict, (1.6,))
    assert np.all(np.isnan(curve.kc)) or curve.kc[0] < 0.01 * balanced().settings.kc


def test_duty_points_that_a_case_loses_are_reported() -> None:
    found = robust_settings(furnace(), duty_points(furnace()), dense=False, explain=False)
    assert found.lost
    (finding,) = (f for f in found.findings if f.subject == "duty points at risk")
    assert found.lost[0].where in finding.text


def test_margins_that_the_duty_asks_for_are_kept() -> None:
    limits = small().duty.limits.model_copy(update={"phase_margin_deg": 65.0, "ms": 1.5})
    duty = small().duty.model_copy(update={"limits": limits})
    found = robust_settings(small().model_copy(update={"duty": duty}), explain=False)
    assert found.limits.ms == found.limits.mt == 1.5
    assert np.min(found.margins.phase_margin_deg) == pytest.approx(65.0, rel=1e-3)
    assert found.bindings[0].limit == "phase_margin_deg"
    assert "phase margin 65 deg" in found.why[0]
    assert found.integral_action < balanced().integral_action


def test_a_plant_on_which_more_speed_raises_the_reading_is_refused_as_such() -> None:
    points = [replace(point, authority_gauge=-0.2) for point in duty_points(small())]
    with pytest.raises(Infeasible, match="the plant has the wrong sign"):
        robust_settings(small(), points)


@pytest.mark.thorough
@pytest.mark.parametrize("ms", [1.4, 2.0])
def test_no_pid_law_drawn_by_chance_has_more_integral_action(ms: float) -> None:
    found = robust_settings(small(), ms_limit=ms, structure="PID", dense=False, explain=False)
    best, rng, count = found.settings, np.random.default_rng(3), 6000
    spread = np.where(np.arange(count) < count // 2, 0.05, 0.4)
    actions = found.integral_action * np.exp(rng.uniform(0.005, 1.0, count) * spread)
    gains = best.kc * np.exp(rng.normal(0.0, 1.0, count) * spread)
    times = gains / actions
    shares = np.clip(best.td_s / best.ti_s * np.exp(rng.normal(0.0, 2.0, count) * spread), 0, 0.25)
    laws = [
        replace(best, kc=k, ti_s=ti, td_s=td, tfd_s=td / 8.0)
        for k, ti, td in zip(gains, times, shares * times, strict=True)
    ]
    peaks = np.fmax(found.margins.ms, found.margins.mt)
    models = [found.plants[i].model for i in np.argsort(-peaks)]
    assert np.all(_breaks(small(), models, laws, ms))


def test_a_phase_margin_is_kept_with_all_the_integral_action_that_it_leaves() -> None:
    """3.91370 where every height is asked for anew; bounds from before plants joined gave 3.908."""
    study = cc.load("preset:student-rig")
    limits = LoopLimits(2.0, 2.0, phase_margin_deg=45.0)
    frame = replace(settings_frame(study), reading="log10")
    found = robust_settings(
        study, limits=limits, structure="PID", frame=frame, dense=False, explain=False
    )
    assert found.integral_action == pytest.approx(3.91370, rel=1e-4)
