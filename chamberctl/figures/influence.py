"""Picture of what the answer hangs on: one row for each input, one panel for each result."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Sequence
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from matplotlib.axes import Axes

from chamberctl.display import number
from chamberctl.figures import style

if TYPE_CHECKING:
    from chamberctl.control.influence import Effect, Influence, Influences

MOST_ROWS = 12
"""So many of the strongest inputs are drawn; the table beside the picture has all."""

OUTLIER = 3.0
"""A bar this much longer than the next is cut and its number written, or it would hide the rest."""

ROW_IN, MARGIN_IN = 0.25, 0.95
LABEL_WIDTH = 38


class _Panel(NamedTuple):
    """One result: title, its value in the study as it is, and after an effect."""

    title: str
    nominal: float
    values: list[list[float]]


@style.house_style
def influence(found: Influences) -> style.Picture:
    """Draw how far each uncertain input moves window, authority and Ms.

    Parameters
    ----------
    found : Influences
        From `influences`, with at least one row.

    Returns
    -------
    Picture
        Rows strongest first. Ring: lower end of the tolerance, dot: upper end, square: something
        undecided settled the other way.
    """
    rows = list(found.rows[:MOST_ROWS])
    panels = _panels(found, rows)
    height = MARGIN_IN + ROW_IN * max(len(rows), 3)
    figure, axes = style.canvas(6.9, height, columns=len(panels), sharey=True)
    for axis, panel in zip(axes, panels, strict=True):
        _draw(axis, panel, rows)
    first = axes[0]
    first.set_ylim(len(rows) - 0.4, -0.6)
    first.set_yticks(range(len(rows)), [_label(row) for row in rows], fontsize=6.8)
    for text, row in zip(first.get_yticklabels(), rows, strict=True):
        if math.isinf(row.weight):
            text.set_color(style.ALARM)
            text.set_fontweight("bold")
    for axis in axes:
        axis.grid(visible=False, axis="y")
        axis.tick_params(axis="y", length=0)
        axis.tick_params(axis="x", labelsize=7)
    figure.alt = _alt(found, rows)
    return figure


def _panels(found: Influences, rows: Sequence[Influence]) -> list[_Panel]:
    def each(value: str) -> list[list[float]]:
        return [[_value(effect, value) for effect in row.effects] for row in rows]

    panels = [
        _Panel("lowest pressure\n[% change]", 0.0, each("lowest")),
        _Panel("highest pressure\n[% change]", 0.0, each("highest")),
        _Panel("lowest authority\n[-]", found.nominal.lowest_authority, each("authority")),
    ]
    if found.has_margins:
        panels.append(_Panel("worst Ms\n[ratio]", found.nominal.worst_ms, each("ms")))
    return panels


def _value(effect: Effect, name: str) -> float:
    return {
        "lowest": 100.0 * effect.lowest_change,
        "highest": 100.0 * effect.highest_change,
        "authority": effect.state.lowest_authority,
        "ms": effect.state.worst_ms,
    }[name]


def _label(row: Influence) -> str:
    tolerance = "" if math.isnan(row.tolerance) else f" \u00b1{number(100 * row.tolerance)} %"
    lost = sorted({label for effect in row.effects for label in effect.lost})
    loses = f", loses {', '.join(map(str, lost))}" if lost else ""
    lines = textwrap.wrap(f"{row.name}{tolerance}{loses}", LABEL_WIDTH, break_on_hyphens=False)
    return "\n".join(lines[:2]) + (" ..." if len(lines) > 2 else "")


def _draw(axis: Axes, panel: _Panel, rows: Sequence[Influence]) -> None:
    base = panel.nominal if math.isfinite(panel.nominal) else 0.0
    offsets = [v - base for row in panel.values for v in row if math.isfinite(v)]
    reach = _reach([abs(offset) for offset in offsets])
    axis.axvline(base, color=style.MUTED, linewidth=0.8, zorder=1)
    axis.set_title(panel.title, fontsize=7.5)
    axis.set_xlim(base - 1.12 * reach, base + 1.12 * reach)
    _bars(axis, panel, base, reach)
    marks: dict[tuple[str, str], list[tuple[float, int]]] = {}
    for place, (values, row) in enumerate(zip(panel.values, rows, strict=True)):
        for index, value in enumerate(values):
            if not math.isnan(value):
                x = _mark(axis, place, value, base, reach)
                marks.setdefault(_shape(row, index), []).append((x, place))
    for (shape, fill), places in sorted(marks.items(), reverse=True):  # rings below dots
        axis.plot(
            *zip(*places, strict=True), shape, markersize=4.2, markerfacecolor=fill,
            markeredgecolor=style.INK, markeredgewidth=0.9, zorder=4, clip_on=False,
        )  # fmt: skip


def _bars(axis: Axes, panel: _Panel, base: float, reach: float) -> None:
    """Draw each row's bar from its lowest to its highest value, the study as it is among them."""
    ends = []
    for place, values in enumerate(panel.values):
        shown = [min(max(v, base - reach), base + reach) for v in values if not math.isnan(v)]
        if shown:
            ends.append((place, min(base, *shown), max(base, *shown)))
    places, low, high = np.array(ends).reshape(-1, 3).T
    axis.barh(places, high - low, left=low, height=0.56, color=style.RULE, edgecolor=style.FAINT,
              linewidth=0.6, zorder=2)  # fmt: skip


def _reach(sizes: Sequence[float]) -> float:
    """Half width of a panel: the longest bar, unless it dwarfs all the others."""
    ranked = sorted((size for size in sizes if size > 0.0), reverse=True)
    if not ranked:
        return 1.0
    if len(ranked) > 1 and ranked[0] > OUTLIER * ranked[1]:
        return 1.5 * ranked[1]
    return ranked[0]


def _shape(row: Influence, index: int) -> tuple[str, str]:
    """Marker and its fill."""
    if len(row.effects) == 1:
        return "s", style.INK
    return "o", "white" if index == 0 else style.INK


def _mark(axis: Axes, place: int, value: float, base: float, reach: float) -> float:
    """Return where a value's mark stands; beyond the panel's end its number is written there."""
    beyond = abs(value - base) > reach * (1.0 + 1e-9)
    x = base + float(np.sign(value - base)) * reach if beyond else value
    if beyond:
        text = number(value, 2) if math.isfinite(value) else "no limit"
        axis.annotate(
            text,
            (x, place),
            xytext=(-5 if x > base else 5, 0),
            textcoords="offset points",
            ha="right" if x > base else "left",
            va="center",
            fontsize=6.5,
            fontweight="bold",
            zorder=5,
        )
    return x


def _alt(found: Influences, rows: Sequence[Influence]) -> str:
    names = "; ".join(row.name for row in rows[:3])
    measures = (
        "window ends, authority and worst Ms"
        if found.has_margins
        else ("window ends and authority")
    )
    return (
        f"Bars of how far each of {len(rows)} uncertain inputs moves {measures}, the strongest "
        f"first: {names}."
    )
