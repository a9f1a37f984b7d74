"""Changed studies found from near by: the same answers as the bracketed search gives."""

from __future__ import annotations

import random

import numpy as np
import pytest

from chamberctl.plant import nearby
from chamberctl.plant.chain import build_chain
from chamberctl.plant.linearize import linearize
from chamberctl.plant.nearby import GAS_LOAD, SPEED, Held, States, settle
from chamberctl.plant.response import response
from chamberctl.plant.small_signal import loop_models
from chamberctl.plant.tolerances import envelope_cases, toleranced_fields, vary
from chamberctl.plant.variations import outcomes
from chamberctl.plant.window import duty_points, operating_window
from chamberctl.study import Study, load
from tests.house import EVERY_PRESET

FAR = {"duty.hold[0].setpoint": "9 mbar", "duty.hold[3].setpoint": "1 mbar"}


def shaken(study: Study, seed: int) -> Study:
    """Every uncertain field anywhere within its tolerance."""
    chance = random.Random(seed)
    for path, tolerance, _ in toleranced_fields(study):
        study = vary(study, path, 1.0 + chance.uniform(-0.9, 0.9) * tolerance)
    return study


def changed_studies(study: Study) -> list[Study]:
    return [shaken(study, 1), *(case.study for case in envelope_cases(study))]


@pytest.mark.parametrize("name", ["reference-plant", "crystal-furnace"])
def test_window_points_and_response_are_those_of_the_bracketed_search(name: str) -> None:
    study = load(f"preset:{name}")
    if name == "reference-plant":
        study = study.with_text(FAR)
    changed = changed_studies(study)[:2]
    for one, outcome in zip(changed, outcomes(study, duty_points(study), changed), strict=True):
        window = operating_window(one, n_speeds=2)
        points = window.duty_points
        assert list(outcome.held) == [point.feasible for point in points]
        row = [list(window.gas_loads_pa_m3_s).index(point.gas_load_pa_m3_s) for point in points]
        for name in ("lowest_pa", "highest_pa", "lowest_indicated_pa", "highest_indicated_pa"):
            expected = getattr(window, name)[row]
            np.testing.assert_allclose(getattr(outcome, name), expected, rtol=1e-9)
        moved = response(outcome)
        for values, name in (
            (outcome.speed, "speed"),
            (outcome.authority, "authority_gauge"),
            (moved.time_constant_s, "time_constant_s"),
            (moved.slew_down_pa_s, "slew_down_pa_s"),
            (moved.slew_up_pa_s, "slew_up_pa_s"),
        ):
            expected = [getattr(p, name) if p.feasible else np.nan for p in points]
            np.testing.assert_allclose(values, expected, rtol=1e-8, atol=1e-9)


@pytest.mark.parametrize("name", EVERY_PRESET)
def test_models_of_many_states_are_those_of_python_control(name: str) -> None:
    study = load(f"preset:{name}")
    points = duty_points(study)
    outcome = outcomes(study, points, [study])[0]
    usable = [i for i, p in enumerate(points) if p.feasible and not p.limited_by]
    models = loop_models(outcome, np.array(usable), [points[i].where for i in usable])
    for point, quick in zip([points[i] for i in usable], models, strict=True):
        exact = linearize(study.system, point, study.loop_gauge())
        assert quick.where == exact.where
        assert quick.dead_time_s == exact.dead_time_s
        assert quick.reading_pa == pytest.approx(exact.reading_pa, rel=1e-9)
        for omega in (1e-4, 0.02, 1.0, 30.0):
            expected, found = exact.plant(1j * omega), quick.plant(1j * omega)
            np.testing.assert_allclose(found[:, 0], expected[:, 0], rtol=2e-5, atol=1e-12)
            load_ratio = exact.load_scale_pa_m3_s / quick.load_scale_pa_m3_s
            np.testing.assert_allclose(
                found[:, 1] * load_ratio, expected[:, 1], rtol=2e-5, atol=1e-12
            )


def test_a_wide_line_is_walked_to_and_not_jumped_past() -> None:
    """Flow goes with the root of a difference of 2 Pa in 3.5 kPa: whole steps swing for ever."""
    study = load("preset:crystal-furnace")
    points = [point for point in duty_points(study) if point.feasible]
    chain = build_chain(study.system)
    start = States(
        np.array([p.node_pressures_pa for p in points]).T,
        np.array([p.speed for p in points]),
        np.array([p.gas_load_pa_m3_s for p in points]),
        np.ones(len(points), dtype=bool),
    )
    which = np.array([[SPEED] * len(points), [GAS_LOAD] * len(points)])
    slow = np.array([[0.25] * len(points), start.gas_load_pa_m3_s])
    found = settle(chain, start, Held(which, slow))
    assert found.found.all()
    flows = chain.net_flows(found.pressures_pa, found.speed, found.gas_load_pa_m3_s)
    assert np.max(np.abs(flows) / found.gas_load_pa_m3_s) < 1e-9


