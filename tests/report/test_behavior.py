"""How the loop behaves, in the report: every scenario at the corners, and what breaks a limit."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

import chamberctl as cc
from chamberctl import figures
from chamberctl.control.tuning import rule_tuning
from chamberctl.display import Display, number
from chamberctl.report import behavior_text, days_of, exports, gains_text
from chamberctl.report.tables import Table
from chamberctl.report.verdict import verdict
from chamberctl.simulation.days import Day, days
from chamberctl.simulation.metrics import LIMITS
from chamberctl.simulation.parting import Parting, linear_prediction, parting
from chamberctl.simulation.scenarios import SCENARIOS, corners

QUICK = ("crystal-furnace", "student-rig")
PRESETS = [
    pytest.param(name, marks=[] if name in QUICK else pytest.mark.slow)
    for name in sorted(cc.presets())
]
STEPS = ("setpoint-step-down", "gas-step")

Made = tuple[cc.Study, cc.Tuning, cc.OperatingWindow, tuple[Day, ...]]


@pytest.fixture(scope="module", params=PRESETS)
def made(request: pytest.FixtureRequest) -> Made:
    """A preset's days at all corners: the scenarios that the pictures show, and one fault."""
    study = cc.load(f"preset:{request.param}")
    tuning, window = rule_tuning(study), cc.operating_window(study)
    names = (*STEPS, "pump-down", "return-from-standby", "gauge-fault-zero")
    return study, tuning, window, days(study, tuning, corners(study, window.duty_points), names)


def limited(**limits: str) -> Made:
    """The reference plant with further limits of the duty, and a few of its days."""
    given = {f"duty.limits.{name}": value for name, value in limits.items()}
    study = cc.load("preset:reference-plant").with_text(given)
    tuning, window = rule_tuning(study), cc.operating_window(study)
    return study, tuning, window, days(study, tuning, corners(study, window.duty_points), STEPS)


def cells(table: Table) -> list[Sequence[str]]:
    return [row.cells for row in table.rows]


def section_of(study: cc.Study, tuning: cc.Tuning, found: Sequence[Day]) -> dict[str, Any]:
    return behavior_text.section(study, found, behavior_text.corner(tuning, found))


def test_a_report_runs_every_scenario_at_every_corner() -> None:
    study = cc.load("preset:reference-plant")
    tuning, window = rule_tuning(study), cc.operating_window(study)
    places = corners(study, window.duty_points)
    found = days_of(study, tuning)
    assert [(day.scenario.name, day.point.where) for day in found] == [
        (name, place.where) for name in SCENARIOS for place in places
    ]
    refusal = cc.Infeasible("no point can be held", "")
    assert days_of(study, refusal) == ()


def test_the_table_holds_the_metrics_of_every_run(made: Made) -> None:
    study, _, _, found = made
    names = [name for _, _, name in study.duty_points()]
    ran = sorted(
        (day for day in found if day.run is not None),
        key=lambda day: (list(SCENARIOS).index(day.scenario.name), names.index(day.point.where)),
    )
    table = behavior_text.table(study, found)
    rows = [row for row in cells(table) if row[0] != "Limits of the duty"]
    assert len(rows) == len(ran)
    for row, day in zip(rows, ran, strict=True):
        assert day.run is not None
        assert len(row) == len(table.columns)
        assert row[1] == str(names.index(day.point.where) + 1)
        metrics = day.run.metrics
        settled = "not" if math.isinf(metrics.settling_s) else number(metrics.settling_s)
        assert row[4] == settled
        assert row[8] == number(metrics.drive_travel_per_h)
        if 0.0 < metrics.overshoot < 5e-4:
            assert row[2] == "< 0.05"
        elif not math.isnan(metrics.overshoot):
            assert float(row[2]) == pytest.approx(100 * metrics.overshoot, rel=0.01, abs=0.006)
    assert not any("e-" in cell for row in rows for cell in row[2:8])
    assert ("Booster difference" in [column.name for column in table.columns]) == (
        study.system.booster is not None
    )


