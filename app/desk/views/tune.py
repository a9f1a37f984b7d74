"""View "Tune": the settings as they will be typed in, and their margins over the whole duty."""

from __future__ import annotations

import streamlit as st

import chamberctl as cc
from chamberctl.control.forms import ACTION_SENTENCE
from chamberctl.report import gains_text, margins_text
from desk.findings import show_findings, show_refusal
from desk.results import tuning_of
from desk.session import Session
from desk.tables import show_table


def show(session: Session) -> None:
    """Draw the view."""
    study = session.study
    assert study is not None
    tuning = tuning_of(session.good_text, study)
    if not isinstance(tuning, cc.Tuning):
        show_refusal(tuning)
        return
    st.header("Settings to type in")
    st.markdown(f"**{ACTION_SENTENCE}**")
    show_table(gains_text.typed(study, tuning))
    st.header("Margins at every duty point")
    show_table(margins_text.at_points(study, tuning))
    show_findings(tuning.findings)
