"""View "Describe": which study it is, and everything it says of system, duty and controller."""

from __future__ import annotations

from itertools import groupby, islice

import streamlit as st

import chamberctl as cc
from chamberctl.report import point_text
from chamberctl.study.outline import (
    SECTIONS,
    Block,
    Row,
    in_section,
    outline,
    place_in_words,
    section_of,
)
from desk import study_file, style
from desk.entered import entered
from desk.fields import show_entry, show_row
from desk.findings import show_problems
from desk.pair_table import show_pairs
from desk.results import line_picture, pump_picture, sketch_picture, window_of
from desk.session import Session


def show(session: Session) -> None:
    """Draw the view."""
    _files(session)
    with st.container():
        study_file.say_arrived()
        study_file.say_unsaved(session)
    blocks = outline(session.text, session.study)
    if session.study is not None:
        with st.expander("The system as described", expanded=True):
            _sketch(session, session.study)
    with st.container():  # always there, so that nothing below is drawn anew when it fills
        _elsewhere(session, blocks)
    section = st.segmented_control(
        "Part of the study", [*SECTIONS, "As text"], default=next(iter(SECTIONS)), key="section",
        required=True,
    )  # fmt: skip
    if section == "As text":
        _as_text(session)
        return
    _section(session, blocks, section or next(iter(SECTIONS)))


def mend(session: Session) -> None:
    """Show a text that is no study, to be mended or left for another study."""
    _files(session)
    st.header("This text is not a study yet")
    if session.study is not None:
        st.caption("Window, Behave and Learn go on with the last good study.")
    _as_text(session)


def _files(session: Session) -> None:
    with st.expander("Open another study, save or download this one"):
        study_file.show(session)


def _sketch(session: Session, study: cc.Study) -> None:
    """Draw the last good study with what one duty point makes of it."""
    points = window_of(session.good_text, study).duty_points
    names = [f"{number}: {point.where}" for number, point in enumerate(points, start=1)]
    left, right = st.columns([3, 1])
    with right:
        name = st.selectbox("Computed at duty point", names, key="sketch:point")
        index = names.index(name) if name in names else 0
        facts = point_text.facts(study, points[index])
        st.markdown("  \n".join(f"{name}: **{value}**" for name, value in facts))
    with left:
        style.picture(
            sketch_picture(session.good_text, index, study),
            "whether the parts stand in their order, and where the pressure is lost.",
        )


def _elsewhere(session: Session, blocks: tuple[Block, ...]) -> None:
    """List everything that keeps the text from being a study, by its place in words."""
    if session.problems:
        lines = [
            f"- **{section_of(problem.field)}, {place_in_words(blocks, problem)}:** "
            f"{problem.remedy}"
            for problem in session.problems
        ]
        head = "**! Not usable yet; everything else shows the last good study:**\n"
        st.warning("\n".join((head, *lines)))


def _section(session: Session, blocks: tuple[Block, ...], section: str) -> None:
    if session.study is not None:
        _curve(session, session.study, section)
    if not in_section(blocks, section):
        st.caption("The study says nothing of it: every default holds.")
    for block in in_section(blocks, section):
        if block.rows:
            with st.container(border=True):
                _block(session, block)
    for block in blocks:
        for path, title in block.more:
            if section_of(path) == section:
                st.button(
                    f"Add: {title}", key=f"add:{session.generation}:{path}",
                    on_click=session.edit_tables, args=({path: {}},),
                )  # fmt: skip


def _curve(session: Session, study: cc.Study, section: str) -> None:
    """Draw what the part of the system that is described does by itself."""
    if section == "Line" and study.system.line:
        drawn = line_picture(session.good_text, study)
        style.picture(drawn, "which part is the narrowest at your pressures.", widest=800)
    elif section == "Pumps":
        drawn = pump_picture(session.good_text, study)
        style.picture(drawn, "how much is left of the pump at low speed.", widest=800)


def _block(session: Session, block: Block) -> None:
    _head(session, block)
    shown = [row for row in block.rows if row.given or row.required or _wrong(session, row.path)]
    more = [row for row in block.rows if row not in shown and not row.idle]
    _rows(session, block, shown)
    if more:
        title = "1 more field" if len(more) == 1 else f"{len(more)} more fields"
        with st.expander(f"{title}: {', '.join(row.label for row in more)}"):
            _rows(session, block, more)


def _rows(session: Session, block: Block, rows: list[Row]) -> None:
    """Show fields in their order; those without a number stand side by side."""
    for alike, group in groupby(rows, _side_by_side):
        if alike:
            while three := list(islice(group, 3)):
                for column, row in zip(st.columns(3), three, strict=False):
                    with column:
                        show_entry(session, block, row)
        else:
            for row in group:
                show_pairs(session, row) if row.kind == "pairs" else show_row(session, block, row)


def _side_by_side(row: Row) -> bool:
    return row.kind != "pairs" and not row.dimension


def _wrong(session: Session, path: str) -> bool:
    return bool(session.problem_at(path))


def _head(session: Session, block: Block) -> None:
    """Show what the table is, and offer to move it within its array or to take it out."""
    key = f"{session.generation}:{block.path}"
    columns = st.columns([8, 1.5, 1.5], vertical_alignment="center")
    columns[0].markdown(f"### {block.title}")
    if block.index:
        columns[1].button(
            "Move up", key=f"up:{key}", on_click=session.move_up, args=(block.path,),
            width="stretch",
        )  # fmt: skip
    if block.optional:
        columns[2].button(
            "Take out", key=f"out:{key}", on_click=session.edit_tables,
            args=({block.path: None},), width="stretch",
        )  # fmt: skip


def _as_text(session: Session) -> None:
    key = f"text:{session.generation}"

    def take() -> None:
        session.set_text(entered(key))

    if session.problems:
        show_problems("Not usable yet", session.problems)
    with st.container(key="as-text"):
        st.text_area("Study (TOML)", session.text, height=600, key=key, on_change=take)
