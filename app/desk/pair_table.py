"""A field of pairs, such as a pump's curve, as a table of entries."""

from __future__ import annotations

from collections.abc import Mapping

import streamlit as st

from chamberctl.study.outline import Row, outline
from chamberctl.study.typed_in import read_rows
from chamberctl.workbench.pair_check import wrong_entries
from desk.entered import entered
from desk.session import Session

_WIDTHS = [2, 2, 1, 4]
_PLACES = ("first", "second")


def show_pairs(session: Session, row: Row) -> None:
    """Show the rows of a field of pairs; each may be changed, taken out or added."""
    st.markdown(f"**{row.label}**")
    st.caption(row.help if row.required else f"{row.help} · without it: {row.default}")
    problem = session.problem_at(row.path)
    wrong = wrong_entries(row) if problem else {}
    if problem and not wrong:
        st.markdown(f":red[**✗ {row.label}:**] {problem}")

    def add() -> None:
        rows = _rows_now(session, row.path)
        session.names_of_rows(row.path, len(rows)).add()
        session.edit({row.path: [*rows, ["", ""]]})

    names = session.names_of_rows(row.path, len(row.pairs)).names
    for number, (index, name) in enumerate(enumerate(names), start=1):
        _one(session, row, index, number, name, wrong)
    left, right = st.columns(_WIDTHS)[:2]
    left.button(
        "Add a row", key=f"row+:{session.generation}:{row.path}", on_click=add, width="stretch"
    )
    with right.popover("Paste rows", width="stretch"):
        _paste(session, row)


def _rows_now(session: Session, path: str) -> list[list[str]]:
    """Return the rows as they stand, which may be others than were drawn: people type fast."""
    return next(
        [list(pair) for pair in row.pairs]
        for block in outline(session.text, session.study)
        for row in block.rows
        if row.path == path
    )


def _one(
    session: Session,
    row: Row,
    index: int,
    number: int,
    name: int,
    wrong: Mapping[tuple[int, int], str],
) -> None:
    """Show one pair; it keeps its name while others are added and taken out, its number not."""
    key = f"{session.generation}:{row.path}[{name}]"
    drawn = row.pairs[index]

    def take(place: int) -> None:
        text = str(entered(f"{key}[{place}]")).strip()
        rows = _rows_now(session, row.path)
        known = session.names_of_rows(row.path, len(rows)).names
        if text != drawn[place] and name in known:
            rows[known.index(name)][place] = text
            session.edit({row.path: rows})

    def take_out() -> None:
        rows = _rows_now(session, row.path)
        known = session.names_of_rows(row.path, len(rows)).names
        if name in known:
            del rows[known.index(name)]
            known.remove(name)
            session.edit({row.path: rows or None})

    columns = st.columns(_WIDTHS)
    for place, (text, unit) in enumerate(zip(drawn, row.units, strict=True)):
        columns[place].text_input(
            f"{row.label}, row {number}, {_PLACES[place]} value", text, key=f"{key}[{place}]",
            on_change=take, args=(place,), label_visibility="collapsed",
            placeholder=f"number {unit}".strip(),
        )  # fmt: skip
        if (index, place) in wrong:
            columns[3].markdown(
                f":red[**✗ Row {number}, {_PLACES[place]} value:**] {wrong[index, place]}"
            )
    columns[2].button("Take out", key=f"row-:{key}", on_click=take_out, width="stretch")


def _paste(session: Session, row: Row) -> None:
    key = f"paste:{session.generation}:{row.path}"

    def take() -> None:
        session.edit_tables({row.path: read_rows(entered(key)) or None})

    st.text_area(
        "One row to a line, two values with their units, a tab or semicolon between", key=key,
        placeholder=row.example, height=200,
    )  # fmt: skip
    st.button("Take these rows", key=f"take:{key}", on_click=take)
