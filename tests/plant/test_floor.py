"""The minimum controllable pressure of a duty: the window ends there and points below are refused.

On the ideal plant p = q/(S n): 100 L/s at n = 1, 20 L/s at n = 0.2.
"""

from __future__ import annotations

import json

import numpy as np
import pytest

import chamberctl as cc
from chamberctl import figures
from chamberctl.control.influence import influences
from chamberctl.control.tuning import rule_tuning
from chamberctl.errors import Infeasible
from chamberctl.plant.comparison import compare
from chamberctl.plant.handle import handle_verdict
from chamberctl.plant.variations import outcomes
from chamberctl.plant.window import duty_points, operating_window
from chamberctl.report import window_text
from chamberctl.report.verdict import verdict
from chamberctl.simulation.scattered import scattered
from chamberctl.simulation.scenarios import prepare
from chamberctl.study import Study, load, loads
from tests import studies
from tests.plant.test_comparison import LINE

MBAR = 100.0
HOLDS = (("2 mbar", ("60 mbar L/s",)), ("5 mbar", ("120 mbar L/s", "250 mbar L/s")))
FLOOR = (
    'said_by = "exercise"\n'
    'minimum_controllable_pressure = {{ is = "{}", basis = "measured", tolerance = "20 %" }}\n'
    'minimum_controllable_reason = "tried in May"\n'
)


def study(floor: str, *holds: tuple[str, tuple[str, ...]], line: str = "") -> Study:
    text = studies.reference_text(holds or HOLDS)
    text = text.replace('said_by = "exercise"\n', FLOOR.format(floor))
    if line:
        text = text.replace("[system.backing]", LINE.format(line) + "[system.backing]")
        text = text.replace('position = "chamber"', 'position = "pump inlet"')
    return loads(text)


def test_a_duty_point_below_it_is_refused_with_reason_and_nearest() -> None:
    refused, *held = duty_points(study("3 mbar"))
    assert all(point.feasible for point in held)
    assert not refused.feasible
    assert refused.below_floor
    assert "2 mbar in the chamber" in refused.reason
    assert "3 mbar that the duty states (tried in May)" in refused.reason
    assert "a setpoint of 3 mbar at this gas load" in refused.nearest
    assert refused.speed == pytest.approx(0.3)  # the model's number is kept
    (finding,) = refused.findings
    assert (finding.severity, finding.subject) == ("no", "minimum controllable pressure")


def test_on_the_floor_itself_a_point_holds() -> None:
    assert all(point.feasible for point in duty_points(study("2 mbar")))
    assert not duty_points(study("2.00001 mbar"))[0].feasible


def test_it_counts_the_true_pressure_in_the_chamber() -> None:
    """Behind 60 L/s at 60 mbar L/s the gauge shows 1 mbar less than there is in the chamber."""
    there = study("3 mbar", ("1.5 mbar", ("60 mbar L/s",)), ("2.5 mbar", ("60 mbar L/s",)),
                  line="60 L/s")  # fmt: skip
    low, high = duty_points(there)
    assert low.pressure_pa == pytest.approx(2.5 * MBAR)
    assert low.below_floor
    assert high.feasible
    assert "a setpoint of 2 mbar at this gas load, which is 3 mbar in the chamber" in low.nearest
    window = operating_window(there)
    assert window.lowest_pa == pytest.approx([3.0 * MBAR])
    assert window.lowest_indicated_pa == pytest.approx([2.0 * MBAR])


def test_where_even_minimum_speed_pumps_deeper_only_gas_helps() -> None:
    (point,) = duty_points(study("4 mbar", ("2 mbar", ("60 mbar L/s",))))
    assert "Nearest: none at a gas load of 60 mbar L/s" in point.nearest
    assert "More gas lifts it" in point.nearest
    window = operating_window(study("4 mbar", ("2 mbar", ("60 mbar L/s",))))
    for name in ("lowest_pa", "highest_pa", "lowest_indicated_pa", "highest_indicated_pa"):
        assert np.isnan(getattr(window, name)[0])
    found = [f for f in window.findings if f.subject == "minimum controllable pressure"]
    assert [f.severity for f in found] == ["no"]
    assert "nothing of the window is left" in found[0].text
    assert not window.controllable.any()
    assert window.feasible.all()


def test_the_window_ends_there() -> None:
    """0.6 to 3, 1.2 to 6 and 2.5 to 12.5 mbar without it."""
    window = operating_window(study("2 mbar"))
    assert window.floor_pa == 2.0 * MBAR
    assert window.lowest_pa / MBAR == pytest.approx([2.0, 2.0, 2.5])
    assert window.lowest_indicated_pa / MBAR == pytest.approx([2.0, 2.0, 2.5])
    assert window.highest_pa / MBAR == pytest.approx([3.0, 6.0, 12.5])
    assert np.array_equal(window.controllable, window.pressure_pa >= 2.0 * MBAR)
    (note,) = (f for f in window.findings if f.subject == "minimum controllable pressure")
    assert note.severity == "note"
    assert "ends there at 2 of 3 gas loads" in note.text
    assert "down to 0.6 mbar" in note.text


def test_far_below_the_window_it_does_not_matter_and_that_is_said() -> None:
    window = operating_window(study("0.1 mbar"))
    (note,) = (f for f in window.findings if f.subject == "minimum controllable pressure")
    assert "does not matter" in note.text
    without = operating_window(loads(studies.reference_text(HOLDS)))
    assert without.floor_pa == 0.0
    assert not any("controllable" in f.subject for f in without.findings)
    assert window.lowest_pa == pytest.approx(without.lowest_pa)


