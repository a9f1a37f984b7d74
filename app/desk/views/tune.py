"""View "Tune": settings moved, typed or found by rule, and what they do over the whole duty."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

import streamlit as st
from streamlit.delta_generator import DeltaGenerator

import chamberctl as cc
from chamberctl.control.forms import ACTION_SENTENCE
from chamberctl.report import margins_text, window_text
from chamberctl.workbench.answers import Compared, Step, compare_answers
from chamberctl.workbench.answers_picture import answers_picture
from chamberctl.workbench.candidates import Bench, Shown
from chamberctl.workbench.comparison import side_by_side
from chamberctl.workbench.frequency_picture import frequency_picture
from chamberctl.workbench.proposal_job import said_of_schedule
from chamberctl.workbench.reading_switch import other_reading
from desk import calmness, explained, judged, kept, own_way, proposing, rules, settings_entry, strip
from desk.entered import entered
from desk.findings import show_findings, show_refusal
from desk.session import Session
from desk.tables import show_table

_LOOPS: dict[str, Literal["linear", "on the plant"]] = {
    "linear loop": "linear", "on the nonlinear plant": "on the plant",
}  # fmt: skip
_VARIABLES: dict[str, Literal["deviation", "physical"]] = {
    "deviation": "deviation", "physical": "physical",
}  # fmt: skip
_WORST = "where margins are worst"

CONVERTED = "first guess, converted"
"""Name of the first guess's settings once the controller is put on the other reading."""


def show(session: Session) -> None:
    """Draw the view."""
    tuning = judged.in_use(session)
    with st.container(horizontal=True, gap="small", vertical_alignment="center"):
        proposing.show(session)
        with st.popover("Settings found in the controller"):
            own_way.show_found(session, tuning)
        with st.popover("How the study finds its own settings"):
            own_way.show(session)
    assert session.study is not None
    show_findings((*said_of_schedule(session.study), *judged.said_of_found(session)))
    calmness.choose(session)
    _live(session, strip.words_place())
    calmness.show(session)
    if isinstance(tuning, cc.Tuning):
        rules.show(session, tuning)


@st.fragment
def _live(session: Session, words: DeltaGenerator) -> None:
    """Draw all that follows a slider; nothing else of the page is drawn anew."""
    strip.refresh(session, words)
    _following(session)
    strip.follow(session)


def _following(session: Session) -> None:
    """Draw entries, pictures and tables, or why there are none."""
    bench, tuning = judged.bench(session), judged.in_use(session)
    if not isinstance(bench, Bench):
        show_refusal(bench)
        return
    if not isinstance(tuning, cc.Tuning):
        show_refusal(tuning)
        st.button("Back to the first guess", on_click=session.use, args=(None,))
        return
    controls, pictures = st.columns([1, 2.6], gap="medium")
    with controls:
        st.markdown(f"**In use: {judged.name_in_use(session)}.** {ACTION_SENTENCE}")
        settings_entry.show(session, bench, tuning)
        if st.toggle("Keep, name and choose settings", key="tune:kept"):
            kept.show(session, tuning)
    with pictures:
        shown, where = _chosen(session, bench, tuning)
        compared = _pictures(bench, shown, where)
    show_table(side_by_side(bench.study, shown, compared))
    show_table(margins_text.at_points(bench.study, tuning))
    show_findings(window_text.gathered(tuning.findings))


def _chosen(session: Session, bench: Bench, tuning: cc.Tuning) -> tuple[list[Shown], str]:
    """Draw what can be chosen about the pictures; return what is shown, and at which point."""
    every = judged.beside(session)
    names = [one.name for one in every]
    with st.container(horizontal=True, gap="medium"):
        _reading(session, bench, tuning)
        st.segmented_control(
            "Response", list(_LOOPS), default="linear loop", key="tune:loop", required=True
        )
        st.segmented_control(
            "Variables", list(_VARIABLES), default="deviation", key="tune:variables", required=True
        )
        place = st.selectbox(
            "Compared at", [_WORST, *(point.where for point in tuning.points)], key="tune:where"
        )
        chosen = names
        if names:
            chosen = st.pills(
                "Beside it", names, selection_mode="multi", default=names,
                key=f"tune:beside:{names}",
            )  # fmt: skip
    said = st.session_state.pop("tune:said", "")
    if said:
        st.info(f"i {said}")
    worst = tuning.points[margins_text.worst_index(tuning)].where
    where = worst if place == _WORST or place is None else place
    now = Shown(judged.name_in_use(session), tuning)
    return [now, *(one for one in every if one.name in chosen)], where


def _pictures(bench: Bench, shown: Sequence[Shown], where: str) -> dict[Step, Compared]:
    """Draw both pictures; return the answers that the first one shows."""
    study = bench.study
    loop = _LOOPS[st.session_state["tune:loop"]]
    variables = _VARIABLES[st.session_state["tune:variables"]]
    compared = compare_answers(shown, where, loop, bench.plants)
    left, right = st.columns(2, gap="small")
    with left:
        explained.show(answers_picture(study, compared, loop, variables), "answers")
    with right:
        explained.show(frequency_picture(study, shown, where), "frequency")
    return compared


def _reading(session: Session, bench: Bench, tuning: cc.Tuning) -> None:
    def switch() -> None:
        if entered("tune:reading") == session_reading:
            return
        now = Shown(session.settings.name if session.settings else CONVERTED, tuning)
        try:
            found = other_reading(bench.own, now, session.candidates)
        except cc.InputError as error:
            st.session_state["tune:said"] = str(error.first.remedy)
            return
        session.change_together(found.changes, found.in_use, found.kept)
        st.session_state["tune:said"] = found.said

    session_reading = bench.study.controller.reading
    st.session_state["tune:reading"] = session_reading
    st.segmented_control(
        "Reading", ["log10", "linear"], key="tune:reading", on_change=switch, required=True
    )
