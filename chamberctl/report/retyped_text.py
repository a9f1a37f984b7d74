"""Settings for a changed controller, as a table and for machines."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from chamberctl.control.forms import ACTION_SENTENCE
from chamberctl.display import number
from chamberctl.report.tables import Column, Row, Table, numbers

if TYPE_CHECKING:
    from chamberctl.control.panel import TypedValue
    from chamberctl.control.retyping import Retyped

#: Texts of numbers longer than this are shown with so many digits; smaller errors are those of
#: the computer's own numbers.
_LONGEST, _DIGITS, _DUST = 10, 6, 1e-12


def table(found: Retyped) -> Table:
    """Return what to type in, what was there, and what rounding takes away."""
    columns = (
        Column("Setting"),
        numbers("Type in"),
        Column("Unit"),
        numbers("Before rounding"),
        numbers("Error", "%"),
        Column("Was"),
        Column("Meaning"),
    )
    rows = []
    for row, exact in zip(found.typed.rows, found.exact.rows, strict=True):
        was = found.before[row.key]
        error = rounding_error(row, exact)
        moved = abs(error) > _DUST
        rows.append(
            Row(
                [
                    row.label,
                    _number(row),
                    _unit(row),
                    number(exact.value, 6) if moved else "",
                    number(100.0 * error, 2) if moved else "",
                    f"{_number(was)} {_unit(was)}".strip(),
                    row.meaning,
                ],
                "strong" if row.key in ("Kc", "Ti") else "",
            )
        )
    return Table("Settings in the other controller's language", columns, rows)


def _number(row: TypedValue) -> str:
    """Return what is typed in; of a number with all its digits the first ones."""
    return row.text if len(row.text) <= _LONGEST else number(row.value, _DIGITS)


def _unit(row: TypedValue) -> str:
    """Return the unit of a number, none of a word such as "off"."""
    return row.shown_unit if math.isfinite(row.value) else ""


def rounding_error(row: TypedValue, exact: TypedValue) -> float:
    """Return how far a number as typed is from what it should be [relative]."""
    if row.value == exact.value or not math.isfinite(exact.value) or exact.value == 0.0:
        return 0.0
    return row.value / exact.value - 1.0


def spans(found: Retyped) -> list[tuple[str, str]]:
    """Return form and spans, without which no gain means anything."""
    words = found.typed.language
    pairs = [
        ("Form", words.form),
        ("Span of the reading", words.reading_span_text),
        ("Span of the output", words.output_span_text),
    ]
    old = found.before.language
    if (old.reading_span_text, old.output_span_text) != (pairs[1][1], pairs[2][1]):
        pairs.append(("Spans before", f"{old.reading_span_text}; {old.output_span_text}"))
    return pairs


def as_json(found: Retyped) -> dict[str, Any]:
    """Return the settings for machines; null: none, off or unlimited."""
    law, tuning = found.settings, found.tuning
    unit = "per_decade" if law.reading == "log10" else "per_pa"
    words = found.typed.language
    return {
        "origin": found.origin,
        "form": words.form,
        "spans": {"reading": words.reading_span_text, "output": words.output_span_text},
        "as_typed": [
            {
                "setting": row.label, "key": row.key, "text": row.text, "unit": row.shown_unit,
                "exact": exact.value, "rounding_error": rounding_error(row, exact),
                "was": found.before[row.key].text, "was_unit": found.before[row.key].shown_unit,
            }
            for row, exact in zip(found.typed.rows, found.exact.rows, strict=True)
        ],
        "settings": {
            f"kc_speed_fraction_{unit}": law.kc, "ti_s": law.ti_s, "td_s": law.td_s,
            "tf_s": law.tf_s, "tfd_s": law.tfd_s, "b": law.b, "c": law.c,
            "tracking_time_s": law.tracking_time_s,
        },
        "notations": [
            {"group": row.group, "label": row.label, "value": row.value, "unit": row.unit}
            for row in found.notations.rows
        ],
        "worst": None if tuning is None else {
            name: {"value": value, "where": tuning.points[index].where}
            for name, (value, index) in tuning.worst.items()
        },
        "action": ACTION_SENTENCE,
        "check_steps": [] if tuning is None else list(tuning.check_steps),
        "findings": [vars(finding) for finding in found.findings],
    }  # fmt: skip