def test_no_gains_come_from_below_and_the_answer_is_no() -> None:
    refusing = study("3 mbar")
    tuning = rule_tuning(refusing)
    assert not tuning.holds
    assert [point.where for point in tuning.refused] == ["2 mbar at 60 mbar L/s"]
    assert len(tuning.points) == 2
    (said,) = (f for f in tuning.findings if "No gains or margins" in f.text)
    assert said.severity == "no"
    assert "tried in May" in said.text
    answer = verdict(refusing, tuning, operating_window(refusing))
    assert not answer.good
    assert "1 of 3 duty points cannot be held" in answer.lead
    assert any("tried in May" in line for line in answer.points)
    with pytest.raises(Infeasible, match=r"No duty point can be held.*tried in May"):
        rule_tuning(study("8 mbar"))


def test_speed_is_judged_by_it_and_no_alternative_gets_below() -> None:
    found = handle_verdict(study("3 mbar"))
    assert found.verdict == "conditional"
    assert found.failing == (1,)
    window = next(f for f in found.reasons if f.subject == "window")
    assert window.severity == "no"
    assert "tried in May" in window.text
    for handle in found.handles:
        assert 1 not in handle.held, handle.name
    assert found.handles[0].turndown == pytest.approx(1.0)  # 60 mbar L/s: 3 mbar and 3 mbar
    assert "None of the alternatives computed holds more points" in found.sentence


def test_what_hangs_on_it() -> None:
    """20 % less than 2.2 mbar gains the point at 2 mbar; 20 % more than 1.8 mbar loses it."""
    for floor, lost, gained in (("2.2 mbar", (), (1,)), ("1.8 mbar", (1,), ())):
        found = influences(study(floor))
        row = next(r for r in found.rows if r.path == "duty.minimum_controllable_pressure")
        assert row.name == "duty: minimum controllable pressure"
        less, more = row.effects
        assert less.lowest_change == pytest.approx(-0.2)
        assert more.lowest_change == pytest.approx(0.2)
        assert (more.lost, less.gained) == (lost, gained)
    # a larger pump moves no lower end that the floor holds
    (outcome,) = outcomes(study("3 mbar"), duty_points(study("3 mbar")), [study("3 mbar")])
    assert list(outcome.held) == [False, True, True]
    assert outcome.lowest_pa == pytest.approx([60.0, 120.0, 250.0])


def test_in_a_comparison_each_plant_has_its_own() -> None:
    found = compare(study("3 mbar"), study("1 mbar"))
    assert [pair.first.feasible for pair in found.points] == [False, True, True]
    assert all(pair.second.feasible for pair in found.points)
    text = "\n".join(found.text)
    assert "Each plant has its own minimum controllable pressure: 3 mbar -> 1 mbar." in text
    assert "duties differ" not in text
    assert "Point 1 (2 mbar at 60 mbar L/s): only the second holds it" in text


def test_a_drawn_plant_below_it_does_not_run() -> None:
    """A Monte Carlo draw whose gauge takes 4.5 mbar for 5: below a floor of 4.8 mbar."""
    good = study("4.8 mbar", ("5 mbar", ("250 mbar L/s",)))
    tuning = rule_tuning(good)
    prepared = prepare(good, tuning.settings, "gas-step", point=tuning.points[0].point)
    drawn = [good, good.with_text({"system.gauge[0].gas_factor": "0.9"})]
    kept, lost = scattered(good, prepared, drawn)
    assert not isinstance(kept, str)
    assert "minimum controllable" in lost


def test_a_run_that_falls_below_it_says_so() -> None:
    """A step of the setpoint 10 % down from 5 mbar passes a floor of 4.8 mbar."""
    near, far = (study(floor, ("5 mbar", ("250 mbar L/s",))) for floor in ("4.8 mbar", "1 mbar"))
    settings = rule_tuning(far)
    for here, warned in ((near, True), (far, False)):
        run = cc.simulate(here, settings, "setpoint-step-down")
        found = [f for f in run.findings if f.subject == "minimum controllable pressure"]
        assert bool(found) == warned
    assert (
        "below the minimum controllable pressure of 4.8 mbar, down to 4."
        in cc.simulate(near, settings, "setpoint-step-down").findings[-1].text
    )


def test_tables_and_numbers_for_machines_say_it() -> None:
    here = study("3 mbar")
    window = operating_window(here)
    table = window_text.points(here, window)
    assert table.rows[0].cells[-1] == "below the minimum controllable pressure"
    assert "highest speed or floor" in window_text.reach(here, window).columns[1].unit
    assert "below 3 mbar in the chamber as not controllable" in window_text.text(here, window)[0]
    document = json.loads(json.dumps(window_text.as_json(here, window)))
    assert document["minimum_controllable_pa"] == 300.0
    assert document["duty_points"][0]["below_minimum_controllable"] is True
    assert document["reachable"][0]["lowest_pa"] == 300.0


def test_the_picture_marks_it() -> None:
    """Where the gauge sits elsewhere it is no single height among readings: only the true panel."""
    one_panel = study("3 mbar")
    elsewhere = study("3 mbar", ("1.5 mbar", ("60 mbar L/s",)), line="60 L/s")
    for here, marked in ((one_panel, [True]), (elsewhere, [False, True])):
        picture = figures.operating_window(operating_window(here), here)
        words = [[text.get_text() for text in axis.texts] for axis in picture.axes]
        assert ["not controllable below 3 mbar" in texts for texts in words] == marked
        assert "1 not controllable" in words[0]
        assert "Below 3 mbar in the chamber" in picture.alt


def test_the_freeze_dryer_says_how_its_floor_is_known() -> None:
    dryer = load("preset:freeze-dryer")
    window = operating_window(dryer, n_speeds=5)
    assert window.floor_pa == 5.0
    (note,) = (f for f in window.findings if f.subject == "minimum controllable pressure")
    assert "the ice of the condenser rules" in note.text
