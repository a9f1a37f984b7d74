"""Pictures of simulated runs in time: reading above, speed below."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from matplotlib.axes import Axes

from chamberctl.display import number
from chamberctl.figures import style

MOST_POINTS = 900


@dataclass(frozen=True)
class TraceCurve:
    """One run.

    Parameters
    ----------
    title : str
        What happens.
    time_s : array, shape (N,)
        Time [s].
    reading, setpoint : array, shape (N,)
        Indicated pressure and setpoint, in `unit`.
    speed_percent, output_percent : array, shape (N,)
        Speed of the drive and output of the controller [% of rated].
    limits_percent : tuple of float
        Lowest and highest output [% of rated].
    band : float
        Half width of the hold band [fraction of setpoint].
    unit : str
        Unit of the reading.
    event_s : float
        When it begins to happen [s].
    held : bool array, shape (N,)
        Where the output is given from outside, or held at a bad reading.
    predicted : tuple of array, optional
        Times [s], reading in `unit` and output [% of rated] that the linear loop predicts.
    parting_s : float
        When run and prediction part company [s]; nan: nowhere.
    """

    title: str
    time_s: np.ndarray
    reading: np.ndarray
    setpoint: np.ndarray
    speed_percent: np.ndarray
    output_percent: np.ndarray
    limits_percent: tuple[float, float]
    band: float
    unit: str
    event_s: float = 0.0
    held: np.ndarray = field(default_factory=lambda: np.zeros(0, dtype=bool))
    predicted: tuple[np.ndarray, np.ndarray, np.ndarray] | None = None
    parting_s: float = math.nan


@style.house_style
def traces(curves: Sequence[TraceCurve]) -> style.Picture:
    """Draw runs side by side.

    Parameters
    ----------
    curves : sequence of TraceCurve
        One to three runs.

    Returns
    -------
    Picture
        Reading with setpoint and hold band above, speed with its limits below; gray where the
        output is given from outside; dashed what the linear loop predicts.
    """
    figure, axes = style.canvas(6.9, 3.8, rows=2, columns=len(curves), sharex="col")
    for column, curve in enumerate(curves):
        upper, lower = axes[column], axes[len(curves) + column]
        first, last = shown(curve)
        for axis in (upper, lower):
            _gray(axis, curve)
            if math.isfinite(curve.parting_s):
                axis.axvline(
                    curve.parting_s, color=style.ALARM, linewidth=0.8, linestyle=(0, (1, 2))
                )
        _reading(upper, curve, first, last)
        _speed(lower, curve, first, last)
        lower.set_xlim(curve.time_s[first], curve.time_s[last])
        lower.set_xlabel("time [s]")
        upper.set_title(curve.title)
    axes[0].set_ylabel(f"indicated pressure\n[{curves[0].unit}]")
    axes[len(curves)].set_ylabel("speed [% of rated]")
    figure.alt = " ".join(_in_words(curve) for curve in curves)
    return figure


def shown(curve: TraceCurve) -> tuple[int, int]:
    """First and last sample to show: a little before it happens, until nothing more is seen."""
    final, setpoint = curve.reading[-1], curve.setpoint
    moving = np.abs(curve.reading - final) > 0.3 * curve.band * np.abs(setpoint)
    moving |= np.abs(curve.speed_percent - curve.speed_percent[-1]) > 1.0
    moving |= setpoint != setpoint[-1]
    known = np.flatnonzero(moving)
    end_s = float(curve.time_s[known[-1]]) if known.size else curve.event_s
    lead_s = max(0.0, curve.event_s - 0.1 * (end_s - curve.event_s))
    end_s = max(end_s + 0.15 * (end_s - lead_s), curve.event_s + 10.0)
    last = min(int(np.searchsorted(curve.time_s, end_s)), curve.time_s.size - 1)
    return min(int(np.searchsorted(curve.time_s, lead_s)), last - 1), last


def _gray(axis: Axes, curve: TraceCurve) -> None:
    """Shade where the output is given from outside."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], curve.held, [False]]).astype(int)))
    for begin, end in zip(edges[::2], edges[1::2], strict=True):
        stop = min(int(end), curve.time_s.size - 1)
        axis.axvspan(
            curve.time_s[begin],
            curve.time_s[stop],
            facecolor=style.RULE,
            edgecolor="none",
            zorder=0,
        )


def _reading(axis: Axes, curve: TraceCurve, first: int, last: int) -> None:
    inside = slice(first, last + 1)
    time, setpoint = curve.time_s[inside], curve.setpoint[inside]
    style.setpoint_and_band(axis, *_thin(time, setpoint), curve.band)
    if curve.predicted is not None:
        axis.plot(
            *_thin(curve.predicted[0], curve.predicted[1]),
            color=style.MUTED, linewidth=1.2, linestyle=style.DASHES[1], zorder=3,
        )  # fmt: skip
    reading = curve.reading[inside]
    axis.plot(*_thin(time, reading), color=style.INK, linewidth=1.6, zorder=4)
    style.pressure_axis(axis, reading)


def _speed(axis: Axes, curve: TraceCurve, first: int, last: int) -> None:
    inside = slice(first, last + 1)
    time = curve.time_s[inside]
    for limit in curve.limits_percent:
        axis.axhline(limit, color=style.ALARM, linewidth=0.8, linestyle=(0, (1, 2)))
    low, high = curve.limits_percent
    axis.set_ylim(min(low - 4.0, 0.0), max(high + 4.0, 100.0))
    axis.plot(
        *_thin(time, curve.output_percent[inside]), color=style.FAINT, linewidth=1.1, zorder=3
    )
    if curve.predicted is not None:
        axis.plot(
            *_thin(curve.predicted[0], curve.predicted[2]),
            color=style.MUTED, linewidth=1.2, linestyle=style.DASHES[1], zorder=3,
        )  # fmt: skip
    axis.plot(*_thin(time, curve.speed_percent[inside]), color=style.INK, linewidth=1.6, zorder=4)


def _thin(time: np.ndarray, values: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Fewer points that look the same: the lowest and the highest of each small piece."""
    if time.size <= MOST_POINTS:
        return time, values
    size, longer = divmod(time.size, MOST_POINTS // 2)
    kept = [np.array([0, time.size - 1])]
    begin = longer * (size + 1)
    for piece, start, end in ((size + 1, 0, begin), (size, begin, time.size)):
        pieces = values[start:end].reshape(-1, piece)
        first = start + piece * np.arange(len(pieces))
        kept += [first + pieces.argmin(axis=1), first + pieces.argmax(axis=1)]
    chosen = np.unique(np.concatenate(kept))
    return time[chosen], values[chosen]


def _in_words(curve: TraceCurve) -> str:
    after = curve.reading[curve.time_s >= curve.event_s]
    low, high = float(np.nanmin(after)), float(np.nanmax(after))
    words = (
        f"{curve.title}: the indicated pressure moves between {number(low)} and {number(high)} "
        f"{curve.unit} and ends at {number(float(curve.reading[-1]))} {curve.unit}, setpoint "
        f"{number(float(curve.setpoint[-1]))}; the speed between "
        f"{number(float(np.nanmin(curve.speed_percent)))} and "
        f"{number(float(np.nanmax(curve.speed_percent)))} %"
    )
    if math.isfinite(curve.parting_s):
        words += f"; run and linear prediction part company at {number(curve.parting_s)} s"
    return f"{words}."
