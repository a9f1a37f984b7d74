"""The study's own way of tuning, asked for by a button and found while the page goes on."""

from __future__ import annotations

import streamlit as st

import chamberctl as cc
from chamberctl.workbench.candidates import candidate_of
from chamberctl.workbench.proposal_job import ProposalJob
from desk import calmness
from desk.findings import show_refusal
from desk.session import Session

NAME = "robust"
OF_BEFORE = (
    "The search is done. The study changed meanwhile, so the settings it found are kept beside the "
    "others and not in use; look for the study as it is now, or choose them."
)
_JOB = "proposing:job"
_LOOK_EVERY_S = 1.0


def show(session: Session) -> None:
    """Draw the button, or how far the search is; what is found is kept and taken into use."""
    study = session.study
    assert study is not None
    if study.controller.rule != NAME:
        return
    job: ProposalJob | None = st.session_state.get(_JOB)
    if job is None:
        st.button(
            "Find robust settings (seconds to a minute)", key="proposing:start", on_click=_start,
            args=(session,),
        )  # fmt: skip
    elif job.running:
        st.fragment(_watch, run_every=_LOOK_EVERY_S)(job)
        st.button("Do not wait", key="proposing:stop", on_click=_forget)
    else:
        _take(session, job)


def _start(session: Session) -> None:
    assert session.study is not None
    st.session_state[_JOB] = ProposalJob(session.study, session.good_text)


def _forget() -> None:
    st.session_state.pop(_JOB, None)


def _watch(job: ProposalJob) -> None:
    if not job.running:
        st.rerun()
    st.markdown(f"**Finding robust settings ...** {job.elapsed_text}")


def _take(session: Session, job: ProposalJob) -> None:
    """Take what was found into use; one that was found for another text is only kept."""
    found = job.result
    if not isinstance(found, cc.Tuning):
        if found is None:
            st.error("**✗ The search broke off:** the settings in use stay as they are.")
        else:
            show_refusal(found)
        st.button("Close", key="proposing:close", on_click=_forget)
        return
    _forget()
    calmness.remember(job.text, job.paces)
    candidate = candidate_of(NAME, found, " ".join(found.why[:1]))
    if job.text == session.good_text:
        session.keep_candidate(candidate)
        session.use(candidate)
    else:
        session.keep_candidate(candidate.outdated())
        st.session_state["tune:said"] = OF_BEFORE
    st.rerun()
