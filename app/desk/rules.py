"""Published rules side by side, and their settings to be taken into use."""

from __future__ import annotations

import streamlit as st

import chamberctl as cc
from chamberctl.report import rules_text
from chamberctl.workbench.candidates import rule_candidates
from desk.entered import entered
from desk.results import KEPT
from desk.session import Session
from desk.tables import show_table


@st.cache_resource(max_entries=KEPT, show_spinner="Applying the published rules ...")
def _compared(
    text: str, typed: tuple[tuple[str, str], ...], _study: cc.Study, _tuning: cc.Tuning
) -> cc.RuleComparison:
    return cc.compare_rules(_study, _tuning)


def show(session: Session, tuning: cc.Tuning) -> None:
    """Draw the comparison, where it is asked for."""
    if not st.toggle("Published rules side by side", key="rules:open"):
        return
    study = session.study
    assert study is not None
    found = _compared(session.good_text, tuple(tuning.typed.texts().items()), study, tuning)
    known = {candidate.name: candidate for candidate in rule_candidates(found)}

    def take() -> None:
        session.use(known[entered("rules:which")])

    st.markdown(rules_text.lead(found))
    with st.container(horizontal=True, vertical_alignment="bottom"):
        st.selectbox("Settings of a rule", list(known), key="rules:which")
        st.button("Use", key="rules:take", on_click=take)
    show_table(rules_text.table(found))
    for line in rules_text.text(found):
        st.caption(line)
    st.caption(f"Sources: {' '.join(rules_text.sources(found))}")
