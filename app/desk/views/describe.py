"""View "Describe": which study it is, and everything it says of system, duty and controller."""

from __future__ import annotations

import streamlit as st

import chamberctl as cc
from desk.findings import show_problems
from desk.session import Session


def show(session: Session) -> None:
    """Draw the view."""
    st.header("The system, its duty and its controller")
    _choose(session)
    with st.expander("The study as text"):
        _as_text(session)


def mend(session: Session) -> None:
    """Show a text that is no study, to be mended."""
    st.header("This text is not a study yet")
    show_problems("What is wrong", session.problems)
    _as_text(session)


def _choose(session: Session) -> None:
    """Open a preset or an uploaded file."""
    left, right = st.columns(2)
    name = left.selectbox("Begin with a preset", list(cc.presets()), index=None)
    if name and left.button("Open the preset", key=f"open:{name}"):
        session.open(f"preset:{name}")
        st.rerun()
    upload = right.file_uploader("Open a study file (TOML, at most 1 MB)", type="toml",
                                 max_upload_size=1, key=f"upload:{session.generation}")  # fmt: skip
    if upload is not None:
        try:
            session.take_upload(upload.name, upload.getvalue())
        except cc.StudyError as error:
            show_problems("This file is not opened", error.problems)
        else:
            st.rerun()


def _as_text(session: Session) -> None:
    key = f"text:{session.generation}"

    def take() -> None:
        session.set_text(st.session_state[key])

    st.text_area("Study (TOML)", session.text, height=500, key=key, on_change=take)
    if session.problems:
        show_problems("Not usable yet", session.problems)
