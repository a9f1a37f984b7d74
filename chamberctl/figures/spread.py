"""Picture of many draws of one scenario: where the reading lies, and the worst of them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from chamberctl.display import number
from chamberctl.figures import style


@dataclass(frozen=True)
class SpreadCurve:
    """Many draws.

    Parameters
    ----------
    title : str
        What happens.
    time_s : array, shape (N,)
        Time [s].
    low, middle, high : array, shape (N,)
        Quantiles of the indicated pressure, in `unit`.
    levels : tuple of float
        Levels of these quantiles [-].
    worst : array, shape (N,)
        Indicated pressure of the worst draw, in `unit`.
    worst_number : int
        Its number.
    setpoint : array, shape (N,)
        Setpoint, in `unit`.
    band : float
        Half width of the hold band [fraction of setpoint].
    unit : str
        Unit of the reading.
    """

    title: str
    time_s: np.ndarray
    low: np.ndarray
    middle: np.ndarray
    high: np.ndarray
    levels: tuple[float, float, float]
    worst: np.ndarray
    worst_number: int
    setpoint: np.ndarray
    band: float
    unit: str


def _last(curve: SpreadCurve) -> int:
    """Last sample to show: a little after nothing more is seen to move."""
    near, moving = 0.3 * curve.band * np.abs(curve.setpoint), np.zeros(curve.time_s.size, bool)
    for values in (curve.low, curve.middle, curve.high, curve.worst, curve.setpoint):
        moving |= np.abs(values - values[-1]) > near
    known = np.flatnonzero(moving)
    end = int(known[-1]) if known.size else curve.time_s.size - 1
    return min(end + max(end // 6, 2), curve.time_s.size - 1)


@style.house_style
def spread(curve: SpreadCurve) -> style.Picture:
    """Draw the reading over many draws.

    Parameters
    ----------
    curve : SpreadCurve
        The draws.

    Returns
    -------
    Picture
        The band between two quantiles in gray, the middle thick, the worst draw thin and dashed;
        setpoint and hold band as in every picture of a run.
    """
    figure, (axis,) = style.canvas(6.9, 3.0)
    time = curve.time_s
    axis.fill_between(time, curve.low, curve.high, facecolor=style.FAINT, alpha=0.6, linewidth=0.0)
    style.setpoint_and_band(axis, time, curve.setpoint, curve.band)
    axis.plot(time, curve.middle, color=style.INK, linewidth=1.6, zorder=4)
    axis.plot(
        time, curve.worst, color=style.INK, linewidth=0.9, linestyle=style.DASHES[2], zorder=4
    )
    style.pressure_axis(axis, np.concatenate([curve.low, curve.high, curve.worst]))
    axis.set_xlim(time[0], time[_last(curve)])
    axis.set_xlabel("time [s]")
    axis.set_ylabel(f"indicated pressure\n[{curve.unit}]")
    low, high = (f"{number(100 * level)} %" for level in (curve.levels[0], curve.levels[2]))
    axis.set_title(
        f"{curve.title}: gray from {low} to {high} of the draws, dotted draw {curve.worst_number}"
    )
    middle = f"{number(float(curve.middle[-1]))} {curve.unit}"
    ends = [number(float(end)) for end in (curve.worst.min(), curve.worst.max())]
    figure.alt = (
        f"{curve.title}, many draws: at the end {number(100 * curve.levels[1])} % of them lie "
        f"below {middle}, the setpoint is {number(float(curve.setpoint[-1]))} {curve.unit}; draw "
        f"{curve.worst_number} moves between {ends[0]} and {ends[1]} {curve.unit}."
    )
    return figure
