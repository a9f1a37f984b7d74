"""View "Behave": scenarios on the nonlinear plant, settings over each other, and many draws."""

from __future__ import annotations

from collections.abc import Sequence

import streamlit as st

import chamberctl as cc
from chamberctl.report import behavior_text, margins_text, window_text
from chamberctl.report.trace_csv import trace_csv
from chamberctl.simulation.scenarios import SCENARIOS
from chamberctl.workbench.candidates import Shown
from chamberctl.workbench.runs import (
    Trial,
    attempt,
    file_name,
    metrics_table,
    places,
    remarks,
    verdicts,
)
from chamberctl.workbench.runs_picture import runs_picture
from desk import draws, explained, judged
from desk.findings import show_findings, show_refusal
from desk.session import Session
from desk.tables import show_table

FIRST = "gas-step"
"""Scenario that is shown first."""


def show(session: Session) -> None:
    """Draw the view."""
    tuning = judged.in_use(session)
    if not isinstance(tuning, cc.Tuning):
        show_refusal(tuning)
        return
    controls, results = st.columns([1, 3.4], gap="medium")
    with controls:
        name, where, seed, shown = _chosen(session, tuning)
    trials = attempt(shown, name, where, seed)
    with results:
        _runs(tuning.study, trials, seed)
    draws.show(session, shown[0], name, trials[0].day.point)


def _chosen(session: Session, tuning: cc.Tuning) -> tuple[str, str, int | None, list[Shown]]:
    """Draw what can be chosen; return scenario, duty point, seed and settings."""
    names = list(SCENARIOS)
    name = st.selectbox(
        "What happens", names, names.index(FIRST), key="behave:scenario",
        format_func=lambda key: SCENARIOS[key].title,
    )  # fmt: skip
    st.caption(SCENARIOS[name].sentence)
    known = places(tuning)
    worst = tuning.points[margins_text.worst_index(tuning)].where
    where = st.selectbox(
        "At duty point", list(known), list(known).index(worst), format_func=lambda key: known[key],
        key=f"behave:where:{session.good_text}",
    )  # fmt: skip
    noisy = st.toggle("With the gauge's noise", key="behave:noise")
    seed = (
        st.number_input("Seed of the noise", 0, 1_000_000, 1, key="behave:seed") if noisy else None
    )
    every = judged.beside(session)
    beside = [one.name for one in every]
    chosen = beside
    if beside:
        chosen = st.pills(
            "Beside it", beside, selection_mode="multi", default=beside,
            key=f"behave:beside:{beside}",
        )  # fmt: skip
    now = Shown(judged.name_in_use(session), tuning)
    return name, where, seed, [now, *(one for one in every if one.name in chosen)]


def _runs(study: cc.Study, trials: Sequence[Trial], seed: int | None) -> None:
    left, right = st.columns([1.5, 1], gap="medium")
    with left:
        live = runs_picture(study, trials)
        if live is not None:
            explained.show(live, "runs")
    with right:
        show_findings(verdicts(study, trials))
        for line in remarks(study, trials):
            st.markdown(line)
    ran = [trial for trial in trials if trial.day.run is not None]
    if not ran:
        return
    show_table(metrics_table(study, trials))
    st.caption(behavior_text.COUNTED)
    with st.container(horizontal=True):
        for trial in ran:
            _download(study, trial, seed)
    found = [finding for trial in ran[:1] for finding in _findings(trial)]
    show_findings(window_text.gathered(found))


def _findings(trial: Trial) -> Sequence[cc.Finding]:
    return trial.day.run.findings if trial.day.run is not None else ()


def _download(study: cc.Study, trial: Trial, seed: int | None) -> None:
    run = trial.day.run
    assert run is not None
    st.download_button(
        f"Run with {trial.shown.name} as CSV", lambda: trace_csv(study, run, seed=seed),
        file_name=file_name(study, trial), mime="text/csv", on_click="ignore",
        key=f"behave:csv:{trial.shown.name}",
    )  # fmt: skip
