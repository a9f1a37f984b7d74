"""The tour: its answers are the library's and the textbook's; wrong answers are told how."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

import chamberctl as cc
from chamberctl.control.margins import margins
from chamberctl.errors import InputError
from chamberctl.lessons.exercise import MBAR, exercise
from chamberctl.lessons.feedback import Asked, feedback
from chamberctl.lessons.runs import speed_step, time_at_full_speed, wound_up
from chamberctl.lessons.task import Task
from chamberctl.lessons.tour import TOUR, answer_key, data_csv
from chamberctl.workbench.curves import curves_picture

NUMBERS = (1, 7, 2026)
BY_NAME = {task.name: task for task in TOUR}


def expected(name: str, number: int) -> float:
    return BY_NAME[name].asked(exercise(number)).expected


def test_there_are_six_tasks_each_with_a_title_of_its_own() -> None:
    assert len(TOUR) == len({task.title for task in TOUR}) == 6


@pytest.mark.parametrize("number", NUMBERS)
def test_the_time_constant_is_that_of_the_linear_model(number: int) -> None:
    point = exercise(number).point
    assert expected("time-constant", number) == pytest.approx(point.time_constant_s, rel=1e-6)


@pytest.mark.parametrize("number", NUMBERS)
def test_the_gain_is_where_the_nonlinear_plant_comes_to_rest(number: int) -> None:
    one = exercise(number)
    trace = speed_step(one, 0.02, constants=14.0)
    reading = trace.columns["indicated_pa"]
    change = (reading[-1] - reading[0]) / MBAR
    assert expected("gain", number) == pytest.approx(change, rel=2e-3)
    decades = math.log10(reading[-1] / reading[0])
    assert expected("log-reading", number) == pytest.approx(decades, rel=2e-3)


@pytest.mark.parametrize("number", NUMBERS)
def test_dead_time_costs_what_the_margins_lose(number: int) -> None:
    one = exercise(number)
    model, settings = one.model(), one.settings()
    later = replace(model, dead_time_s=model.dead_time_s + one.extra_delay_s)
    lost = margins(later, settings).phase_margin_deg - margins(model, settings).phase_margin_deg
    assert expected("dead-time", number) == pytest.approx(lost, rel=1e-6)


@pytest.mark.parametrize("number", NUMBERS)
def test_windup_takes_what_the_law_takes_scan_by_scan(number: int) -> None:
    one = exercise(number)
    error = math.log10(one.full_speed_pa / one.point.indicated_pa)
    run_s = time_at_full_speed(one.settings(), wound_up(one), error)
    assert expected("windup", number) == pytest.approx(run_s, abs=0.2)


@pytest.mark.parametrize("number", NUMBERS)
def test_the_wrong_handle_is_what_the_plant_with_a_line_says(number: int) -> None:
    one = exercise(number)
    litres = one.conductance_m3_s * 1e3
    line = {"kind": "conductance", "conductance": f"{litres:g} L/s"}
    study = one.study.with_text({"system.line[0]": line})
    point = cc.operating_point(study.system, speed=1.0, gas_load_pa_m3_s=one.point.gas_load_pa_m3_s)
    assert -expected("handle", number) == pytest.approx(point.authority_chamber, rel=1e-6)


def test_a_line_of_20_litres_per_second_leaves_an_authority_of_0_17() -> None:
    """A08."""
    one = replace(exercise(1), conductance_m3_s=0.02)
    assert BY_NAME["handle"].asked(one).expected == pytest.approx(-0.1667, rel=1e-3)


@pytest.mark.parametrize("task", TOUR, ids=lambda task: task.name)
def test_every_task_can_be_revealed_and_its_data_be_read(task: Task) -> None:
    found = task.reveal(exercise(7))
    live = curves_picture(found.lines, found.x_label, found.y_label, found.title, log_y=found.log_y)
    assert "nan" not in live.svg
    assert "$" in found.formula
    assert found.source
    assert found.look.endswith(".")
    assert found.title.lower() not in found.look.lower()
    lines = data_csv(task, 7).splitlines()
    assert lines[0].startswith("# Exercise 7")
    table = np.loadtxt(lines[2:], delimiter=",")
    assert table.shape == (len(lines) - 2, len(lines[1].split(",")))
    assert np.isfinite(table).all()
    assert data_csv(task, 7) == data_csv(task, 7)
    assert data_csv(task, 7) != data_csv(task, 8)


def test_the_data_of_the_first_task_lead_to_its_answer() -> None:
    rows = np.loadtxt(data_csv(TOUR[0], 7).splitlines()[2:], delimiter=",")
    time, reading = rows[:, 0], np.log(rows[:, 2])
    first, last = reading[time < 5].mean(), reading[-20:].mean()
    # the drive takes a second of dead time and 0.6 s of ramp before the pressure answers
    rest = (reading - last) / (first - last)
    near = (time > 7.0) & (time < 15.0)
    slope = np.polyfit(time[near], np.log(np.clip(rest[near], 0.02, 1.0)), 1)[0]
    assert -1.0 / slope == pytest.approx(expected("time-constant", 7), rel=0.35)


# Feedback


@pytest.mark.parametrize("task", TOUR, ids=lambda task: task.name)
def test_a_wrong_sign_is_named_and_so_is_why(task: Task) -> None:
    """A52."""
    asked = task.asked(exercise(7))
    found = feedback(asked, f"{-asked.expected:.4g}")
    assert found.kind == "wrong sign"
    assert "the sign is wrong" in found.text
    assert asked.sign in found.text
    both = feedback(asked, f"{-10 * asked.expected:.4g}")
    assert both.kind == "wrong sign"
    assert "size is off" in both.text
    assert feedback(asked, f"{asked.expected:.3g}").kind == "right"


GAIN = Asked("how much?", "pressure", "mbar", -0.2, 0.05, "it falls.")


@pytest.mark.parametrize(
    ("text", "kind", "said"),
    [
        ("-0.2", "right", ""),
        ("-0,2", "right", ""),
        ("-20 Pa", "right", ""),
        ("-0.2 mbar", "right", ""),
        ("0.2", "wrong sign", "sign is wrong: it falls."),
        ("-20", "wrong", "percent and fraction"),
        ("-2", "wrong", "slip in the units"),
        ("-0.46", "wrong", "logarithms"),
        ("-0.4", "wrong", "half"),
        ("-0.3", "wrong", "too large by a factor of 1.5"),
        ("-0.1", "wrong", "too small"),
        ("0", "wrong", "not zero"),
        ("much", "no number", "cannot be read"),
        ("-0.2 s", "no number", "cannot be read"),
        ("", "no number", "cannot be read"),
    ],
)
def test_what_is_said_to_an_answer(text: str, kind: str, said: str) -> None:
    found = feedback(GAIN, text)
    assert (found.kind, said in found.text) == (kind, True), found.text


@pytest.mark.parametrize("task", TOUR, ids=lambda task: task.name)
@pytest.mark.parametrize("text", ["much", "1 2", "1'000'000"])
def test_an_example_is_one_of_what_is_asked_for(task: Task, text: str) -> None:
    asked = task.asked(exercise(7))
    said = feedback(asked, text).text
    example = said.split("such as '")[1].split("'")[0]
    assert feedback(asked, example).kind != "no number"


def test_the_answer_key_is_what_is_asked_for() -> None:
    key = answer_key(7)
    assert [title for title, _ in key] == [task.title for task in TOUR]
    for task, (_, answer) in zip(TOUR, key, strict=True):
        assert feedback(task.asked(exercise(7)), answer.split()[0]).kind == "right"


@pytest.mark.parametrize("number", [0, -1, 10_000])
def test_there_is_no_such_exercise(number: int) -> None:
    with pytest.raises(InputError, match="from 1 to 9999"):
        exercise(number)
