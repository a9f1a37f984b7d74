"""Tune, Behave and Hand over, driven without a browser: every number is the library's."""

from __future__ import annotations

import html
import io
import zipfile
from collections.abc import Callable

import pytest
from streamlit.testing.v1 import AppTest

import chamberctl as cc
from chamberctl.control.forms import from_typed, read_typed
from chamberctl.control.tuning import rule_tuning
from chamberctl.display import number
from chamberctl.report.run_text import value_text
from chamberctl.study.reading import loads
from chamberctl.workbench.bundle import Bundle
from chamberctl.workbench.candidates import Candidate, candidate_of, rule_candidates

Open = Callable[..., AppTest]
PLANT = "preset:reference-plant"


def words(page: AppTest) -> str:
    kinds = (page.markdown, page.header, page.error, page.warning, page.info, page.success)
    return "\n".join(element.value for kind in (*kinds, page.caption) for element in kind)


def tables(page: AppTest) -> str:
    return "\n".join(element.value for element in page.get("html"))


def study_of(page: AppTest) -> cc.Study:
    return loads(page.session_state["session"].text)


def tuned(page: AppTest) -> cc.Tuning:
    """What the library makes of the study as it leaves the page."""
    return cc.tune(study_of(page))


def slid(page: AppTest, key: str, steps: int) -> AppTest:
    slider = page.select_slider(key=page.session_state[f"tune:slide:{key}"])
    options = list(slider.options)
    return slider.set_value(options[options.index(slider.value) + steps]).run()


# Where there are no settings, or more than one set


@pytest.mark.parametrize("view", ["Describe", "Window", "Tune", "Behave", "Hand over"])
def test_a_duty_that_cannot_be_held_at_any_point_has_no_settings(
    open_page: Open, view: str
) -> None:
    page = open_page(PLANT)
    holds = len(page.session_state["session"].study.duty.holds)
    page.session_state["session"].edit(
        {f"duty.hold[{number}].setpoint": "0.02 mbar" for number in range(holds)}
        | {"controller.reading_low": "0.01 mbar"}
    )
    assert not page.session_state["session"].problems
    page.session_state["view"] = view
    page.run()
    assert not page.exception
    assert "✗ NO" in page.markdown[0].value
    assert "Settings:" not in page.markdown[0].value
    assert "not reachable" in words(page)


@pytest.mark.parametrize("view", ["Tune", "Hand over"])
def test_a_schedule_that_is_asked_for_is_not_passed_over(open_page: Open, view: str) -> None:
    page = open_page(PLANT)
    page.session_state["session"].edit({"controller.schedule": "reading"})
    page.session_state["view"] = view
    page.run()
    assert not page.exception
    assert "This page compares single sets" in words(page)
    page.button(key="undo").click().run()
    assert "This page compares single sets" not in words(page)


def test_settings_are_not_shown_beside_themselves_after_a_change_of_the_reading(
    open_page: Open,
) -> None:
    page = open_page(PLANT, view="Tune")
    page.text_input(key=page.session_state["tune:exact:Kc"]).set_value("9").run()
    page.toggle(key="tune:kept").set_value(True).run()
    page.text_input(key="kept:name").set_value("calm")
    page.button(key="kept:keep").click().run()
    before = page.session_state["session"].settings.texts
    for reading in ("linear", "log10"):
        page.segmented_control(key="tune:reading").set_value(reading).run()
        assert not page.exception
        assert tables(page).count(">calm<") == 1
    after = page.session_state["session"].settings.texts
    assert float(after["Kc"]) == pytest.approx(float(before["Kc"]), rel=5e-3)


# Tune


