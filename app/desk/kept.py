"""Settings kept side by side: taken into use, named, thrown away."""

from __future__ import annotations

from dataclasses import replace

import streamlit as st

import chamberctl as cc
from chamberctl.workbench.candidates import Candidate, candidate_of
from desk import judged
from desk.entered import entered
from desk.results import FIRST_GUESS
from desk.session import Session


def show(session: Session, tuning: cc.Tuning) -> None:
    """Draw the list of what can be taken into use, and the entry for a name."""

    def keep() -> None:
        name = str(entered("kept:name") or "").strip()
        if not name:
            st.session_state["kept:said"] = "type a name first"
            return
        if name in (FIRST_GUESS, judged.AS_FOUND):
            st.session_state["kept:said"] = f"'{name}' is the name of other settings"
            return
        now = session.settings or candidate_of(name, tuning)
        session.keep_candidate(replace(now, name=name))
        session.use(replace(now, name=name))
        st.session_state["kept:name"] = ""

    with st.container(horizontal=True, vertical_alignment="bottom"):
        st.text_input("Keep these settings as", key="kept:name", placeholder="a name of your own")
        st.button("Keep", key="kept:keep", on_click=keep)
    said = st.session_state.pop("kept:said", "")
    if said:
        st.markdown(f":red[**✗ Name:**] {said}")
    _line(session, FIRST_GUESS, None, session.settings is None, can_drop=False)
    found = judged.as_found(session)
    if isinstance(found, cc.Tuning):
        taken = candidate_of(judged.AS_FOUND, found, "As found in the controller.")
        _line(session, judged.AS_FOUND, taken, judged.is_in_use(session, taken), can_drop=False)
    for candidate in session.candidates:
        _line(
            session, candidate.name, candidate, judged.is_in_use(session, candidate), can_drop=True
        )


def _line(
    session: Session, name: str, candidate: Candidate | None, used: bool, *, can_drop: bool
) -> None:
    with st.container(horizontal=True, vertical_alignment="center"):
        shown = candidate.shown_name if candidate else name
        st.markdown(f"**{shown}**, in use" if used else shown, width="stretch")
        st.button(
            "Use", key=f"kept:use:{name}", disabled=used, on_click=session.use, args=(candidate,)
        )
        if can_drop:
            st.button(
                "Delete", key=f"kept:drop:{name}", on_click=session.drop_candidate, args=(name,)
            )
