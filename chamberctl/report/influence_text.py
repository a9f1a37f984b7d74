"""What the answer hangs on, in words, as a table and for machines."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

from chamberctl.display import number
from chamberctl.report.drawings import join_words
from chamberctl.report.tables import Column, Row, Table, numbers

if TYPE_CHECKING:
    from chamberctl.control.influence import Effect, Influence, Influences, State

NOTABLE = 0.01
"""An influence below this on window, authority and Ms alike is called small: a percent is less
than any of them is known to (assumed, because gauges and pump data are hardly better)."""

LISTED = 3
"""So many of the strongest inputs are named in the text; the table has all of them."""


def text(found: Influences) -> list[str]:
    """Return what the answer hangs on in a few sentences."""
    if not found.rows:
        return [
            "No value of the study states a tolerance and none is marked as assumed, so nothing "
            "was varied. Say how well each value is known."
        ]
    breaking = any(math.isinf(row.weight) for row in found.rows)
    lines = reversals(found)
    strong = [row for row in found.rows if NOTABLE <= row.weight < math.inf][:LISTED]
    if strong:
        listed = "; ".join(f"{row.name} ({_how(row, found.nominal)})" for row in strong)
        lines.append(f"The numbers {'also ' if breaking else ''}hang most on: {listed}.")
    small = sum(row.weight < NOTABLE for row in found.rows)
    if small:
        lines.append(
            f"{small} of {len(found.rows)} inputs move window, authority and worst Ms by less "
            f"than {number(100 * NOTABLE)} %."
        )
    if not found.has_margins:
        lines.append("There are no settings, so margins were not looked at.")
    return [
        *lines,
        "Each input was moved alone to both ends of its tolerance while the settings stayed as "
        "they are; several errors at once can add up. Without a stated tolerance an assumed value "
        "was moved by 20 % and an assumed temperature by 5 % of its kelvins.",
    ]


def reversals(found: Influences) -> list[str]:
    """Return which single inputs can turn the answer: points or stability lost, a limit missed."""
    lines = [
        _broken(row, effect) for row in found.rows for effect in row.effects if _breaks(effect)
    ]
    return [*lines, *_beyond_limit(found)]


def _breaks(effect: Effect) -> bool:
    return math.isinf(effect.weight)


def _broken(row: Influence, effect: Effect) -> str:
    parts = []
    if effect.lost:
        word = "point" if len(effect.lost) == 1 else "points"
        parts.append(f"speed no longer holds {word} {join_words([str(n) for n in effect.lost])}")
    if math.isinf(effect.state.worst_ms):
        parts.append("the loop is unstable")
    if not parts:
        parts.append("an end of the window comes into being or is lost")
    return f"{_if(row, effect)}: {join_words(parts)}."


def _if(row: Influence, effect: Effect) -> str:
    if row.basis == "undecided":
        return f"With {row.name}"
    return f"If {row.name} is off by {effect.label} ({row.basis})"


def _beyond_limit(found: Influences) -> Iterator[str]:
    """Name the inputs that alone can push Ms over the duty's limit."""
    limit = found.ms_limit
    if limit is None or not found.nominal.worst_ms <= limit:
        return
    over = [
        f"{row.name}{'' if row.basis == 'undecided' else f' {effect.label}'} "
        f"({number(effect.state.worst_ms, 4)})"
        for row in found.rows
        for effect in row.effects
        if limit < effect.state.worst_ms < math.inf
    ]
    if over:
        yield (
            f"Worst Ms is {number(found.nominal.worst_ms)}; these inputs alone can push it over "
            f"the duty's limit of {number(limit)}: {'; '.join(over)}."
        )


def _how(row: Influence, nominal: State) -> str:
    within = (
        "not decided by the data"
        if row.basis == "undecided"
        else (f"{row.basis}, \u00b1{number(100 * row.tolerance)} %")
    )
    return f"{within}: {_strongest(row, nominal)}"