def test_the_pictures_show_the_corner_with_the_worst_margins(made: Made) -> None:
    study, tuning, _, found = made
    worst = behavior_text.worst_corner(tuning, found)
    at_corners = {day.point.where for day in found}
    largest = max(p.margins.ms for p in tuning.points if p.where in at_corners)
    assert next(p.margins.ms for p in tuning.points if p.where == worst) == largest
    pictures = behavior_text.pictures(study, behavior_text.corner(tuning, found))
    assert len(pictures) == 2
    for picture in pictures:
        assert 'role="img" aria-label="' in picture.svg
        assert f"Point {behavior_text.label(study, worst)}," in picture.caption
    first = pictures[0].svg
    for name in STEPS:
        assert f"{SCENARIOS[name].title}: the indicated pressure moves between" in first


def test_where_run_and_linear_prediction_part_company_is_said(made: Made) -> None:
    study, tuning, _, found = made
    section = section_of(study, tuning, found)
    worst = behavior_text.worst_corner(tuning, found)
    model = next(point.model for point in tuning.points if point.where == worst)
    shown = [d for d in found if d.point.where == worst and d.run and d.scenario.name in STEPS]
    assert len(section["parting"]) == len(shown) == len(STEPS)
    for sentence, day in zip(section["parting"], shown, strict=True):
        assert day.run is not None
        predicted = linear_prediction(day.run.prepared, model, day.run.trace)
        assert predicted is not None
        apart = parting(day.run.prepared, day.run.trace, predicted)
        assert sentence.startswith(f"{day.scenario.title} at point ")
        if math.isinf(apart.after_s):
            assert "stay together" in sentence
        else:
            assert f"part company {number(apart.after_s)} s after the step" in sentence
            assert all(reason in sentence for reason in apart.reasons)


def test_a_small_step_stays_with_its_prediction_and_a_large_one_does_not() -> None:
    """The linear loop is a promise near its point; the drive's ramp breaks it far from there."""

    def apart(step: str) -> Parting:
        study = cc.load("preset:reference-plant").with_text({"duty.setpoint_step": step})
        tuning = rule_tuning(study)
        place = tuning.points[0]
        (day,) = days(study, tuning, [place.point], ["setpoint-step-down"])
        assert day.run is not None
        predicted = linear_prediction(day.run.prepared, place.model, day.run.trace)
        assert predicted is not None
        return parting(day.run.prepared, day.run.trace, predicted)

    small, large = apart("0.1 %"), apart("60 %")
    assert math.isinf(small.after_s)
    assert small.largest < 1e-4
    assert large.after_s < 60.0
    assert large.reasons


def test_without_limits_the_numbers_stand_without_a_verdict() -> None:
    study, tuning, window, found = limited()
    section = section_of(study, tuning, found)
    assert "none are built in" in section["text"][1]
    assert "Limits of the duty" not in [row[0] for row in cells(section["table"])]
    assert "Limits" not in [column.name for column in section["table"].columns]
    assert behavior_text.broken(study, found) == []
    assert verdict(study, tuning, window, found).good


def test_a_limit_that_a_run_breaks_turns_the_answer_into_a_no() -> None:
    study, tuning, window, found = limited(overshoot="0.01 %", recovery="1 h")
    assert tuning.holds
    assert verdict(study, tuning, window).good
    answer = verdict(study, tuning, window, found)
    assert not answer.good
    failing = [day for day in found if not day.holds]
    assert failing
    assert f"{len(failing)} simulated run" in answer.lead
    sentence = next(point for point in answer.points if "Overshoot" in point)
    assert "the duty asks for at most 0.01 % of setpoint" in sentence
    section = section_of(study, tuning, found)
    assert (
        "overshoot at most 0.01 % of setpoint and recovery time at most 3600 s"
        in (section["text"][1])
    )
    rows = cells(section["table"])
    assert list(rows[0][:3]) == ["Limits of the duty", "", "\u2264 0.01"]
    assert [row[-1] for row in rows[1:]] == [
        "kept" if day.holds else "broken: overshoot" for day in found
    ]


def test_limits_that_every_run_keeps_leave_a_yes() -> None:
    study, tuning, window, found = limited(overshoot="90 %", peak_deviation="90 %")
    answer = verdict(study, tuning, window, found)
    assert answer.good
    section = section_of(study, tuning, found)
    assert f"{len(found)} of {len(found)} runs keep the duty's limits" in section["text"][1]


