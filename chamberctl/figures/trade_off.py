"""Picture of what calmness costs: recovery, gain and integral time over Ms."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from matplotlib.axes import Axes
from matplotlib.ticker import MultipleLocator

from chamberctl.control.pace import PACES
from chamberctl.display import number
from chamberctl.figures import style

if TYPE_CHECKING:
    from chamberctl.control.trade_off import TradeOff

HEADROOM = 1.15
"""Axes reach so far beyond the curve."""


@style.house_style
def trade_off(found: TradeOff) -> style.Picture:
    """Draw recovery, gain and integral time of the best loop over Ms.

    Parameters
    ----------
    found : TradeOff
        From `chamberctl.control.trade_off.trade_off`.

    Returns
    -------
    Picture
        Dots: the ready choices, by name; ring: the settings that the curve was made for.
    """
    unit = "decade" if found.reading == "log10" else "Pa"
    panels = (
        ("integrated error\nafter a gas step [s]", found.recovery_s),
        (f"gain\n[speed/{unit}]", found.kc),
        ("integral time\n[s]", found.ti_s),
    )
    figure, axes = style.canvas(6.9, 2.5, columns=len(panels))
    for axis, (title, values) in zip(axes, panels, strict=True):
        _draw(axis, found, title, values)
    _name_choices(axes[0], found)
    figure.alt = _alt(found)
    return figure


def _draw(axis: Axes, found: TradeOff, title: str, values: np.ndarray) -> None:
    axis.plot(found.ms, values, color=style.INK, zorder=3)
    axis.set_title(title, fontsize=7.5)
    axis.set_xlabel("Ms [-]")
    room = 0.05 * float(found.ms[-1] - found.ms[0])
    axis.set_xlim(found.ms[0], found.ms[-1] + room)
    axis.xaxis.set_major_locator(MultipleLocator(0.4))
    if np.any(np.isfinite(values)):
        axis.set_ylim(0.0, HEADROOM * float(np.nanmax(values)))
    for ms in PACES.values():
        axis.plot([ms], [_at(found, values, ms)], "o", color=style.INK, markersize=4.5, zorder=4)
    axis.plot(
        [found.chosen_ms], [_at(found, values, found.chosen_ms)], "o", markersize=9.0,
        markerfacecolor="none", markeredgecolor=style.INK, markeredgewidth=1.0, zorder=5,
    )  # fmt: skip


def _name_choices(axis: Axes, found: TradeOff) -> None:
    for name, ms in PACES.items():
        axis.annotate(
            name, (ms, _at(found, found.recovery_s, ms)), xytext=(5, 5),
            textcoords="offset points", fontsize=7, zorder=6,
        )  # fmt: skip


def _at(found: TradeOff, values: np.ndarray, ms: float) -> float:
    """Return a curve's value at an Ms; between the points of the curve on a straight line."""
    return float(np.interp(ms, found.ms, values))


def _alt(found: TradeOff) -> str:
    told = "; ".join(
        f"{name} (Ms {number(ms)}): {number(_at(found, found.recovery_s, ms))} s, gain "
        f"{number(_at(found, found.kc, ms))}, integral time {number(_at(found, found.ti_s, ms))} s"
        for name, ms in PACES.items()
    )
    return (
        "Curves over the largest Ms allowed: integrated error after a step of the gas load, gain "
        f"and integral time of the best {found.structure} loop. {told}. The settings shown have Ms "
        f"{number(found.chosen_ms)}."
    )