def test_a_move_of_the_slider_reaches_every_number_and_the_strip(open_page: Open) -> None:
    page = slid(open_page(PLANT, view="Tune"), "Kc", -3)
    assert not page.exception
    tuning = tuned(page)
    assert page.text_input(key=page.session_state["tune:exact:Kc"]).value == tuning.typed["Kc"].text
    shown = tables(page)
    for point in tuning.points:
        assert f'<td class="num">{number(point.margins.ms)}</td>' in shown
        assert f'<td class="num">{number(point.margins.delay_margin_s)}</td>' in shown
    strip = page.markdown[0].value
    assert "Settings: own numbers" in strip
    assert f"Ms {number(tuning.worst['ms'][0])}" in strip
    session = page.session_state["session"]
    session.undo()
    page.run()
    first = rule_tuning(study_of(page))
    assert (
        page.select_slider(key=page.session_state["tune:slide:Kc"]).value == first.typed["Kc"].text
    )


@pytest.mark.parametrize("typed", ["3.5", "3,5", "3.50"])
def test_exact_entry_takes_comma_and_point(open_page: Open, typed: str) -> None:
    page = open_page(PLANT, view="Tune")
    page.text_input(key=page.session_state["tune:exact:Kc"]).set_value(typed).run()
    assert not page.exception
    assert tuned(page).typed["Kc"].text == "3.500"
    assert page.select_slider(key=page.session_state["tune:slide:Kc"]).value == "3.500"


@pytest.mark.parametrize("typed", ["much", "-3", "0", "1,000.5", "5 mbar", "nan", "1e999"])
def test_what_is_no_gain_is_said_beside_the_field_and_changes_nothing(
    open_page: Open, typed: str
) -> None:
    page = open_page(PLANT, view="Tune")
    before = page.session_state["session"].state
    page.text_input(key=page.session_state["tune:exact:Kc"]).set_value(typed).run()
    assert not page.exception
    assert page.session_state["session"].state == before
    assert any(m.value.startswith(":red[**✗ Gain:**]") for m in page.markdown)
    assert page.text_input(key=page.session_state["tune:exact:Kc"]).value == typed
    page.text_input(key=page.session_state["tune:exact:Kc"]).set_value("3").run()
    assert not any(m.value.startswith(":red[**✗ Gain:**]") for m in page.markdown)


def test_the_reading_is_switched_in_one_move_and_back(open_page: Open) -> None:
    page = open_page(PLANT, view="Tune")
    page.text_input(key=page.session_state["tune:exact:Kc"]).set_value("4").run()
    before = tuned(page)
    page.segmented_control(key="tune:reading").set_value("linear").run()
    assert not page.exception
    after = tuned(page)
    assert after.settings.reading == "linear"
    index = before.design_index
    assert after.points[index].margins.ms == pytest.approx(
        before.points[index].margins.ms, rel=0.02
    )
    assert "Gain 4.000 %/% became" in words(page)
    page.session_state["session"].undo()
    page.run()
    assert tuned(page).settings == before.settings


def test_candidates_are_kept_named_used_and_deleted(open_page: Open) -> None:
    page = open_page(PLANT, view="Tune")
    page.toggle(key="tune:kept").set_value(True).run()
    for name, gain in (("calm", "2"), ("brisk", "6")):
        page.text_input(key=page.session_state["tune:exact:Kc"]).set_value(gain).run()
        page.text_input(key="kept:name").set_value(name).run()
        page.button(key="kept:keep").click().run()
    assert "Settings: brisk" in page.markdown[0].value
    shown = tables(page)
    assert "2.000 %/%" in shown
    assert "6.000 %/%" in shown
    page.button(key="kept:use:calm").click().run()
    assert study_of(page).controller.settings["name"] == "calm"
    assert tuned(page).typed["Kc"].text == "2.000"
    page.button(key="kept:drop:brisk").click().run()
    assert "6.000 %/%" not in tables(page)
    assert not page.exception


def test_a_candidate_needs_a_name(open_page: Open) -> None:
    page = open_page(PLANT, view="Tune")
    page.toggle(key="tune:kept").set_value(True).run()
    page.button(key="kept:keep").click().run()
    assert "type a name first" in words(page)
    assert page.session_state["session"].candidates == ()


@pytest.mark.parametrize("name", ["first guess by rule", "as found"])
def test_a_name_that_other_settings_have_is_refused(open_page: Open, name: str) -> None:
    page = open_page(PLANT, view="Tune")
    page.toggle(key="tune:kept").set_value(True).run()
    page.text_input(key="kept:name").set_value(name)
    page.button(key="kept:keep").click().run()
    assert not page.exception
    assert f"'{name}' is the name of other settings" in words(page)
    assert page.session_state["session"].candidates == ()