def test_findings_are_said_once_for_all_points_they_hold_for() -> None:
    """Scenario by scenario; what is the purpose of a wrong action is not a finding beside it."""
    study = cc.load("preset:reference-plant")
    tuning = rule_tuning(study)
    places = [tuning.points[-1].point, tuning.points[0].point]
    found = days(study, tuning, places, ["wrong-sense", "gauge-fault-last", "gas-step"])
    said = behavior_text.findings(study, found)
    assert [finding.subject for finding in said] == ["Wrong action", "Gauge freezes"]
    last = len(study.duty_points())
    assert said[0].text.startswith(f"Points 1 and {last}: Wrong action: positive feedback.")
    assert "never came" not in said[0].text
    assert said[1].text.count("does not notice") == 1


def test_what_cannot_happen_is_said_with_its_reason() -> None:
    study = cc.load("preset:reference-plant")
    tuning = rule_tuning(study)
    (day,) = days(study, tuning, [tuning.points[0].point], ["setpoint-step-down"])
    blocked = replace(day, run=None, refusal="there is no line to clog")
    assert behavior_text.refusals([blocked, blocked]) == [
        "Setpoint step down: there is no line to clog"
    ]
    assert blocked.holds
    assert cells(behavior_text.table(study, [blocked])) == []


def test_a14_the_sheet_names_both_ramps_of_the_drive_and_warns_of_a_second_one() -> None:
    """A14: 30 s up and 60 s down stand on the sheet; a double ramp gives a warning."""
    study = cc.load("preset:reference-plant").with_text(
        {"system.drive.fall_time": "60 s", "system.drive.second_ramp": "20 s"}
    )
    tuning = rule_tuning(study)
    sheet = exports.gains_csv(study, tuning)
    assert '"Drive ramp, rising",30,s' in sheet
    assert '"Drive ramp, falling",60,s' in sheet
    assert "Second ramp,20,s" in sheet
    shown = dict(gains_text.handover(study, tuning))["Ramps of the drive"]
    assert shown.startswith("from standstill to rated in 30 s, back in 60 s; a second ramp of 20 s")
    assert any(finding.subject == "double ramp" for finding in tuning.findings)


@pytest.mark.parametrize(
    "name, sends", [("gauge-fault-zero", 0.0), ("gauge-fault-full", 1e4), ("gauge-fault-last", 5e2)]
)
def test_a16_a_gauge_fault_is_drawn_and_the_action_on_it_exported(name: str, sends: float) -> None:
    """A16: fails at 60 s to 0, full scale or last; the speed's response is in the picture."""
    study = cc.load("preset:reference-plant").with_text(
        {"scenario.lead": "60 s", "controller.bad_reading": "go to start output",
         "controller.start_output": "40 %", "scenario.gauge_fault.detected": "all"}
    )  # fmt: skip
    tuning = rule_tuning(study)
    point = next(p.point for p in tuning.points if p.where == study.duty_points()[4][2])
    run = cc.simulate(study, tuning, name, point=point)
    failing = (run.trace.time_s > 60.05) & (run.trace.time_s < 179.0)
    assert run.trace.columns["indicated_pa"][failing] == pytest.approx(sends, rel=1e-3)
    assert run.trace.columns["output"][failing] == pytest.approx(0.4)
    picture = figures.traces([behavior_text.curve(study, run)])
    speed = picture.axes[1].lines[-1]
    assert np.interp(100.0, speed.get_xdata(), speed.get_ydata()) == pytest.approx(40.0, abs=0.1)
    assert "On a bad reading,go to start output" in exports.gains_csv(study, tuning)


def test_a_curve_is_in_the_units_of_the_study(made: Made) -> None:
    study, _, _, found = made
    run = next(day.run for day in found if day.run is not None)
    curve = behavior_text.curve(study, run)
    unit = Display.of(study)
    assert curve.unit == unit.pressure
    assert curve.setpoint == pytest.approx(unit.to_pressure(run.trace.setpoint_pa))
    assert set(LIMITS) >= {"overshoot", "undershoot"}
