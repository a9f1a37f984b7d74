"""The report, made when it is asked for, and the files to take away."""

from __future__ import annotations

from pathlib import Path

import streamlit as st

import chamberctl as cc
from chamberctl.workbench.bundle import Bundle, bundle
from chamberctl.workbench.candidates import candidate_of
from chamberctl.workbench.study_settings import joined
from desk import judged
from desk.results import window_of
from desk.session import Session

KEPT_REPORTS = 4

_MADE = "handover:made"
_DOING = "Simulating every scenario at the corners of the duty, and writing the report ..."


@st.cache_resource(max_entries=KEPT_REPORTS, show_spinner=_DOING)
def _bundle(text: str, file: str, _window: cc.OperatingWindow) -> Bundle:
    return bundle(text, file, _window)


def show(session: Session) -> None:
    """Draw the buttons that make the report and take files away."""
    text = text_to_hand_over(session)
    stem = Path(session.download_name).stem

    def make() -> None:
        st.session_state[_MADE] = text

    if session.problems:
        st.warning("**! Not every field is usable; the report is of the last good study.**")
    with st.container(horizontal=True):
        st.button("Make the report", key="handover:make", on_click=make)
        st.download_button(
            "Download the study", text, file_name=session.download_name, mime="application/toml",
            on_click="ignore", key="handover:study",
        )  # fmt: skip
    if st.session_state.get(_MADE) != text:
        if _MADE in st.session_state:
            st.caption("The study or the settings changed since the report was made.")
        return
    assert session.study is not None
    found = _bundle(text, session.download_name, window_of(session.good_text, session.study))
    with st.container(horizontal=True):
        st.download_button(
            "Download the report (one page, to read and print)", found.html,
            file_name=f"{stem}-report.html", mime="text/html", on_click="ignore",
            key="handover:html",
        )  # fmt: skip
        st.download_button(
            "Download everything (zip)", found.archive, file_name=f"{stem}-report.zip",
            mime="application/zip", on_click="ignore", key="handover:zip",
        )  # fmt: skip
    st.caption(f"In the archive: {', '.join(found.names)}. The page prints on A4 and Letter.")


def text_to_hand_over(session: Session) -> str:
    """Return the text of the last good study with the settings in use, whoever found them."""
    tuning = judged.in_use(session)
    settings = session.settings
    if settings is None and isinstance(tuning, cc.Tuning):
        settings = candidate_of(judged.name_in_use(session), tuning)
    return joined(session.good_text, settings)
