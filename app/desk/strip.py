"""The strip that stays in sight: study, settings, worst margin, verdict, and what is saved."""

from __future__ import annotations

import streamlit as st

import chamberctl as cc
from chamberctl.report import margins_text
from desk.results import tuning_of, verdict_of
from desk.session import Session


def show(session: Session, views: list[str]) -> str:
    """Draw the strip; return the name of the view that was chosen."""
    with st.container(key="strip"):
        st.markdown(" · ".join(_words(session)))
        with st.container(horizontal=True, vertical_alignment="center", gap="small"):
            chosen = _view(views)
            st.button("Undo", disabled=not session.back, on_click=session.undo)
            st.button("Redo", disabled=not session.forth, on_click=session.redo)
    if session.trouble:
        st.error(f"**✗ The recovery copy cannot be written:** {session.trouble}. Save the study.")
    return chosen


def _view(views: list[str]) -> str:
    asked = st.query_params.get("view", views[0])
    chosen = st.segmented_control(
        "View", views, default=asked if asked in views else views[0], key="view",
        label_visibility="collapsed", required=True,
    )  # fmt: skip
    name = chosen or views[0]
    if st.query_params.get("view") != name:
        st.query_params["view"] = name
    return name


def _words(session: Session) -> list[str]:
    """Return what the strip says, in a few words each."""
    study = session.study
    if study is None:
        return [f"**{session.source}** is not a study yet", session.standing]
    tuning = tuning_of(session.good_text, study)
    answer = verdict_of(session.good_text, study)
    words = [f"**{study.title or session.source}**", session.standing]
    if session.problems:
        count = len(session.problems)
        fields = "1 field is" if count == 1 else f"{count} fields are"
        words.append(f"**! {fields} not usable yet: the last good study is shown**")
    words.append(f"Settings: {session.settings.name if session.settings else 'by the rule'}")
    if isinstance(tuning, cc.Tuning):
        words.append(f"Worst: {margins_text.worst_in_short(study, tuning)}")
    words.append(f"**{'✓ YES' if answer.good else '✗ NO'}:** {answer.lead}")
    return words
