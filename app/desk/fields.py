"""One field of the form: its entry, what it is, where the value comes from, and what is wrong."""

from __future__ import annotations

from collections.abc import Callable

import streamlit as st

from chamberctl.study.outline import Block, Row
from chamberctl.study.reading import BASES
from chamberctl.study.typed_in import changes
from desk.entered import entered
from desk.session import Session

_NOT_STATED = "basis not stated"
_WIDTHS = [3.5, 2.1, 2.2, 3.2]


def show_row(session: Session, block: Block, row: Row) -> None:
    """Show one number with where it comes from; whatever is typed is taken at once."""
    columns = st.columns(_WIDTHS, gap="small")
    with columns[0]:
        show_entry(session, block, row)
    _origin(session, row, columns[1:])


def show_entry(session: Session, block: Block, row: Row) -> None:
    """Show the entry alone, with what it is and what is wrong with it."""
    _entry(session, block, row)
    _explain(row)
    problem = session.problem_at(row.path)
    if problem:
        st.markdown(f":red[**✗ {_plain(row.label)}:**] {_plain(problem)}")


def _entry(session: Session, block: Block, row: Row) -> None:
    key = f"{session.generation}:{row.path}"

    def take() -> None:
        text = str(entered(key) or "")
        if text != row.typed:  # a field that is gone may report what it showed
            session.edit(changes(block, row, text))

    label = f"{row.label} (must be given)" if row.required else row.label
    if row.kind == "choice":
        options = list(dict.fromkeys((*row.choices, *([row.typed] if row.typed else []))))
        index = options.index(row.typed) if row.typed else None
        st.selectbox(
            label, options, index, key=key, on_change=take, placeholder=_default(row)
        )  # fmt: skip
    elif row.kind == "long text":
        st.text_area(label, row.typed, key=key, on_change=take, height=120)
    else:
        st.text_input(label, row.typed, key=key, on_change=take, placeholder=_default(row))


def _origin(session: Session, row: Row, columns: list[st.delta_generator.DeltaGenerator]) -> None:
    """Show basis, tolerance and note; they belong to a value that is given."""

    def taker(key: str, detail: str, drawn: str, empty: str = "") -> Callable[[], None]:
        def take() -> None:
            text = str(entered(key) or "").strip()
            if text != (drawn or empty):
                session.edit({f"{row.path}.{detail}": text if text != empty else None})

        return take

    known = (*BASES, *([row.basis] if row.basis and row.basis not in BASES else []))
    options = [_NOT_STATED, *known]
    key = f"{session.generation}:{row.path}.basis"
    columns[0].selectbox(
        f"basis of {row.label}", options, options.index(row.basis) if row.basis else 0, key=key,
        on_change=taker(key, "basis", row.basis, _NOT_STATED), disabled=not row.given,
    )  # fmt: skip
    key = f"{session.generation}:{row.path}.tolerance"
    columns[1].text_input(
        f"tolerance of {row.label}", row.tolerance, key=key, placeholder="such as 5 %",
        on_change=taker(key, "tolerance", row.tolerance), disabled=not row.given,
    )  # fmt: skip
    key = f"{session.generation}:{row.path}.note"
    columns[2].text_input(
        f"note on {row.label}", row.note, key=key, placeholder="where from, when, by whom",
        on_change=taker(key, "note", row.note), disabled=not row.given,
    )  # fmt: skip


def _explain(row: Row) -> None:
    """Say what the field is, what is allowed, how it was read, and what holds without it."""
    said = [row.help]
    if row.limits:
        said.append(row.limits)
    if row.reads:
        said.append(f"read as **{row.reads}**")
    if not row.given and row.default:
        said.append(f"without it: {row.default}")
    if not row.given and row.source:
        said.append(row.source)
    st.caption(_plain(" · ".join(said)))


def _default(row: Row) -> str:
    if row.required:
        return f"such as {row.example}" if row.example else "must be given"
    return row.default or "not given"


def _plain(text: str) -> str:
    """Return a text whose signs are not taken for a formula or a code."""
    return text.replace("$", "\\$").replace("[", "\\[").replace("~", "\\~")
