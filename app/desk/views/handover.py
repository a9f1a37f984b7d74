"""View "Hand over": what to type in, how to switch over, the way back, and the report."""

from __future__ import annotations

import streamlit as st

import chamberctl as cc
from chamberctl.control.forms import ACTION_SENTENCE
from chamberctl.report import gains_text
from chamberctl.report.tables import Column, Row, Table
from chamberctl.study.outline import outline
from chamberctl.workbench.proposal_job import said_of_first_guess, said_of_schedule
from desk import judged, read_back, report_files
from desk.fields import show_entry
from desk.findings import show_findings, show_refusal
from desk.session import Session
from desk.tables import show_table

RECORD = ("tag", "who", "when", "why")
SWITCH = ("start_output", "switch_pressure", "bad_reading")
"""Fields of the controller's table that belong to the record, and to switching over."""

NOT_FOUND = (
    "**! The settings found in the controller are not written down.** Write them down in the view "
    "Tune before anything is typed in: they are the way back."
)


def show(session: Session) -> None:
    """Draw the view."""
    study, tuning = session.study, judged.in_use(session)
    assert study is not None
    if not isinstance(tuning, cc.Tuning):
        show_refusal(tuning)
        report_files.show(session)
        return
    guess = () if session.settings else said_of_first_guess(study)
    show_findings((*guess, *said_of_schedule(study), *judged.said_of_found(session)))
    left, right = st.columns([1.5, 1], gap="large")
    with left:
        _numbers(session, study, tuning)
    with right:
        _switching(session, study, tuning)
    st.header("Read back what the controller shows")
    read_back.show(session, tuning)
    st.header("Values to go back to")
    if not study.controller.as_found:
        st.warning(NOT_FOUND)
    show_table(gains_text.restore(study))
    st.header("Who, when and why")
    _fields(session, RECORD)
    st.header("Report and study")
    report_files.show(session)


def _numbers(session: Session, study: cc.Study, tuning: cc.Tuning) -> None:
    st.header(f"Type these in: {judged.name_in_use(session)}")
    if not tuning.holds:
        st.error("**✗ No:** these settings do not serve the whole duty as stated; see Tune.")
    show_table(gains_text.typed(study, tuning))
    show_table(_pairs("They mean this only with", gains_text.spans(study, tuning)))
    with st.expander("The same settings in other notations"):
        table, note = gains_text.notations(tuning)
        show_table(table)
        st.caption(note)


def _switching(session: Session, study: cc.Study, tuning: cc.Tuning) -> None:
    st.header("Check the sign, then switch")
    st.markdown(f"**{ACTION_SENTENCE}**")
    st.markdown("\n".join(f"1. {step}" for step in tuning.check_steps))
    show_table(_pairs("Switching to automatic", gains_text.handover(study, tuning)))
    with st.expander("Change these"):
        _fields(session, SWITCH)


def _pairs(caption: str, pairs: gains_text.Pairs) -> Table:
    rows = [Row((name, text)) for name, text in pairs]
    return Table(caption, (Column("What", "", "part"), Column("How it is")), rows)


def _fields(session: Session, keys: tuple[str, ...]) -> None:
    """Draw some fields of the controller's table, as they stand in the study."""
    block = next(block for block in outline(session.text, session.study)
                 if block.path == "controller")  # fmt: skip
    rows = {row.path.rpartition(".")[2]: row for row in block.rows}
    for key in keys:
        show_entry(session, block, rows[key])
