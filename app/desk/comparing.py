"""A second study held against the one on the page."""

from __future__ import annotations

import streamlit as st

import chamberctl as cc
from chamberctl.report import comparison_text
from chamberctl.study import loads
from chamberctl.study.source import decode_source
from desk import style
from desk.findings import show_problems
from desk.results import comparison_of, window_picture
from desk.session import Session
from desk.tables import show_table

NONE, AS_OPENED, UPLOAD = "none", "this study as it was opened", "a study file"


def show_comparison(session: Session, study: cc.Study) -> None:
    """Let a second study be chosen, and show what differs."""
    choices = [NONE, *([AS_OPENED] if session.is_still_there else []), UPLOAD, *cc.presets()]
    left, right = st.columns(2)
    chosen = left.selectbox("Compare with", choices, key="compare:with")
    with right:
        try:
            other = _second(session, chosen or NONE)
        except cc.InputError as error:
            show_problems("Not compared", error.problems)
            return
    if other is None:
        st.caption(
            "Both are looked at over the duty of the study on this page, each with its own leak: "
            "the way to see what a wider line, a larger pump or a bleed would change."
        )
        return
    found = comparison_of(session.good_text, other.text, study, other)
    for line in found.text:
        st.markdown(f"- {line}")
    left, right = st.columns(2)
    for column, which, title in ((left, study, "This study"), (right, other, "The second")):
        with column:
            st.subheader(f"{title}: {which.title}")
            drawn = window_picture(which.text, which)
            style.picture(drawn, "where the curves end, at the same gas load.")
    for table in (
        comparison_text.reach(study, found),
        comparison_text.points(study, found),
        comparison_text.changes(found),
    ):
        show_table(table)


def _second(session: Session, chosen: str) -> cc.Study | None:
    """Return the study to compare with; None while there is none."""
    if chosen == NONE:
        return None
    if chosen == AS_OPENED:
        return cc.load(session.source)
    if chosen != UPLOAD:
        return cc.load(f"preset:{chosen}")
    upload = st.file_uploader("Study file (TOML, at most 1 MB)", type="toml", max_upload_size=1,
                              key="compare:file")  # fmt: skip
    if upload is None:
        return None
    return loads(decode_source(upload.getvalue(), upload.name), upload.name)
