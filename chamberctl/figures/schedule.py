"""Picture of a gain schedule: gain and integral time over what chooses them."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

from matplotlib.axes import Axes

from chamberctl.display import number
from chamberctl.figures import style

if TYPE_CHECKING:
    from chamberctl.control.scheduled import Scheduled

ROOM = 1.3
"""Axes reach by this factor beyond the outermost duty point and threshold."""


@style.house_style
def gain_schedule(
    found: Scheduled,
    places: Sequence[float],
    labels: Sequence[str],
    shown: Callable[[float], float],
    axis_text: str,
) -> style.Picture:
    """Draw gain and integral time of every entry over the key, with thresholds and duty points.

    Parameters
    ----------
    found : Scheduled
        The schedule as typed in.
    places : sequence of float
        The key at each of its duty points [Pa indicated, or speed fraction].
    labels : sequence of str
        Their labels.
    shown : callable
        From the key to the unit of the axis.
    axis_text : str
        What the axis shows, with its unit.

    Returns
    -------
    Picture
        Steps: the entries, overlapping by the hysteresis; dashed: thresholds; dots: duty points.
    """
    unit = "decade" if found.entries[0].settings.reading == "log10" else "Pa"
    thresholds = found.schedule.thresholds
    ends = [*places, *(end for one in thresholds for end in (one.down, one.up))]
    low, high = shown(min(ends)) / ROOM, shown(max(ends)) * ROOM
    panels = (
        (f"gain [speed/{unit}]", [one.settings.kc for one in found.entries]),
        ("integral time [s]", [one.settings.ti_s for one in found.entries]),
    )
    figure, axes = style.canvas(6.9, 2.8, columns=2)
    for axis, (title, values) in zip(axes, panels, strict=True):
        axis.set_title(title, fontsize=7.5)
        axis.set_xlabel(axis_text)
        style.log_axis(axis, "x", low, high)
        finite = [value for value in values if math.isfinite(value)]
        style.log_axis(axis, "y", min(finite) / ROOM, max(finite) * ROOM)
        _draw(axis, found, values, [low, high], shown)
        for place, point in zip(places, found.points, strict=True):
            value = values[point.entry]
            axis.plot([shown(place)], [value], "o", color=style.INK, markersize=4.5, zorder=4)
        _name_points(axis, found, places, labels, values, shown)
    figure.alt = _alt(found, panels, shown, axis_text)
    return figure


def _draw(
    axis: Axes,
    found: Scheduled,
    values: Sequence[float],
    ends: Sequence[float],
    shown: Callable[[float], float],
) -> None:
    """Draw each entry as far as it may be used: on either side up to where the next takes over."""
    thresholds = found.schedule.thresholds
    for index, value in enumerate(values):
        left = shown(thresholds[index - 1].down) if index else ends[0]
        right = shown(thresholds[index].up) if index < len(thresholds) else ends[1]
        axis.plot([left, right], [value, value], color=style.INK, linewidth=1.8, zorder=3)
    for one in thresholds:
        axis.axvline(shown(one.at), color=style.MUTED, linewidth=0.8, dashes=(4, 2), zorder=2)


def _name_points(
    axis: Axes,
    found: Scheduled,
    places: Sequence[float],
    labels: Sequence[str],
    values: Sequence[float],
    shown: Callable[[float], float],
) -> None:
    """Write the duty points' labels above their dots; those at one place share a line."""
    together: dict[tuple[float, float], list[str]] = {}
    for place, point, label in zip(places, found.points, labels, strict=True):
        together.setdefault((shown(place), values[point.entry]), []).append(label)
    for at, names in together.items():
        axis.annotate(
            ", ".join(names), at, xytext=(0, 5), textcoords="offset points", ha="center",
            fontsize=7, zorder=5,
        )  # fmt: skip


def _alt(
    found: Scheduled,
    panels: Sequence[tuple[str, Sequence[float]]],
    shown: Callable[[float], float],
    axis_text: str,
) -> str:
    entries = "; ".join(
        f"entry {index + 1}: " + ", ".join(f"{title} {number(v[index])}" for title, v in panels)
        for index in range(len(found.entries))
    )
    at = ", ".join(number(shown(one.at)) for one in found.schedule.thresholds)
    return f"Steps of gain and integral time over the {axis_text}. {entries}. Thresholds: {at}."
