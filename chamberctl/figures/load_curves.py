"""Curves over speed for several gas loads: what the pictures of the window share."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from matplotlib.axes import Axes

from chamberctl.figures import style

if TYPE_CHECKING:
    from chamberctl.plant.window import OperatingWindow
    from chamberctl.study import Study


MOST_LOADS = 8
"""So many gas loads have curves of their own; of more the ends and some between them."""


def pick(count: int, most: int = MOST_LOADS) -> list[int]:
    """Return indices of the gas loads that are drawn, both ends always among them."""
    if count <= most:
        return list(range(count))
    return sorted({round(i * (count - 1) / (most - 1)) for i in range(most)})


def masked(window: OperatingWindow, name: str, row: int) -> np.ndarray:
    """Return one gas load's values, NaN where there is no steady state."""
    values = np.asarray(getattr(window, name)[row], dtype=float)
    return np.where(np.asarray(window.feasible[row], dtype=bool), values, np.nan)


def curve(axis: Axes, window: OperatingWindow, row: int, values: np.ndarray, dash: Any) -> None:
    """Draw one gas load's curve, dotted and thin where extrapolated or below the floor."""
    percent = 100 * np.asarray(window.speeds)
    below_floor = np.asarray(window.feasible[row]) & ~np.asarray(window.controllable[row])
    beyond = np.asarray(window.extrapolated[row], dtype=bool) | below_floor
    axis.plot(percent, np.where(beyond, np.nan, values), color=style.INK, linestyle=dash)
    if beyond.any():
        near = beyond | np.roll(beyond, 1) | np.roll(beyond, -1)
        axis.plot(
            percent, np.where(near, values, np.nan), color=style.MUTED, linestyle=":", linewidth=0.9
        )


def label_ends(
    axis: Axes, ends: Sequence[tuple[float, float, str]], *, log: bool, height_in: float
) -> None:
    """Write each curve's name beside its right end, moved apart where they would collide."""
    low, high = axis.get_ylim()
    to = np.log10 if log else (lambda value: value)
    span = float(to(high) - to(low))
    gap = 0.062 * span * (3.0 / height_in)
    wanted = [float(to(max(y, low) if log else y)) for _, y, _ in ends]
    placed = style.spread_apart(wanted, gap, float(to(low)) + gap / 2, float(to(high)) - gap / 2)
    for (x, y, text), position in zip(ends, placed, strict=True):
        axis.annotate(
            text,
            (x, y),
            xytext=(1.03, (position - float(to(low))) / span),
            textcoords="axes fraction",
            fontsize=7,
            va="center",
            annotation_clip=False,
            arrowprops={"arrowstyle": "-", "color": style.FAINT, "linewidth": 0.6, "shrinkB": 0},
        )


def speed_limits(axis: Axes, study: Study) -> None:
    """Shade the speeds the loop may not use and hatch the bands it must avoid."""
    drive = study.system.drive
    low, high = 100 * drive.minimum_speed, 100 * drive.maximum_speed
    for start, stop in ((0.0, low), (high, max(high, 105.0))):
        if stop > start:
            axis.axvspan(start, stop, color=style.RULE, alpha=0.55, linewidth=0, zorder=0.5)
    for start, stop in drive.avoid_bands:
        axis.axvspan(
            100 * start,
            100 * stop,
            facecolor="none",
            edgecolor=style.FAINT,
            hatch="////",
            linewidth=0,
        )
    axis.set_xlim(0, max(105.0, high * 1.02))
    words = (("below minimum speed", low, 3), ("above maximum speed", high, 105.0))
    for text, edge, other in words:
        if abs(edge - other) > 6:
            axis.annotate(
                text,
                ((edge + other) / 2, 0.03),
                xycoords=axis.get_xaxis_transform(),
                rotation=90,
                fontsize=6.5,
                color=style.MUTED,
                ha="center",
                va="bottom",
            )
    axis.set_xlabel("speed [% of rated]")
