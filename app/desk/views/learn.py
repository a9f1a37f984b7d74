"""View "Learn": a guided tour on the reference plant; predict first, then reveal."""

from __future__ import annotations

import streamlit as st

import chamberctl as cc
from chamberctl.lessons.exercise import NUMBERS, PLANT, exercise, typed_number
from chamberctl.lessons.feedback import Feedback, feedback
from chamberctl.lessons.task import Task
from chamberctl.lessons.tour import TOUR, answer_key, data_csv
from chamberctl.report.tables import Column, Row, Table
from chamberctl.workbench.curves import curves_picture
from desk import study_file, style
from desk.entered import entered
from desk.results import Drawn
from desk.session import Session
from desk.tables import show_table

_TITLES = {task.title: task for task in TOUR}
_WORDS = {"right": "✓ Right", "wrong sign": "✗ Wrong sign", "wrong": "✗ Not yet",
          "no number": "✗ No number"}  # fmt: skip


_NUMBER, _SHOWN, _REFUSED = "learn:number", "learn:shown", "learn:refused"


def show(session: Session) -> None:
    """Draw the view."""
    with st.container(horizontal=True, vertical_alignment="bottom"):
        number = _number()
        if refused := st.session_state.pop(_REFUSED, ""):
            st.markdown(f":red[**✗ Exercise:**] {refused} Exercise {number} is shown.")
        st.button("Open this plant in the workbench", on_click=_open, args=(session,),
                  key="learn:open")  # fmt: skip
        teacher = st.toggle("I am the teacher", key="learn:teacher")
    if teacher:
        rows = [Row((title, answer)) for title, answer in answer_key(number)]
        show_table(Table(f"Answer key of exercise {number}", (Column("Task", "", "part"),
                                                              Column("Answer")), rows))  # fmt: skip
    title = st.segmented_control(
        "Task", list(_TITLES), default=TOUR[0].title, key="learn:task", required=True
    )
    _task(_TITLES[title or TOUR[0].title], number)


def _number() -> int:
    """Let an exercise be chosen; the number in the field is always that of the plant shown."""

    def take() -> None:
        wanted = number
        try:
            wanted = typed_number(entered(_NUMBER))
        except cc.InputError as error:
            given, remedy = error.first.given, error.first.remedy
            st.session_state[_REFUSED] = f"{remedy}, not {given}." if given else f"{remedy}."
        st.session_state[_SHOWN], st.session_state[_NUMBER] = wanted, str(wanted)

    number: int = st.session_state.setdefault(_SHOWN, NUMBERS[0])
    st.session_state.setdefault(_NUMBER, str(number))
    st.text_input(
        "Exercise", key=_NUMBER, width=180, max_chars=20, on_change=take,
        help="The same number gives the same plant and the same data everywhere: "
        f"{NUMBERS[0]} to {NUMBERS[-1]}.",
    )  # fmt: skip
    return number


def _open(session: Session) -> None:
    """Open the plant of the tour, and go where it is described."""
    study_file.arrive(session, PLANT, "the plant of the tour. Each exercise sets its own pressure "
                      "and speed on it.")  # fmt: skip
    st.session_state["view"] = "Describe"


def _task(task: Task, number: int) -> None:
    one = exercise(number)
    asked = task.asked(one)
    st.header(task.title)
    st.markdown(task.story(one))
    st.download_button(
        "Data of this exercise as CSV", lambda: data_csv(task, number),
        file_name=f"exercise-{number}-{task.name}.csv", mime="text/csv", on_click="ignore",
        key=f"learn:data:{task.name}",
    )  # fmt: skip
    st.markdown(f"**Predict:** {asked.question}")
    key = f"{number}:{task.name}"
    typed = st.text_input(
        f"Your prediction [{asked.unit}]", key=f"learn:answer:{key}",
        placeholder=f"a number, in {asked.unit}", width=360,
    )  # fmt: skip
    if not typed:
        st.caption("Predict first; then you can reveal what happens.")
        return
    said = feedback(asked, typed)
    _say(said)
    if said.kind == "no number":
        st.caption("Predict a number first; then you can reveal what happens.")
    elif st.toggle("Reveal what happens", key=f"learn:reveal:{key}"):
        _reveal(task, number)


def _say(found: Feedback) -> None:
    show = st.success if found.kind == "right" else st.error
    show(f"**{_WORDS[found.kind]}.** {found.text}")


def _reveal(task: Task, number: int) -> None:
    found = task.reveal(exercise(number))
    left, right = st.columns([1.4, 1], gap="medium")
    with left:
        live = curves_picture(
            found.lines, found.x_label, found.y_label, found.title, log_y=found.log_y
        )
        style.picture(Drawn(live.svg, live.alt), found.look, fits=True)
    with right:
        for line in found.text:
            st.markdown(line)
        with st.expander("Formula and source"):
            st.markdown(found.formula)
            st.caption(f"Source: {found.source}")
