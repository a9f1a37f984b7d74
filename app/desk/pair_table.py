"""A field of pairs, such as a pump's curve, as a table of entries."""

from __future__ import annotations

import streamlit as st

from chamberctl.study.outline import Row
from chamberctl.study.typed_in import read_rows
from desk.session import Session

_WIDTHS = [2, 2, 1, 4]


def show_pairs(session: Session, row: Row) -> None:
    """Show the rows of a field of pairs; each may be changed, taken out or added."""
    st.markdown(f"**{row.label}**")
    st.caption(row.help if row.required else f"{row.help} · without it: {row.default}")
    problem = session.problem_at(row.path)
    if problem:
        st.markdown(f":red[**✗ {row.label}:**] {problem}")
    kept = [list(pair) for pair in row.pairs]
    for number, pair in enumerate(kept, start=1):
        _one(session, row, kept, number, pair)
    left, right = st.columns(_WIDTHS)[:2]
    left.button(
        "Add a row", key=f"row+:{session.generation}:{row.path}", on_click=session.edit_tables,
        args=({row.path: [*kept, ["", ""]]},), width="stretch",
    )  # fmt: skip
    with right.popover("Paste rows", width="stretch"):
        _paste(session, row)


def _one(session: Session, row: Row, kept: list[list[str]], number: int, pair: list[str]) -> None:
    key = f"{session.generation}:{row.path}[{number}]"

    def take(place: int) -> None:
        text = str(st.session_state[f"{key}[{place}]"]).strip()
        changed = [text if other == place else cell for other, cell in enumerate(pair)]
        rows = [changed if i == number else other for i, other in enumerate(kept, start=1)]
        session.edit({row.path: rows})

    columns = st.columns(_WIDTHS)
    for place, (text, unit) in enumerate(zip(pair, row.units, strict=True)):
        columns[place].text_input(
            f"{row.label}, row {number}, {'second' if place else 'first'} value", text,
            key=f"{key}[{place}]", on_change=take, args=(place,), label_visibility="collapsed",
            placeholder=f"number {unit}".strip(),
        )  # fmt: skip
    others = [other for i, other in enumerate(kept, start=1) if i != number]
    columns[2].button(
        "Take out", key=f"row-:{key}", on_click=session.edit_tables,
        args=({row.path: others or None},), width="stretch",
    )  # fmt: skip


def _paste(session: Session, row: Row) -> None:
    key = f"paste:{session.generation}:{row.path}"

    def take() -> None:
        session.edit_tables({row.path: read_rows(st.session_state[key]) or None})

    st.text_area(
        "One row to a line, two values with their units, a tab or semicolon between", key=key,
        placeholder=row.example, height=200,
    )  # fmt: skip
    st.button("Take these rows", key=f"take:{key}", on_click=take)
