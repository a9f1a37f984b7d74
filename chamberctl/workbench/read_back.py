"""Reading back what a controller shows: where it differs from what was to be typed in."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from chamberctl.control.forms import read_typed
from chamberctl.display import number
from chamberctl.errors import Infeasible, InputError
from chamberctl.report.margins_text import NAMES, labels, limits
from chamberctl.report.tables import Column, Row, Table, numbers
from chamberctl.workbench.candidates import Bench, Candidate, tried

if TYPE_CHECKING:
    from chamberctl.control.panel import TypedValue
    from chamberctl.control.tuned import Tuning

NAME = "as the controller shows"
"""What settings that were read back are called."""

MARGINS = ("ms", "gain_margin", "phase_margin_deg", "delay_margin_s")


@dataclass(frozen=True)
class ReadBack:
    """One setting that was read back.

    Parameters
    ----------
    row : TypedValue
        What was to be typed in.
    text : str
        What the controller shows; empty where nothing was typed yet.
    good : bool
        Whether both are the same number.
    said : str
        In what they differ, or what is wrong with the text; empty where they agree.
    """

    row: TypedValue
    text: str
    good: bool
    said: str


def read_back(tuning: Tuning, texts: Mapping[str, str]) -> tuple[ReadBack, ...]:
    """Compare what a controller shows with the settings that were to be typed in.

    Parameters
    ----------
    tuning : Tuning
        The settings.
    texts : mapping of str to str
        What the controller shows, by the law's symbols.

    Returns
    -------
    tuple of ReadBack
        In the order of the panel.
    """
    return tuple(_one(tuning, row, texts.get(row.key, "").strip()) for row in tuning.typed.rows)


def _one(tuning: Tuning, row: TypedValue, text: str) -> ReadBack:
    if not text:
        return ReadBack(row, "", False, "")
    try:
        shown = read_typed(tuning.typed, {row.key: text})[row.key]
    except InputError as error:
        return ReadBack(row, text, False, error.first.remedy)
    if shown.value == row.value or (math.isnan(shown.value) and math.isnan(row.value)):
        return ReadBack(row, text, True, "")
    said = f"differs: {row.text} was to be typed in"
    if math.isfinite(shown.value) and math.isfinite(row.value) and row.value != 0.0:
        change = 100.0 * (shown.value / row.value - 1.0)
        said += f", this is {number(abs(change))} % {'more' if change > 0 else 'less'}"
    return ReadBack(row, text, False, f"{said}.")


def as_shown(
    bench: Bench, tuning: Tuning, texts: Mapping[str, str]
) -> Tuning | Infeasible | InputError:
    """Return the margins that the numbers give which a controller shows.

    Parameters
    ----------
    bench : Bench
    tuning : Tuning
        The settings that were to be typed in; they count where nothing was read back.
    texts : mapping of str to str
        What the controller shows, by the law's symbols.
    """
    shown = {key: text for key, text in texts.items() if text.strip()}
    return tried(bench, Candidate(NAME, {**tuning.typed.texts(), **shown}))


def margins_table(tuning: Tuning, shown: Tuning) -> Table:
    """Return the worst margins of the settings, and of the numbers that were read back."""
    given = limits(tuning.study)
    rows = []
    for name in MARGINS:
        title, unit, _ = NAMES[name]
        limit = number(given[name]) if name in given else "none stated"
        cells = [_worst(one, name) for one in (tuning, shown)]
        rows.append(Row([title if unit == "ratio" else f"{title} [{unit}]", limit, *cells]))
    answers = ["\u2713 yes" if one.holds else "\u2717 no" for one in (tuning, shown)]
    rows.append(Row(["Holds the whole duty", "", *answers], "strong"))
    columns = (
        Column("Worst margin", "", "part"), numbers("Limit"), numbers("As to be typed in"),
        numbers("As the controller shows"),
    )  # fmt: skip
    return Table("What the numbers that were read back would do", columns, rows)


def _worst(tuning: Tuning, name: str) -> str:
    value, index = tuning.worst[name]
    if not tuning.points[index].margins.stable:
        return tuning.points[index].margins.reason or "unstable"
    if not math.isfinite(value):
        return number(value)
    return f"{number(value)} at point {labels(tuning)[index]}"


def is_complete(found: Sequence[ReadBack]) -> bool:
    """Say whether every setting was read back and can be read."""
    return all(one.text and (one.good or one.said.startswith("differs")) for one in found)