@pytest.mark.parametrize("view", ["Tune", "Behave"])
def test_settings_of_one_name_are_told_apart(open_page: Open, view: str) -> None:
    """Own numbers that are kept under the name they have, and moved on."""
    page = open_page(PLANT, view="Tune")
    page.text_input(key=page.session_state["tune:exact:Kc"]).set_value("9").run()
    page.toggle(key="tune:kept").set_value(True).run()
    page.text_input(key="kept:name").set_value("own numbers")
    page.button(key="kept:keep").click().run()
    page.text_input(key=page.session_state["tune:exact:Kc"]).set_value("8").run()
    page.session_state["view"] = view
    page.run()
    assert not page.exception
    assert "own numbers (2)" in tables(page)


def test_the_converted_first_guess_is_not_taken_for_the_first_guess(open_page: Open) -> None:
    page = open_page(PLANT, view="Tune")
    page.segmented_control(key="tune:reading").set_value("linear").run()
    assert "Settings: first guess, converted" in page.markdown[0].value
    page.session_state["view"] = "Behave"
    page.run()
    assert not page.exception
    assert "first guess by rule" in tables(page)


def test_what_is_wrong_with_settings_found_is_said_beside_them_and_in_the_views(
    open_page: Open,
) -> None:
    page = open_page(PLANT, view="Tune")
    session = page.session_state["session"]
    for given, said in (("abc", "✗ Gain found:"), ("8 Hz", "✗ Gain found:"), ("-2", "✗")):
        session.edit({"controller.as_found": {"Ti": "25,5", "Kc": given}})
        page.session_state["view"] = "Tune"
        page.run()
        assert not page.exception
        assert said in words(page)
        assert "Settings found in the controller:" in words(page)
        page.session_state["view"] = "Hand over"
        page.run()
        assert "Settings found in the controller:" in words(page)
    session.edit({"controller.as_found": {"Ti": "25,5", "Kc": "8"}})
    page.session_state["view"] = "Tune"
    page.run()
    assert "✗ Gain found" not in words(page)


def test_undo_takes_a_refused_number_away(open_page: Open) -> None:
    page = open_page(PLANT, view="Tune")
    before = page.text_input(key=page.session_state["tune:exact:Ti"]).value
    page.text_input(key=page.session_state["tune:exact:Kc"]).set_value("9").run()
    page.text_input(key=page.session_state["tune:exact:Ti"]).set_value("9,2 s").run()
    assert "✗ Integral time:" in words(page)
    page.button(key="undo").click().run()
    assert "✗ Integral time:" not in words(page)
    assert page.text_input(key=page.session_state["tune:exact:Ti"]).value == before


def test_a_first_guess_is_handed_over_with_a_caution(open_page: Open) -> None:
    page = open_page(PLANT, view="Hand over")
    assert "'Find robust settings' in the view Tune" in words(page)
    page.session_state["session"].use(Candidate("mine", {"Kc": "5"}))
    page.run()
    assert "'Find robust settings' in the view Tune" not in words(page)
    page = open_page("preset:reference-plant", view="Hand over")
    page.session_state["session"].edit({"controller.rule": "simc"})
    page.run()
    assert "'Find robust settings' in the view Tune" not in words(page)


def test_settings_that_were_found_for_another_plant_say_so(open_page: Open) -> None:
    page = open_page(PLANT, view="Tune")
    session = page.session_state["session"]
    session.use(candidate_of("robust", tuned(page), "For this plant."))
    session.edit({"title": "Another name"})
    page.run()
    assert "Settings: robust" in page.markdown[0].value
    assert "before a change" not in page.markdown[0].value
    session.edit({"system.chamber.volume": "700 L"})
    page.run()
    assert "Settings: robust, of before a change" in page.markdown[0].value
    session.edit({"system.chamber.volume": "701 L"})
    assert session.settings.note == "For this plant. The plant or its duty was changed since."
    session.undo()
    session.undo()
    assert session.settings.note == "For this plant."


