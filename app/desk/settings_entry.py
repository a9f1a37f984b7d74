"""Entries for settings: sliders in log steps, and exact numbers in the controller's own units."""

from __future__ import annotations

from itertools import count

import streamlit as st

import chamberctl as cc
from chamberctl.control.forms import TypedValue
from chamberctl.workbench.candidates import Bench, Candidate, candidate_of, with_text
from chamberctl.workbench.slider_steps import slider_steps
from desk.entered import entered
from desk.session import Session

OWN_NUMBERS = "own numbers"
"""Name of settings that were moved and not yet named."""

MAIN = ("Kc", "Ti")
SLID = ("Kc", "Ti", "Td", "Tf", "b")
"""Settings that are always in sight, and those that have a slider."""

_WRONG = "tune:wrong"
_NEW = count()


def show(session: Session, bench: Bench, tuning: cc.Tuning) -> None:
    """Draw an entry for each of the settings in use."""
    rows = {row.key: row for row in tuning.typed.rows}
    for key in MAIN:
        _row(session, bench, tuning, rows[key])
    # what is not seen is not drawn: all of this follows every move
    if st.toggle("Derivative, filters, weights, limits", key="tune:more"):
        for key, row in rows.items():
            if key not in MAIN:
                _row(session, bench, tuning, row)


def _row(session: Session, bench: Bench, tuning: cc.Tuning, row: TypedValue) -> None:
    label = f"{row.label} [{row.shown_unit}]" if row.shown_unit else row.label
    wrong = _wrong(session)
    shown = wrong[row.key][0] if row.key in wrong else row.text

    def take(key: str, drawn: str) -> None:
        text = str(entered(key) or "")
        if text != drawn:  # an entry that is gone may report what it showed
            _take(session, bench, tuning, wrong, row.key, text)

    if row.key in SLID:
        steps, here = slider_steps(bench.own, tuning.typed, row.key)
        slider = _standing(f"tune:slide:{row.key}", here)
        st.select_slider(label, steps, here, key=slider, on_change=take, args=(slider, here))
    exact = _standing(f"tune:exact:{row.key}", shown)
    st.text_input(
        f"{label}, exactly" if row.key in SLID else label, shown, key=exact, on_change=take,
        args=(exact, shown),
        help=f"{row.meaning}; empty: the first guess's number",
    )  # fmt: skip
    if row.key in wrong:
        st.markdown(f":red[**✗ {row.label}:**] {wrong[row.key][1]}")


def _standing(name: str, text: str) -> str:
    """Return the key of an entry that stands at a text: a new one where it stands elsewhere.

    Put there under its old key it would go on reporting where it stood before, until the page has
    heard of the change, and each report would count as typed in.
    """
    key = st.session_state.get(name)
    if key is None or st.session_state.get(key, text) != text:
        key = st.session_state[name] = f"{name}:{next(_NEW)}"
    return str(key)


def _wrong(session: Session) -> dict[str, tuple[str, str]]:
    """Return refused entries and why; what is taken back or opened anew takes them away."""
    generation, wrong = st.session_state.get(_WRONG, (session.generation, {}))
    if generation != session.generation:
        wrong = {}
    st.session_state[_WRONG] = (session.generation, wrong)
    return wrong


def _take(
    session: Session,
    bench: Bench,
    tuning: cc.Tuning,
    wrong: dict[str, tuple[str, str]],
    key: str,
    text: str,
) -> None:
    """Take a number into use; what is wrong with it is said beside it."""
    wrong.pop(key, None)
    now = session.settings or candidate_of(OWN_NUMBERS, tuning)
    try:
        new = with_text(bench.own, now, key, text)
    except cc.InputError as error:
        wrong[key] = (text, error.first.remedy)
        return
    session.use(Candidate(OWN_NUMBERS, new.texts))
