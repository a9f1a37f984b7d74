"""The strip that stays in sight: study, settings, worst margin, verdict, and what is saved."""

from __future__ import annotations

import streamlit as st
from streamlit.delta_generator import DeltaGenerator

import chamberctl as cc
from chamberctl.report import margins_text
from desk import judged
from desk.session import Session

_PLACE, _STEPS = "strip:place", "strip:steps"


def show(session: Session, views: list[str]) -> str:
    """Draw the strip; return the name of the view that was chosen."""
    with st.container(key="strip"):
        st.session_state[_PLACE] = st.empty()
        _say(session, st.session_state[_PLACE])
        with st.container(horizontal=True, vertical_alignment="center", gap="small"):
            chosen = _view(views)
            st.button("Undo", key="undo", disabled=not session.back, on_click=session.undo)
            st.button("Redo", key="redo", disabled=not session.forth, on_click=session.redo)
    st.session_state[_STEPS] = _steps(session)
    if session.trouble:
        st.error(f"**✗ The recovery copy cannot be written:** {session.trouble}. Save the study.")
    return chosen


def words_place() -> DeltaGenerator:
    """Return where the strip's words stand, for a part of the page that is drawn by itself."""
    place: DeltaGenerator = st.session_state[_PLACE]
    return place


def refresh(session: Session, place: DeltaGenerator) -> None:
    """Say again what changed, from a part of the page that is drawn by itself."""
    _say(session, place)


def follow(session: Session) -> None:
    """Draw the whole page anew where undo, redo or the fields are not what it was drawn with.

    A part of the page that is drawn by itself does so at its end: of what is not drawn when it is
    broken off, the page forgets where it stands.
    """
    if _steps(session) != st.session_state[_STEPS]:
        st.rerun()


def _steps(session: Session) -> tuple[bool, bool, int]:
    """Return what the rest of the page was drawn with: undo and redo in reach, fields as now."""
    return bool(session.back), bool(session.forth), session.generation


def _say(session: Session, place: DeltaGenerator) -> None:
    place.markdown(" · ".join(_words(session)))


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
    tuning, answer = judged.in_use(session), judged.verdict_in_use(session)
    words = [f"**{study.title or session.source}**", session.standing]
    if session.problems:
        count = len(session.problems)
        fields = "1 field is" if count == 1 else f"{count} fields are"
        what = fields if session.has_fields else "the text is"
        words.append(f"**! {what} not usable yet: the last good study is shown**")
    if isinstance(tuning, cc.Tuning):
        words.append(f"Settings: {judged.name_in_use(session)}")
        words.append(f"Worst: {margins_text.worst_in_short(study, tuning)}")
    words.append(f"**{'✓ YES' if answer.good else '✗ NO'}:** {answer.lead}")
    return words