def test_settings_as_found_stand_beside_and_can_be_restored(open_page: Open) -> None:
    page = open_page(PLANT, view="Tune")
    generation = page.session_state["session"].generation
    page.text_input(key=f"found:{generation}:Kc").set_value("8").run()
    assert "as found" not in tables(page)
    page.text_input(key=f"found:{generation}:Ti").set_value("30").run()
    assert not page.exception
    assert "as found" in tables(page)
    page.toggle(key="tune:kept").set_value(True).run()
    page.button(key="kept:use:as found").click().run()
    tuning = tuned(page)
    assert (tuning.typed["Kc"].text, tuning.typed["Ti"].text) == ("8.000", "30.00")


def test_published_rules_stand_side_by_side_and_can_be_taken(open_page: Open) -> None:
    page = open_page(PLANT, view="Tune")
    assert "Published rules" not in tables(page)
    page.toggle(key="rules:open").set_value(True).run()
    assert not page.exception
    study = cc.load(PLANT)
    found = cc.compare_rules(study, rule_tuning(study))
    for row in found.rows:
        assert row.verdict in html.unescape(tables(page))
    taken = next(c for c in rule_candidates(found) if "SIMC" in c.name or "IMC" in c.name)
    page.selectbox(key="rules:which").set_value(taken.name).run()
    page.button(key="rules:take").click().run()
    assert not page.exception
    assert page.session_state["session"].settings == taken
    assert tuned(page).typed.texts() == taken.texts


@pytest.mark.slow
def test_responses_can_be_nonlinear_and_physical(open_page: Open) -> None:
    page = open_page(PLANT, view="Tune")
    deviation = tables(page)
    assert "[% of setpoint]" in deviation or "% of what it was" in deviation
    page.segmented_control(key="tune:loop").set_value("on the nonlinear plant").run()
    page.segmented_control(key="tune:variables").set_value("physical").run()
    assert not page.exception
    assert tables(page) != deviation
    assert "Physical variables: $p = p_0" in words(page)


@pytest.mark.parametrize("view", ["Tune", "Behave", "Hand over"])
@pytest.mark.parametrize(
    "name",
    [
        pytest.param(n, marks=[] if n == "reference-plant" else pytest.mark.slow)
        for n in cc.presets()
    ],
)
def test_every_preset_can_be_shown(open_page: Open, name: str, view: str) -> None:
    page = open_page(f"preset:{name}", view=view)
    assert cc.load(f"preset:{name}").title in page.markdown[0].value


# Behave


def test_runs_and_their_metrics_are_the_librarys(open_page: Open) -> None:
    page = open_page(PLANT, view="Behave")
    page.selectbox(key="behave:scenario").set_value("setpoint-step-down").run()
    assert not page.exception
    study = cc.load(PLANT)
    run = cc.simulate(study, rule_tuning(study), "setpoint-step-down")
    shown = tables(page)
    for name in ("undershoot", "settling_s", "peak_deviation", "drive_travel_per_h"):
        assert f'<td class="num">{value_text(name, getattr(run.metrics, name))}</td>' in shown
    assert "linear prediction" in words(page)


def test_what_cannot_happen_says_why(open_page: Open) -> None:
    page = open_page(PLANT, view="Behave")
    page.selectbox(key="behave:scenario").set_value("gas-change").run()
    assert not page.exception
    assert "This cannot happen here. A change of gas changes nothing" in words(page)


def test_draws_are_made_beside_the_page_and_are_the_librarys(open_page: Open) -> None:
    page = open_page(PLANT, view="Behave")
    page.segmented_control(key="behave:draws").set_value(50).run()
    page.button(key="behave:draw").click().run()
    job = page.session_state["behave:job"]
    job.wait(60.0)
    page.run()
    assert not page.exception
    study = cc.load(PLANT)
    found = cc.monte_carlo(study, rule_tuning(study), "gas-step", runs=50, executor=_Here())
    middle = found.quantiles()["peak_deviation"][1]
    assert f'<td class="num">{value_text("peak_deviation", float(middle))}</td>' in tables(page)
    assert "50 draws of 50, seed 0" in words(page)


