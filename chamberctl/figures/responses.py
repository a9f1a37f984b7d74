"""Pictures of the sampled linear loop's answers in time."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes

from chamberctl.display import number
from chamberctl.figures import style


@dataclass(frozen=True)
class ResponseCurve:
    """One duty point's answer to a small step, as deviations from the steady state.

    Parameters
    ----------
    label : str
        The point's number in the tables.
    time_s : array, shape (N,)
        Time since the step [s].
    reading_percent : array, shape (N,)
        Deviation of the indicated pressure [% of the setpoint].
    speed_percent : array, shape (N,)
        Deviation of the speed command [% of rated].
    """

    label: str
    time_s: np.ndarray
    reading_percent: np.ndarray
    speed_percent: np.ndarray


def _panel(axis: Axes, curves: Sequence[ResponseCurve], name: str, worst: int) -> None:
    for index, curve in enumerate(curves):
        chosen = index == worst
        axis.plot(
            curve.time_s,
            getattr(curve, name),
            color=style.INK if chosen else style.FAINT,
            linewidth=1.8 if chosen else 0.9,
            zorder=4 if chosen else 2,
        )
    axis.axhline(0, color=style.MUTED, linewidth=0.6, zorder=1)


def _name_worst(axis: Axes, curve: ResponseCurve, name: str) -> None:
    values = getattr(curve, name)
    peak = int(np.argmax(np.abs(values)))
    style.badge(axis, float(curve.time_s[peak]), float(values[peak]), curve.label, strong=True)


def _shown_until(curves: Sequence[ResponseCurve]) -> float:
    """Return a little more than the time after which nothing visible happens [s]."""
    last = 0.0
    for curve in curves:
        for values in (curve.reading_percent, curve.speed_percent):
            moving = np.flatnonzero(np.abs(values - values[-1]) > 0.01 * np.ptp(values))
            last = max(last, float(curve.time_s[moving[-1]]) if len(moving) else 0.0)
    return min(1.25 * last, max(float(c.time_s[-1]) for c in curves)) or 1.0


def _label_ends(axis: Axes, curves: Sequence[ResponseCurve]) -> None:
    """Write each point's number where its speed ends, moved apart where they would collide."""
    low, high = axis.get_ylim()
    ends = [float(c.speed_percent[-1]) for c in curves]
    placed = style.spread_apart(ends, 0.075 * (high - low), low, high)
    for curve, end, place in zip(curves, ends, placed, strict=True):
        axis.annotate(
            curve.label,
            (axis.get_xlim()[1], end),
            xytext=(1.025, (place - low) / (high - low)),
            textcoords="axes fraction",
            fontsize=6.5,
            va="center",
            annotation_clip=False,
        )


@style.house_style
def step_responses(
    setpoint: Sequence[ResponseCurve],
    gas_load: Sequence[ResponseCurve],
    worst: int,
    *,
    setpoint_step_percent: float,
    gas_load_step_percent: float,
    band_percent: float | None,
) -> style.Picture:
    """Draw the answers to a setpoint step and to a gas-load step at every duty point.

    Parameters
    ----------
    setpoint, gas_load : sequence of ResponseCurve
        One curve for each feasible duty point.
    worst : int
        Index of the curve to emphasize.
    setpoint_step_percent, gas_load_step_percent : float
        Sizes of the steps [% of the setpoint, % of the gas load].
    band_percent : float or None
        Half width of the duty's hold band [% of the setpoint].

    Returns
    -------
    Picture
        Reading above, speed below; setpoint step left, gas-load step right.
    """
    figure, axes = style.canvas(6.9, 3.8, rows=2, columns=2, sharex="col")
    titles = (
        f"setpoint raised by {number(setpoint_step_percent)} %",
        f"gas load raised by {number(gas_load_step_percent)} %",
    )
    for column, (curves, title) in enumerate(zip((setpoint, gas_load), titles, strict=True)):
        target = setpoint_step_percent if column == 0 else 0.0
        reading, speed = axes[column], axes[2 + column]
        _panel(reading, curves, "reading_percent", worst)
        _panel(speed, curves, "speed_percent", worst)
        reading.axhline(target, color=style.ACCENT, linewidth=0.9, linestyle=(0, (4, 2)), zorder=3)
        if band_percent:
            for edge in (target - band_percent, target + band_percent):
                reading.axhline(
                    edge, color=style.ALARM, linewidth=0.8, linestyle=(0, (1, 2)), zorder=3
                )
        reading.set_title(title)
        speed.set_xlabel("time [s]")
        speed.set_xlim(0, _shown_until(curves))
        _label_ends(speed, curves)
        _name_worst(reading, curves[worst], "reading_percent")
    axes[0].set_ylabel("indicated pressure\n[% of setpoint]")
    axes[2].set_ylabel("speed command\n[% of rated]")
    gas = gas_load[worst].reading_percent
    figure.alt = (
        f"Indicated pressure and speed against time at {len(setpoint)} duty points; at point "
        f"{gas_load[worst].label} a gas-load step of {number(gas_load_step_percent)} % moves the "
        f"pressure by at most {number(float(np.max(np.abs(gas))))} % of the setpoint."
    )
    return figure
