"""Reading back: what the controller shows is typed in here, and differences are flagged."""

from __future__ import annotations

import streamlit as st

import chamberctl as cc
from chamberctl.workbench.candidates import Bench
from chamberctl.workbench.read_back import as_shown, is_complete, margins_table, read_back
from desk import judged
from desk.entered import entered
from desk.session import Session
from desk.tables import show_table

WIDTH = 330


def show(session: Session, tuning: cc.Tuning) -> None:
    """Draw an entry for each setting; what is typed in is the study's record of what was left."""
    assert session.study is not None
    st.caption(
        "Read each number off the controller's own panel and type it in. It is kept in the study "
        "as the settings that were left."
    )
    left = dict(session.study.controller.as_left or {})

    def take(name: str, key: str) -> None:
        text = str(entered(key) or "").strip()
        if text != left.get(name, ""):  # a field that is gone may report what it showed
            session.record("as_left", name, text)

    found = read_back(tuning, left)
    with st.container(horizontal=True, gap="medium"):
        for one in found:
            row, key = one.row, f"read:{session.generation}:{one.row.key}"
            unit = f" [{row.shown_unit}]" if row.shown_unit else ""
            with st.container(width=WIDTH):
                st.text_input(
                    f"{row.label} shown{unit}", left.get(row.key, ""), key=key, on_change=take,
                    args=(row.key, key), placeholder=f"to be {row.text}",
                )  # fmt: skip
                if one.good:
                    st.markdown(f"✓ {row.label}: as it was to be")
                elif one.text:
                    st.markdown(f":red[**✗ {row.label}:**] {one.said}")
    _answer(session, tuning, left, complete=is_complete(found), same=all(o.good for o in found))


def _answer(
    session: Session, tuning: cc.Tuning, texts: dict[str, str], *, complete: bool, same: bool
) -> None:
    """Say whether all agrees, and what the numbers shown would do where they do not."""
    if same:
        st.success("✓ The controller shows every number as it was to be typed in.")
        return
    bench = judged.bench(session)
    if not texts or not isinstance(bench, Bench):
        return
    if not complete:
        st.info("i Not every number was read back yet; for the others the numbers above count.")
    shown = as_shown(bench, tuning, texts)
    if isinstance(shown, cc.Tuning):
        show_table(margins_table(tuning, shown))
    else:
        st.error(f"**✗ The numbers shown are no law:** {shown}")
