"""The settings in use and those beside them, judged once and kept."""

from __future__ import annotations

import streamlit as st

import chamberctl as cc
from chamberctl.control.duty_loops import DutyLoops, duty_loops
from chamberctl.findings import Finding
from chamberctl.report.verdict import Verdict, verdict
from chamberctl.workbench.candidates import Bench, Candidate, Shown, distinct, found_beside, tried
from desk.results import FIRST_GUESS, KEPT, tuning_of, window_of
from desk.session import Session

KEPT_TUNINGS = 60
"""So many judged settings are kept; the oldest go first."""

Refusal = cc.Infeasible | cc.InputError


@st.cache_resource(max_entries=KEPT, show_spinner=False)
def _loops(text: str, _study: cc.Study) -> DutyLoops | cc.Infeasible:
    try:
        return duty_loops(_study, window_of(text, _study).duty_points)
    except cc.Infeasible as refusal:
        return refusal


@st.cache_resource(max_entries=KEPT, show_spinner=False)
def _bench(text: str, _study: cc.Study) -> Bench | Refusal:
    loops, own = _loops(text, _study), tuning_of(text, _study)
    if isinstance(loops, cc.Infeasible):
        return loops
    return Bench(loops, own) if isinstance(own, cc.Tuning) else own


@st.cache_resource(max_entries=KEPT_TUNINGS, show_spinner=False)
def _judged(
    text: str, name: str, key: tuple[tuple[str, str], ...], _bench: Bench, _candidate: Candidate
) -> cc.Tuning | Refusal:
    return tried(_bench, _candidate)


@st.cache_resource(max_entries=KEPT, show_spinner=False)
def _found(text: str, _study: cc.Study) -> cc.Tuning | Refusal | None:
    return found_beside(_study)


@st.cache_resource(max_entries=KEPT_TUNINGS, show_spinner=False)
def _verdict(
    text: str, name: str, key: tuple[tuple[str, str], ...], _study: cc.Study,
    _tuning: cc.Tuning | Refusal,
) -> Verdict:  # fmt: skip
    if isinstance(_tuning, cc.InputError):
        return Verdict(False, f"No settings are given: {_tuning.first}", ())
    return verdict(_study, _tuning, window_of(text, _study))


def bench(session: Session) -> Bench | Refusal:
    """Return the study's loops and first guess, or why there are none."""
    assert session.study is not None
    return _bench(session.good_text, session.study)


def judge(session: Session, candidate: Candidate | None) -> cc.Tuning | Refusal:
    """Return a candidate's settings over the whole duty; None: the first guess."""
    found = bench(session)
    if not isinstance(found, Bench):
        return found
    if candidate is None:
        return found.own
    return _judged(session.good_text, candidate.name, candidate.key, found, candidate)


def in_use(session: Session) -> cc.Tuning | Refusal:
    """Return the settings in use over the whole duty."""
    return judge(session, session.settings)


def verdict_in_use(session: Session) -> Verdict:
    """Return the answer to whether the settings in use serve the whole duty."""
    assert session.study is not None
    settings = session.settings
    name, key = (settings.name, settings.key) if settings else ("", ())
    return _verdict(session.good_text, name, key, session.study, in_use(session))


def name_in_use(session: Session) -> str:
    """Return what the settings in use are called."""
    return session.settings.shown_name if session.settings else FIRST_GUESS


def is_in_use(session: Session, candidate: Candidate) -> bool:
    """Say whether a candidate is in use, wherever it is said to come from."""
    now = session.settings
    return now is not None and (now.name, now.key) == (candidate.name, candidate.key)


def as_found(session: Session) -> cc.Tuning | Refusal | None:
    """Return the settings that were found in the controller; None where none are written down."""
    assert session.study is not None
    return _found(session.good_text, session.study)


def wrong_found(session: Session) -> tuple[str, str]:
    """Return which of the settings found is wrong and why; two empty texts where none is."""
    found = as_found(session)
    if not isinstance(found, cc.InputError):
        return "", ""
    first = found.first
    return first.field.removeprefix("controller.as_found").lstrip("."), first.remedy


def said_of_found(session: Session) -> tuple[Finding, ...]:
    """Return what has to be said of settings found that cannot be used."""
    name, said = wrong_found(session)
    if not said:
        return ()
    text = f"Settings found in the controller: {f'{name}: ' if name else ''}{said}."
    return (Finding("caution", "as found", text),)


AS_FOUND = "as found"
"""Name under which the settings found in the controller are shown."""


def beside(session: Session) -> list[Shown]:
    """Return all that can be shown beside the settings in use: as found, then the candidates."""
    found = as_found(session)
    shown = [Shown(AS_FOUND, found)] if isinstance(found, cc.Tuning) else []
    if session.settings is not None:
        own = judge(session, None)
        if isinstance(own, cc.Tuning):
            shown.append(Shown(FIRST_GUESS, own))
    for candidate in session.candidates:
        tuning = judge(session, candidate)
        if not is_in_use(session, candidate) and isinstance(tuning, cc.Tuning):
            shown.append(Shown(candidate.shown_name, tuning))
    return distinct(name_in_use(session), shown)