def _strongest(row: Influence, nominal: State) -> str:
    """Return the largest of a row's changes in words."""
    effect = max(row.effects, key=lambda one: one.weight)
    state = effect.state
    if abs(effect.lowest_change) == effect.weight:
        return f"lowest pressure {_percent(effect.lowest_change)} %"
    if abs(effect.highest_change) == effect.weight:
        return f"highest pressure {_percent(effect.highest_change)} %"
    if abs(state.worst_ms / nominal.worst_ms - 1.0) == effect.weight:
        return f"worst Ms {number(nominal.worst_ms)} -> {number(state.worst_ms)}"
    before, after = number(nominal.lowest_authority), number(state.lowest_authority)
    return f"lowest authority {before} -> {after}"


def table(found: Influences) -> Table:
    """Return all influences, strongest first; two numbers for both ends of a tolerance."""
    columns = (
        Column("Input"),
        Column("Basis"),
        numbers("Tolerance", "\u00b1%"),
        numbers("Lowest pressure", "change, %"),
        numbers("Highest pressure", "change, %"),
        numbers("Authority", "lowest over duty"),
        *([numbers("Ms", "worst over duty")] if found.has_margins else []),
        Column("Duty points"),
    )
    rows = [_row(row, found) for row in found.rows]
    return Table("What window, authority and margins hang on, the strongest first", columns, rows)


def nominal(found: Influences) -> str:
    """Return what the table's numbers are to be held against."""
    state = found.nominal
    parts = [f"lowest authority {number(state.lowest_authority)}"]
    if found.has_margins:
        parts.append(f"worst Ms {_ms(state)}")
    return f"As the study is: {join_words(parts)}."


def _row(row: Influence, found: Influences) -> Row:
    cells = [
        row.name,
        row.basis,
        "" if math.isnan(row.tolerance) else number(100 * row.tolerance),
        _both([_percent(effect.lowest_change) for effect in row.effects]),
        _both([_percent(effect.highest_change) for effect in row.effects]),
        _both([number(effect.state.lowest_authority) for effect in row.effects]),
    ]
    if found.has_margins:
        cells.append(_both([_ms(effect.state) for effect in row.effects]))
    cells.append(_both([_moved(effect) for effect in row.effects]))
    return Row(cells, "strong" if math.isinf(row.weight) else "")


def _both(texts: list[str]) -> str:
    """Return both ends of a tolerance in one cell; what is the same is said once."""
    return texts[0] if len(set(texts)) == 1 else " / ".join(text or "all" for text in texts)


def _percent(change: float) -> str:
    if math.isinf(change):
        return "appears or ends"
    if abs(change) < 5e-5:
        return "0"
    return f"{'+' if change > 0.0 else '-'}{number(abs(100.0 * change), 2)}"


def _ms(state: State) -> str:
    return "unstable" if math.isinf(state.worst_ms) else number(state.worst_ms)


def _moved(effect: Effect) -> str:
    parts = []
    if effect.lost:
        parts.append(f"loses {', '.join(map(str, effect.lost))}")
    if effect.gained:
        parts.append(f"gains {', '.join(map(str, effect.gained))}")
    return "; ".join(parts)


def as_json(found: Influences) -> dict[str, Any]:
    """Return the influences for machines: relative changes as fractions, null: none or unlimited.

    Where a loop is unstable, `worst_ms` is null and `stable` false.
    """
    return {
        "as_is": _state(found.nominal),
        "has_margins": found.has_margins,
        "ms_limit": found.ms_limit,
        "inputs": [
            {
                "path": row.path or None,
                "name": row.name,
                "tolerance": row.tolerance,
                "basis": row.basis,
                "breaks": math.isinf(row.weight),
                "effects": [_effect(effect) for effect in row.effects],
            }
            for row in found.rows
        ],
        "text": text(found),
    }


def _effect(effect: Effect) -> dict[str, Any]:
    return {
        "label": effect.label,
        "lowest_pressure_change": effect.lowest_change,
        "highest_pressure_change": effect.highest_change,
        "lost": list(effect.lost),
        "gained": list(effect.gained),
        **_state(effect.state),
    }


def _state(state: State) -> dict[str, Any]:
    return {
        "lowest_authority": state.lowest_authority,
        "worst_ms": state.worst_ms,
        "stable": not math.isinf(state.worst_ms),
        "held": sorted(state.held),
    }
