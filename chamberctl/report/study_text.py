"""The study as given: every field as typed with its basis, and the defaults for the rest."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator
from typing import TYPE_CHECKING

from chamberctl.display import number
from chamberctl.report.drawings import join_words
from chamberctl.report.margins_text import limits_in_words
from chamberctl.report.tables import Column, Row, Table

if TYPE_CHECKING:
    from chamberctl.study import Provenance, Study

DEFAULT, ASSUMED, NOT_STATED = "default", "assumed", "not stated"


_COLUMNS = (
    Column("Part", "", "part"),
    Column("Field"),
    Column("As typed"),
    Column("Basis"),
    Column("Tolerance"),
    Column("Note"),
)
_SECTIONS = {
    "system.gas": "Gas",
    "system.chamber": "Chamber",
    "system.line": "Line, part",
    "system.booster": "Booster",
    "system.backing": "Backing pump",
    "system.speed_map": "Output to pumps",
    "system.drive": "Drive",
    "system.gauge": "Gauge",
    "system.gas_load": "Unmetered gas",
    "system.purge": "Purge",
    "duty": "Duty",
    "controller": "Controller",
}
#: Fields that the report shows elsewhere.
_ELSEWHERE = ("controller.as_found", "controller.as_left", "title", "description", "format")
_INDEX = re.compile(r"\[(\d+)\]")


def _section(path: str) -> tuple[str, str]:
    """Return a field's section in words (numbered where repeated) and its name within it."""
    plain = _INDEX.sub("", path)
    found = max((s for s in _SECTIONS if plain.startswith(s + ".")), key=len, default="")
    title = _SECTIONS.get(found, "General")
    rest = path.removeprefix(found)
    if index := _INDEX.match(rest):
        title += f" {int(index[1]) + 1}"
        rest = rest[index.end() :]
    name = _INDEX.sub(lambda found: f" {int(found[1]) + 1}", rest.lstrip("."))
    return title, name.replace("_", " ").replace(".", ", ")


def _quantities() -> frozenset[str]:
    """Return the paths of all fields that hold a quantity, so that a basis means something."""
    from chamberctl.study import field_table

    return frozenset(i.path.replace("[]", "") for i in field_table() if i.dimension)


def _rows(study: Study, *, wanted_default: bool) -> Iterator[tuple[str, str, Provenance]]:
    for path, value in study.provenance.items():
        if (value.basis == DEFAULT) is wanted_default and not path.startswith(_ELSEWHERE):
            yield _INDEX.sub("", path), path, value


def given(study: Study) -> Table:
    """Return every field that the study states, as typed, with its basis."""
    rows: list[Row] = []
    last = ""
    counted = _quantities()
    for plain, path, value in _rows(study, wanted_default=False):
        title, name = _section(path)
        basis = value.basis if plain in counted or value.basis != NOT_STATED else ""
        tolerance = "" if value.tolerance is None else f"\u00b1{number(100 * value.tolerance)} %"
        head, kind = (title, "starts") if title != last else ("", "")
        rows.append(Row([head, name, value.typed, basis, tolerance, value.note], kind))
        last = title
    return Table("", _COLUMNS, rows)


def defaults(study: Study) -> Table:
    """Return the values that were used where the study is silent, with their source."""
    rows: list[Row] = []
    last = ""
    for _, path, value in _rows(study, wanted_default=True):
        if not value.typed:
            continue
        title, name = _section(path)
        assumed = value.note.startswith(ASSUMED)
        reason = value.note.removeprefix(ASSUMED).lstrip(", ")
        head, kind = (title, "starts") if title != last else ("", "")
        rows.append(Row([head, name, value.typed, ASSUMED if assumed else "", reason], kind))
        last = title
    columns = (
        Column("Part", "", "part"),
        Column("Field"),
        Column("Value used"),
        Column("Basis"),
        Column("Source or reason"),
    )
    return Table("", columns, rows)


def bases(study: Study) -> Counter[str]:
    """Return how many values rest on each basis; "default" counts the assumed defaults.

    Quantities count, and choices that state a basis.
    """
    counted = _quantities()
    found = Counter(
        v.basis
        for plain, _, v in _rows(study, wanted_default=False)
        if plain in counted or v.basis != NOT_STATED
    )
    found[DEFAULT] = sum(
        value.note.startswith(ASSUMED) for _, _, value in _rows(study, wanted_default=True)
    )
    return found


def hold_band(study: Study) -> str:
    """Return hold band and limits as asked for, and what the loop's gauge resolves of them."""
    from chamberctl.control.tuning_findings import count_fraction

    duty, gauge = study.duty, study.loop_gauge()
    said = f", as said by {duty.said_by}" if duty.said_by else ""
    noise = f"its noise {number(100 * gauge.noise)} %" if gauge.noise else "no noise is stated"
    count = max(count_fraction(gauge, hold.setpoint_pa) for hold in duty.holds)
    resolved = (
        f"The resolution of {gauge.tag} is not stated"
        if gauge.bits is None
        else f"At the setpoints one count of {gauge.tag} is up to {number(100 * count, 2)} % of "
        "the reading"
    )
    return (
        f"Hold band \u00b1{number(100 * duty.hold_band)} % of setpoint{said}; margins asked for: "
        f"{join_words(limits_in_words(study))}. {resolved}, {noise}."
    )


def summary(study: Study, *, mark: str = "") -> str:
    """Return in a few sentences what the study rests on."""
    count = bases(study)
    silent = count.pop(DEFAULT)
    parts = [
        f"{count[basis]} {words}"
        for basis, words in (
            ("measured", "measured"),
            ("data sheet", "from data sheets"),
            (ASSUMED, f"assumed{mark}"),
            (NOT_STATED, "without a stated basis"),
        )
        if count[basis]
    ]
    return (
        f"Of {sum(count.values())} quantities typed, {join_words(parts)}. Where the study is "
        f"silent, {silent} further quantities are assumed. The result is no better than these."
    )
