"""Whether speed is the right handle, in words, as a table and for machines."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from chamberctl.display import Display, number
from chamberctl.report.tables import Column, Row, Table, numbers

if TYPE_CHECKING:
    from chamberctl.plant.handle import HandleVerdict
    from chamberctl.plant.handle_options import Handle
    from chamberctl.study import Study

WORDS = {"good": "Yes", "conditional": "With conditions", "wrong": "No"}


def lead(found: HandleVerdict) -> str:
    """Return the verdict in one or two sentences."""
    return f"{WORDS[found.verdict]}. {found.sentence}"


def table(study: Study, found: HandleVerdict) -> Table:
    """Return speed and its alternatives at the duty: held points, window, authority, response."""
    unit = Display.of(study)
    columns = (
        Column("Handle"),
        Column("Duty points held", "", "mid"),
        numbers("Window", "highest : lowest"),
        numbers("Authority", "least to most"),
        numbers("Time constant", "s, longest"),
        numbers("Fall", "%/s, at most"),
        numbers("Rise", "%/s, at most"),
        numbers("Added gas", unit.gas_load),
    )
    rows = [_row(handle, unit) for handle in found.handles if handle.computed]
    return Table("Speed and its alternatives over the duty", columns, rows)


def _row(handle: Handle, unit: Display) -> Row:
    low, high = number(handle.lowest_authority, 2), number(handle.highest_authority, 2)
    every = len(handle.held) == handle.total
    return Row(
        [
            handle.name,
            f"all {handle.total}" if every else f"{len(handle.held)} of {handle.total}",
            number(handle.turndown),
            low if low == high else f"{low} to {high}",
            number(handle.time_constant_s),
            number(100.0 * handle.fall_per_s, 2),
            _rise(handle),
            number(unit.to_gas_load(handle.gas_pa_m3_s)) if handle.gas_pa_m3_s else "0",
        ]
    )


def _rise(handle: Handle) -> str:
    if handle.held and handle.rise_per_s != handle.rise_per_s:
        return "by valve size"
    return number(100.0 * handle.rise_per_s, 2)


def notes(found: HandleVerdict) -> list[str]:
    """Return what was assumed for each alternative, and what goes with it."""
    lines = []
    for handle in found.handles:
        what = f"{handle.what[:1].upper()}{handle.what[1:]}." if handle.what else ""
        if said := " ".join(part for part in (what, handle.advice) if part):
            lines.append(f"{handle.name[:1].upper()}{handle.name[1:]}: {said}")
    return lines


def as_json(found: HandleVerdict) -> dict[str, Any]:
    """Return the verdict for machines: SI units in the names; null: none or unlimited."""
    return {
        "verdict": found.verdict,
        "sentence": found.sentence,
        "failing": list(found.failing),
        "reasons": [vars(finding) for finding in found.reasons],
        "handles": [{**vars(handle), "held": list(handle.held)} for handle in found.handles],
    }
