"""View "Window": what the pumps can hold, and how much speed can do there."""

from __future__ import annotations

import streamlit as st

import chamberctl as cc
from chamberctl.report import handle_text, influence_text, window_text
from chamberctl.workbench.explanations import window_look
from desk import judged, style
from desk.comparing import show_comparison
from desk.findings import show_findings
from desk.results import (
    authority_picture,
    handle_of,
    influence_of,
    window_of,
    window_picture,
)
from desk.session import Session
from desk.tables import show_table


def show(session: Session) -> None:
    """Draw the view."""
    study = session.study
    assert study is not None
    window = window_of(session.good_text, study)
    st.header("What the pumps can hold")
    left, right = st.columns([3, 2])
    with left:
        style.picture(
            window_picture(session.good_text, study),
            window_look(window),
        )
    with right:
        for line in window_text.text(study, window):
            st.markdown(line)
        found = (*window.findings, *window_text.point_findings(window.duty_points))
        show_findings(window_text.gathered(found))
    _tables(study, window)
    st.header("How much speed can do")
    left, right = st.columns([3, 2])
    with left:
        style.picture(
            authority_picture(session.good_text, study),
            "whether the points stay above the gray band; 1 is a pump whose pressure falls by as "
            "many percent as its speed rises.",
        )
    with right:
        _handle(session, study)
    _alternatives(session, study)
    _hangs_on(session, study)
    st.header("Another study beside it")
    show_comparison(session, study)


def _tables(study: cc.Study, window: cc.OperatingWindow) -> None:
    show_table(window_text.points(study, window))
    with st.expander("Limits at each gas load, and how each point answers"):
        for make in (window_text.reach, window_text.answers, window_text.booster):
            show_table(make(study, window))


def _handle(session: Session, study: cc.Study) -> None:
    found = handle_of(session.good_text, study)
    st.markdown(f"**Is speed the right handle?** {handle_text.lead(found)}")
    show_findings(found.reasons)


def _alternatives(session: Session, study: cc.Study) -> None:
    found = handle_of(session.good_text, study)
    with st.expander("Speed and its alternatives over the duty"):
        show_table(handle_text.table(study, found))
        for line in handle_text.notes(found):
            st.markdown(f"- {line}")


def _hangs_on(session: Session, study: cc.Study) -> None:
    """Rank what the answer hangs on; computed once it is unfolded."""
    fold = st.expander(
        "What the answer hangs on: each input moved to the ends of its tolerance",
        key="window:hangs on", on_change="rerun",
    )  # fmt: skip
    if not fold.open:
        return
    tuning = judged.in_use(session)
    settings = tuning if isinstance(tuning, cc.Tuning) else None
    with fold:
        found = influence_of(session.good_text, study, settings)
        for line in influence_text.text(found):
            st.markdown(line)
        if found.rows:
            st.markdown(influence_text.nominal(found))
            show_table(influence_text.table(found))
