"""Scenarios: each happens as described and may be asked for by name; the setpoint's own."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

import chamberctl as cc
from chamberctl.control.tuning import rule_tuning
from chamberctl.errors import Infeasible, InputError
from chamberctl.plant.operating import operating_point
from chamberctl.simulation.days import days
from chamberctl.simulation.disturbances import reachable_rates
from chamberctl.simulation.prepared import Situation
from chamberctl.simulation.scenarios import SCENARIOS, build, corners, simulate
from tests.simulation.tried import (
    CALM,
    MBAR,
    at,
    furnace,
    output_of,
    point_of,
    reference,
    texts,
    tried,
)


@pytest.mark.parametrize("preset", ["crystal-furnace", "reference-plant"])
def test_every_scenario_runs_to_its_end_or_says_why_it_cannot_happen(preset: str) -> None:
    tuning = rule_tuning(cc.load(f"preset:{preset}"))
    impossible = set()
    for name in SCENARIOS:
        try:
            run = simulate(tuning.study, tuning, name)
        except Infeasible:
            impossible.add(name)
            continue
        assert run.trace.complete, name
        assert run.prepared.event_s <= run.prepared.settled_s < run.trace.time_s[-1], name
        for column, values in run.trace.columns.items():
            assert np.isfinite(values).all(), (name, column)
    assert impossible <= {"gas-change", "clogging-line"}


def test_a_steady_start_stays_steady() -> None:
    """Nothing moves before anything happens, in any scenario that begins at the hold."""
    elsewhere = {"pump-down", "return-from-standby", "clogging-line", "gas-change"}
    for name in sorted(set(SCENARIOS) - elsewhere):
        run = tried(name)
        before = slice(0, at(run, 9.9))
        assert np.ptp(output_of(run)[before]) < 1e-12, name
        assert np.ptp(run.trace.pressure_pa[before]) < 1e-8 * 500.0, name


def test_the_same_seed_gives_the_same_noise_and_no_seed_gives_none() -> None:
    study = reference(("system.gauge[0].noise", "1 %"))
    point = point_of(study)
    first, again, other, quiet = (
        simulate(study, CALM, "gas-step", point=point, seed=seed).trace.columns["reading"]
        for seed in (1, 1, 2, None)
    )
    assert np.array_equal(first, again)
    assert not np.array_equal(first, other)
    assert np.ptp(quiet[:50]) < 1e-12 < np.std(first[:50])


def test_an_unknown_scenario_is_refused_with_the_nearest_name() -> None:
    with pytest.raises(InputError, match="did you mean 'gas-burst'"):
        tried("gas-brust")


def test_a_point_that_cannot_be_held_starts_nothing() -> None:
    study = reference()
    point = replace(point_of(study), feasible=False, reason="Too far down.")
    with pytest.raises(Infeasible, match="Too far down"):
        build(study, CALM, point, "gas-step")


def test_the_corners_of_the_envelope() -> None:
    found = [point.where for point in corners(furnace())]
    assert found == [
        "10 mbar at 15 slm(0 degC)",
        "10 mbar at 30 slm(0 degC)",
        "25 mbar at 45 slm(0 degC)",
        "25 mbar at 80 slm(0 degC)",
    ]
    assert [point.where for point in corners(reference())] == [
        "1 mbar at 60 mbar L/s",
        "10 mbar at 250 mbar L/s",
    ]


def test_simulate_takes_the_worst_point_of_the_settings_it_tries() -> None:
    study = reference()
    tuning = rule_tuning(study)
    run = simulate(study, tuning, "gas-step")
    assert run.prepared.settings == tuning.settings
    assert run.prepared.point.where == tuning.points[tuning.worst["ms"][1]].where
    slower = replace(tuning.settings, kc=0.5 * tuning.settings.kc)
    assert simulate(study, slower, "gas-step").prepared.settings == slower


@pytest.mark.parametrize(("name", "factor"), [("setpoint-step-up", 1.1),
                                              ("setpoint-step-down", 0.9)])  # fmt: skip
def test_the_setpoint_steps_as_the_duty_says(name: str, factor: float) -> None:
    run = tried(name)
    assert run.trace.setpoint_pa[at(run, 9.9)] == pytest.approx(500.0)
    assert run.trace.setpoint_pa[at(run, 10.0)] == pytest.approx(factor * 500.0)
    assert run.trace.pressure_pa[-1] == pytest.approx(factor * 500.0, rel=1e-3)


def test_a_setpoint_ramp_beyond_the_reachable_rate_is_told_what_is_reachable() -> None:
    """A21: 10 mbar/s from 5 to 4 mbar; at 4 mbar full speed does (400 - 250)/500 = 0.3 mbar/s."""
    run = tried("setpoint-ramp", scenario__setpoint_ramp__rate="10 mbar/s")
    said = texts(run, "reachable rate")
    assert "asks for 10.0 mbar/s" in said or "asks for 10 mbar/s" in said
    assert "0.3 mbar/s" in said or "0.300 mbar/s" in said
    assert run.trace.setpoint_pa[at(run, 10.1)] == pytest.approx(400.0)


def test_a_ramp_that_takes_years_is_refused_before_memory_is_taken() -> None:
    with pytest.raises(InputError, match="at most 10000000 scans"):
        tried("setpoint-ramp", scenario__setpoint_ramp__rate="1e-8 mbar/s")


def test_a_ramp_to_where_the_loop_is_already_is_refused() -> None:
    """The setpoint of the point is a solution, and differs from the one typed in by rounding."""
    study = reference(("scenario.setpoint_ramp.to", "5 mbar"))
    point = replace(point_of(study), indicated_pa=5 * MBAR * (1.0 - 1e-12))
    with pytest.raises(InputError, match="another setpoint"):
        simulate(study, CALM, "setpoint-ramp", point=point)


def test_a_ramp_in_decades_per_minute_is_straight_over_the_logarithm() -> None:
    run = tried(
        "setpoint-ramp",
        scenario__setpoint_ramp__decades_per_minute="0.6",
        scenario__setpoint_ramp__to="8 mbar",
    )
    length = 60.0 * math.log10(1.6) / 0.6
    assert run.prepared.settled_s - run.prepared.event_s == pytest.approx(length)
    middle = run.trace.setpoint_pa[at(run, 15.0)]
    assert math.log10(middle / 500.0) == pytest.approx(0.05)


def test_rates_of_fall_and_rise_are_the_quasi_steady_ones() -> None:
    """A02: at 5 mbar and 250 mbar L/s down (500 - 250)/500, up (250 - 100)/500 mbar/s."""
    study = reference()
    point = point_of(study)
    situation = Situation(study, CALM, point, point.speed)
    place = np.array([500.0])
    fall, rise = (reachable_rates(situation, place, falls=falls)[0] for falls in (True, False))
    assert fall == pytest.approx(50.0)
    assert rise == pytest.approx(30.0)


def test_where_the_gas_cannot_lift_the_pressure_the_ramp_says_so() -> None:
    study = reference(("scenario.setpoint_ramp.to", "4 mbar"))
    point = operating_point(study.system, indicated_pa=250.0, gas_load_pa_m3_s=6.0)
    run = simulate(study, CALM, "setpoint-ramp", point=point)
    assert "cannot rise" in texts(run, "reachable rate")
    assert "No gain helps" in texts(run, "outside the window")


def test_of_many_days_the_one_that_takes_years_is_named_with_its_file() -> None:
    study = reference(("scenario.setpoint_ramp.rate", "1e-8 mbar/s"))
    with pytest.raises(
        InputError, match=r"preset:reference-plant: scenario setpoint-ramp: .*at most 10000000"
    ):
        days(study, rule_tuning(study), [point_of(study)])