class _Here:
    """An executor that works at once, in the process that asks."""

    def submit(self, work, *arguments):  # type: ignore[no-untyped-def]
        from concurrent.futures import Future

        done: Future = Future()
        done.set_result(work(*arguments))
        return done


def test_draws_can_be_cancelled(open_page: Open) -> None:
    page = open_page(PLANT, view="Behave")
    page.segmented_control(key="behave:draws").set_value(5000).run()
    page.button(key="behave:draw").click().run()
    page.session_state["behave:job"].cancel()
    page.session_state["behave:job"].wait(60.0)
    assert page.session_state["behave:job"].ask() == "cancelled"
    page.run()
    assert not page.exception


# Hand over


def test_what_is_typed_in_the_sign_check_and_the_action_are_on_the_page(open_page: Open) -> None:
    page = open_page(PLANT, view="Hand over")
    tuning = rule_tuning(cc.load(PLANT))
    for row in tuning.typed.rows:
        assert f'<td class="num">{row.text}</td>' in tables(page)
    said = words(page)
    assert "Pressure above setpoint -> speed must go up." in said
    for step in tuning.check_steps:
        assert step in said
    assert "hold the output, raise an alarm" in tables(page)
    assert "not written down" in said


def test_reading_back_flags_differences_with_the_margins_they_give(open_page: Open) -> None:
    page = open_page(PLANT, view="Hand over")
    tuning = rule_tuning(cc.load(PLANT))
    generation = page.session_state["session"].generation

    def shows(key: str, text: str) -> None:
        page.text_input(key=f"read:{generation}:{key}").set_value(text).run()
        assert not page.exception

    for row in tuning.typed.rows:
        shows(row.key, row.text)
    assert "every number as it was to be typed in" in words(page)
    shows("Kc", "50.1")
    assert ":red[**✗ Gain:**] differs: 15.017 was to be typed in, this is 234 % more." in words(
        page
    )
    settings = from_typed(read_typed(tuning.typed, {"Kc": "50.1"}))
    wrong = cc.assess(tuning.study, settings)
    assert not wrong.holds
    assert "As the controller shows" in tables(page)
    index = wrong.worst["ms"][1]
    expected = wrong.points[index].margins.reason or f"{number(wrong.worst['ms'][0])} at point"
    assert expected in tables(page)
    shows("Kc", "fifty")
    assert "✗ Gain:" in words(page)
    assert study_of(page).controller.as_left["Ti"] == tuning.typed["Ti"].text


def test_who_when_why_and_tag_go_into_the_study(open_page: Open) -> None:
    page = open_page(PLANT, view="Hand over")
    generation = page.session_state["session"].generation
    for key, text in (
        ("who", "J. Doe"),
        ("when", "2026-03-01"),
        ("why", "start"),
        ("tag", "PIC-7"),
    ):
        page.text_input(key=f"{generation}:controller.{key}").set_value(text).run()
    control = study_of(page).controller
    assert (control.who, control.when, control.why) == ("J. Doe", "2026-03-01", "start")
    assert control.tag == "PIC-7"


@pytest.mark.slow
def test_the_report_is_that_of_the_study_that_leaves_the_page(open_page: Open) -> None:
    page = open_page(PLANT, view="Tune")
    page.text_input(key=page.session_state["tune:exact:Kc"]).set_value("4.2").run()
    page.segmented_control(key="view").set_value("Hand over").run()
    page.button(key="handover:make").click().run(timeout=120)
    assert not page.exception
    made = page.session_state["handover:made"]
    from chamberctl.workbench.bundle import bundle

    found: Bundle = bundle(made, "reference-plant.toml")
    assert b"4.200" in found.html
    with zipfile.ZipFile(io.BytesIO(found.archive)) as archive:
        assert set(archive.namelist()) >= {"report.html", "study.toml", "loop.json", "gains.csv"}
        again = cc.tune(loads(archive.read("study.toml").decode()))
    assert again.typed["Kc"].text == "4.200"


