"""View "Window": what the pumps can hold, and how much speed can do there."""

from __future__ import annotations

import streamlit as st

import chamberctl as cc
from chamberctl.report import handle_text, window_text
from desk import style
from desk.comparing import show_comparison
from desk.findings import show_findings
from desk.results import authority_picture, handle_of, window_of, window_picture
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
            "whether every numbered duty point lies on a curve, and how far it is from the ends "
            "of the drive's range: that is the reserve.",
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