def test_what_has_no_steady_state_is_not_found() -> None:
    study = load("preset:reference-plant")
    point = duty_points(study)[0]
    start = States(
        np.array([[point.pressure_pa]]), np.array([0.5]), np.array([6.0]), np.array([True])
    )
    too_much = Held(np.array([[SPEED], [GAS_LOAD]]), np.array([[0.2], [1e5]]))
    assert not settle(build_chain(study.system), start, too_much).found[0]


def test_a_state_that_begins_nowhere_is_not_found_and_says_nothing() -> None:
    """Where the pumps cannot carry the gas there is no state to begin from; others go on."""
    study = load("preset:student-rig")
    point, chain = duty_points(study)[0], build_chain(study.system)
    pressures = np.array(point.node_pressures_pa)
    speeds, loads = np.full(2, point.speed), np.full(2, point.gas_load_pa_m3_s)
    start = States(
        np.stack([np.full(chain.size, np.nan), pressures], axis=1), speeds, loads, speeds > 0.0
    )
    held = Held(np.array([[SPEED] * 2, [GAS_LOAD] * 2]), np.array([0.9 * speeds, loads]))
    found = settle(chain, start, held)
    assert list(found.found) == [False, True]


def test_a_pump_set_that_carries_its_gas_only_at_speed_is_varied_in_silence() -> None:
    """At minimum speed the window has no end; warnings are errors here."""
    study = load("preset:student-rig").with_text({"system.backing.ultimate_pressure": "150 mbar"})
    points = duty_points(study)
    assert not any(point.feasible for point in points)
    found = outcomes(study, points, [shaken(study, 3)])[0]
    assert not found.held.any()


def test_where_steps_do_not_settle_the_bracketed_search_decides(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    study = load("preset:reference-plant").with_text(FAR)
    points, changed = duty_points(study), [shaken(study, 2)]
    expected = outcomes(study, points, changed)[0]
    moved = response(expected)
    monkeypatch.setattr(nearby, "ROUNDS", 1)
    found = outcomes(study, points, changed)[0]
    assert list(found.held) == list(expected.held)
    for name in ("lowest_pa", "highest_pa", "speed", "authority", "pressures_pa"):
        np.testing.assert_allclose(getattr(found, name), getattr(expected, name), rtol=1e-9)
    slower = response(found)
    for name in ("slew_down_pa_s", "slew_up_pa_s", "at_full_speed_pa"):
        np.testing.assert_allclose(
            getattr(slower, name), getattr(moved, name), rtol=1e-9, atol=1e-12
        )


def test_one_state_without_an_answer_does_not_spoil_the_others() -> None:
    matrix = np.array([[[0.0]], [[2.0]], [[np.nan]]])
    step = nearby._solved(matrix, np.ones((3, 1)))
    np.testing.assert_array_equal(step, [[np.nan, -0.5, np.nan]])


def test_systems_with_other_parts_are_not_stacked() -> None:
    furnace = load("preset:crystal-furnace")
    chains = [build_chain(case.study.system) for case in envelope_cases(furnace)]
    own = build_chain(furnace.system)
    assert nearby.same_shape(own, own)
    assert not nearby.same_shape(own, chains[0])  # a table of leakage instead of numbers


@pytest.mark.parametrize("name", ["freeze-dryer", "heat-treatment-furnace"])
def test_systems_with_tables_of_their_own_flow_as_each_does_alone(name: str) -> None:
    study = load(f"preset:{name}")
    paths = [f.path for f in toleranced_fields(study) if "backing" in f.path or "booster" in f.path]
    changed = [vary(study, path, 1.07).system for path in paths]
    chains = [build_chain(system) for system in (study.system, *changed)]
    for group in nearby.in_groups(chains):
        some = [chains[i] for i in group]
        together = nearby.stacked(some, range(1, len(some) + 1))
        count = len(some) * (len(some) + 1) // 2
        pressures = np.geomspace(3.0, 3e3, count * some[0].size).reshape(count, -1).T
        speed, load_pa_m3_s = np.linspace(0.2, 1.0, count), np.full(count, 2.0)
        flows = together.net_flows(pressures + 1e-30j, speed, load_pa_m3_s)
        end = np.cumsum(range(1, len(some) + 1))
        for chain, last, size in zip(some, end, range(1, len(some) + 1), strict=True):
            own = slice(last - size, last)
            alone = chain.net_flows(pressures[:, own] + 1e-30j, speed[own], load_pa_m3_s[own])
            np.testing.assert_allclose(flows[:, own], alone, rtol=1e-13)
    tables = {chain.curves.tobytes() for chain in chains}
    assert len(tables) > len(nearby.in_groups(chains))