# Learn


def test_a_student_with_a_wrong_sign_is_told_so_and_the_key_opens_for_teachers_only(
    open_page: Open,
) -> None:
    """A52."""
    from chamberctl.lessons.exercise import exercise
    from chamberctl.lessons.tour import TOUR

    page = open_page(view="Learn")
    page.text_input(key="learn:number").set_value("7").run()
    page.segmented_control(key="learn:task").set_value(TOUR[1].title).run()
    asked = TOUR[1].asked(exercise(7))
    answer = page.text_input(key="learn:answer:7:gain")
    assert not [t for t in page.toggle if t.key.startswith("learn:reveal")]
    answer.set_value(f"{-asked.expected:.3g}").run()
    assert "Wrong sign" in page.error[0].value
    assert "more speed LOWERS the pressure" in page.error[0].value
    assert "Answer key" not in tables(page)
    page.text_input(key="learn:answer:7:gain").set_value(f"{asked.expected:.3g} mbar").run()
    assert "Right" in page.success[0].value
    page.toggle(key="learn:reveal:7:gain").set_value(True).run()
    assert not page.exception
    assert "the gain is in proportion to the pressure" in words(page)
    assert "**Look at:** how far each curve has fallen" in words(page)
    page.toggle(key="learn:teacher").set_value(True).run()
    assert "Answer key of exercise 7" in tables(page)


@pytest.mark.parametrize("typed", ["abc", "nan", "5 kg"])
def test_only_a_number_lets_a_student_see_what_happens(open_page: Open, typed: str) -> None:
    page = open_page(view="Learn")
    page.text_input(key="learn:answer:1:time-constant").set_value(typed).run()
    assert not page.exception
    assert page.error[0].value.startswith("**✗ No number.**")
    assert "mbar" not in page.error[0].value
    assert not [t for t in page.toggle if t.key.startswith("learn:reveal")]
    page.text_input(key="learn:answer:1:time-constant").set_value("900").run()
    assert page.error[0].value.startswith("**✗ Not yet.** It is too large by a factor of")
    assert [t for t in page.toggle if t.key.startswith("learn:reveal")]


@pytest.mark.parametrize("typed", ["0", "99999999", "-3", "2.5", "seven", ""])
def test_the_exercise_in_the_field_is_the_one_that_is_shown(open_page: Open, typed: str) -> None:
    page = open_page(view="Learn")
    page.text_input(key="learn:number").set_value("7").run()
    page.text_input(key="learn:number").set_value(typed).run()
    assert not page.exception
    assert page.text_input(key="learn:number").value == "7"
    assert "whole numbers from 1 to 9999" in words(page)
    assert "Exercise 7 is shown" in words(page)
    page.text_input(key="learn:number").set_value("8").run()
    assert "whole numbers" not in words(page)
    page.segmented_control(key="view").set_value("Window").run()
    page.segmented_control(key="view").set_value("Learn").run()
    assert page.text_input(key="learn:number").value == "8"


def test_the_plant_of_the_tour_is_opened_where_it_can_be_seen(open_page: Open) -> None:
    page = open_page("preset:student-rig", view="Learn")
    page.session_state["session"].edit({"title": "mine"})
    page.button(key="learn:open").click().run()
    assert not page.exception
    assert page.query_params["view"] == "Describe"
    assert "Reference plant" in page.markdown[0].value
    assert "Opened: the plant of the tour" in page.success[0].value
    assert "did not save" in page.success[0].value
    page.segmented_control(key="section").set_value("Duty").run()
    assert not page.success


@pytest.mark.parametrize("view", ["Describe", "Window", "Tune", "Behave", "Hand over", "Learn"])
def test_no_button_sends_anything_to_a_machine(open_page: Open, view: str) -> None:
    """A51: a person reads, checks and types."""
    page = open_page(PLANT, view=view)
    for button in (*page.button, *page.get("download_button")):
        label = getattr(button, "label", None) or button.proto.label
        assert not any(word in label.lower() for word in ("send", "transmit", "to the controller"))
    assert "nothing is ever sent to a controller" in words(page)
