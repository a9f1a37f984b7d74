"""How a study finds its own settings, and what was found in the controller."""

from __future__ import annotations

import streamlit as st

import chamberctl as cc
from chamberctl.study.outline import outline
from desk import judged
from desk.entered import entered
from desk.fields import show_entry
from desk.session import Session

WAY = ("rule", "pace", "terms")
"""Fields of the controller that say how settings are found."""


def show(session: Session) -> None:
    """Draw the study's fields on how settings are found."""
    st.caption(
        "Robust: the most integral action that every plant of the duty and its tolerances bears, "
        "found when asked for while the page goes on. The first guess is a published rule at the "
        "hardest point."
    )
    for block in outline(session.text, session.study):
        if block.path == "controller":
            for row in block.rows:
                if row.path.rpartition(".")[2] in WAY:
                    show_entry(session, block, row)


def show_found(session: Session, tuning: cc.Tuning | cc.Infeasible | cc.InputError) -> None:
    """Draw an entry for every setting that stood in the controller before."""
    assert session.study is not None
    if not isinstance(tuning, cc.Tuning):
        st.caption("Without a loop there is nothing to compare them with.")
        return
    found = dict(session.study.controller.as_found or {})

    def take(name: str, key: str) -> None:
        text = str(entered(key) or "").strip()
        if text != found.get(name, ""):  # a field that is gone may report what it showed
            session.record("as_found", name, text)

    st.caption(
        "Write these down before anything is typed in: they are the way back. In the controller's "
        "own units, as its panel shows them."
    )
    name, said = judged.wrong_found(session)
    for row in tuning.typed.rows:
        key = f"found:{session.generation}:{row.key}"
        label = f"{row.label} found [{row.shown_unit}]" if row.shown_unit else f"{row.label} found"
        st.text_input(
            label, found.get(row.key, ""), key=key, on_change=take, args=(row.key, key),
            placeholder="not written down",
        )  # fmt: skip
        if name == row.key:
            st.markdown(f":red[**✗ {row.label} found:**] {said}")
    if said and name not in tuning.typed.texts():
        st.markdown(f":red[**✗ Settings found:**] {said}")
    others = [
        f"{name} = {text}" for name, text in found.items() if name not in tuning.typed.texts()
    ]
    if others:
        st.caption(f"Also written down: {'; '.join(others)}")
