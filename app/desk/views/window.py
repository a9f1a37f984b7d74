"""View "Window": what the pumps can hold, and how much speed can do there."""

from __future__ import annotations

import streamlit as st

from chamberctl.report import window_text
from desk import style
from desk.findings import show_findings
from desk.results import authority_picture, window_of, window_picture
from desk.session import Session


def show(session: Session) -> None:
    """Draw the view."""
    study = session.study
    assert study is not None
    window = window_of(session.good_text, study)
    st.header("What the pumps can hold")
    for line in window_text.text(study, window):
        st.markdown(line)
    left, right = st.columns([3, 2])
    with left:
        svg, alt = window_picture(session.good_text, study)
        style.picture(svg, "whether every numbered duty point lies on a curve.", alt)
        svg, alt = authority_picture(session.good_text, study)
        style.picture(svg, "whether the points stay above the gray band.", alt)
    with right:
        st.subheader("Findings")
        show_findings(window_text.gathered(window.findings))
