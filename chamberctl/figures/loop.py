"""Pictures of the loop in the frequency domain and of its margins over the duty."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from matplotlib.axes import Axes

from chamberctl.display import number
from chamberctl.figures import style


@dataclass(frozen=True)
class LoopCurve:
    """The frequency response of one duty point's loop, as L = -K G.

    Parameters
    ----------
    label : str
        The point's number in the tables.
    omega_rad_s : array, shape (N,)
        Angular frequency [rad/s], up to half the sampling frequency.
    response : array, shape (N,)
        Complex loop gain [-].
    """

    label: str
    omega_rad_s: np.ndarray
    response: np.ndarray


def _phase_deg(response: np.ndarray) -> np.ndarray:
    """Return the continuous phase [deg], started on the branch between -360 and 0."""
    phase = np.degrees(np.unwrap(np.angle(response)))
    return np.asarray(phase - 360 * np.ceil(phase[0] / 360))


def _crossing(curve: LoopCurve) -> tuple[float, float] | None:
    """Return frequency [rad/s] and phase [deg] at the last crossing of gain 1, if there is one."""
    size = np.log(np.abs(curve.response))
    last = np.flatnonzero((size[:-1] > 0) & (size[1:] <= 0))
    if not len(last):
        return None
    i = int(last[-1])
    part = size[i] / (size[i] - size[i + 1])
    log_omega = np.log(curve.omega_rad_s)
    omega = float(np.exp(log_omega[i] + part * (log_omega[i + 1] - log_omega[i])))
    phase = _phase_deg(curve.response)
    return omega, float(phase[i] + part * (phase[i + 1] - phase[i]))


def _inside_label(
    axis: Axes, x: float, y: float, text: str, offset: tuple[int, int], side: str = "left"
) -> None:
    axis.annotate(
        text,
        (x, y),
        xytext=offset,
        textcoords="offset points",
        fontsize=7,
        va="center",
        ha=side,
        bbox={"facecolor": "white", "edgecolor": "none", "pad": 1.2, "alpha": 0.9},
        zorder=7,
    )


@style.house_style
def bode(curves: Sequence[LoopCurve], worst: int) -> style.Picture:
    """Draw gain and phase of the loop at every duty point, the worst one emphasized.

    Parameters
    ----------
    curves : sequence of LoopCurve
        One curve for each feasible duty point.
    worst : int
        Index of the curve to emphasize.

    Returns
    -------
    Picture
        Gain above, phase below, with the worst point's phase margin marked.
    """
    figure, (gain, phase) = style.canvas(6.9, 3.9, rows=2, sharex=True)
    for index, curve in enumerate(curves):
        chosen = index == worst
        look: dict[str, Any] = {
            "color": style.INK if chosen else style.FAINT,
            "linewidth": 1.8 if chosen else 0.9,
            "zorder": 4 if chosen else 2,
        }
        gain.plot(curve.omega_rad_s, np.abs(curve.response), **look)
        phase.plot(curve.omega_rad_s, _phase_deg(curve.response), **look)
    low = min(float(c.omega_rad_s[0]) for c in curves)
    high = max(float(c.omega_rad_s[-1]) for c in curves)
    style.log_axis(gain, "x", low, high * 1.15)
    top = min(float(np.percentile(np.abs(curves[worst].response), 99)) * 3, 1e3)
    style.log_axis(gain, "y", 1e-2, max(top, 10.0))
    gain.axhline(1.0, color=style.ACCENT, linewidth=0.9, linestyle=(0, (4, 2)), zorder=3)
    phase.axhline(-180, color=style.ACCENT, linewidth=0.9, linestyle=(0, (4, 2)), zorder=3)
    phase.set_ylim(-360, 0)
    phase.set_yticks([-360, -270, -180, -90, 0])
    gain.set_ylabel("gain of the loop [ratio]")
    phase.set_ylabel("phase [deg]")
    phase.set_xlabel("angular frequency [rad/s]")
    for axis in (gain, phase):
        axis.axvline(high, color=style.MUTED, linewidth=0.8, linestyle=":")
    _inside_label(phase, high, -320, "half the scan rate", (-82, 0))
    words = f"Bode diagram of the loop at {len(curves)} duty points"
    crossing = _crossing(curves[worst])
    if crossing is not None:
        omega, angle = crossing
        gain.plot([omega], [1.0], marker="o", color=style.INK, markersize=4, zorder=6)
        phase.plot(
            [omega, omega],
            [-180, angle],
            color=style.INK,
            linewidth=2.6,
            zorder=6,
            solid_capstyle="butt",
        )
        gain.axvline(omega, color=style.INK, linewidth=0.6, linestyle=":", zorder=3)
        phase.axvline(omega, color=style.INK, linewidth=0.6, linestyle=":", zorder=3)
        margin = f"{number(angle + 180)} deg"
        words_at = (angle - 180) / 2
        _inside_label(phase, omega, words_at, f"{margin} above -180", (-8, 0), "right")
        _inside_label(
            gain,
            omega,
            1.0,
            f"point {curves[worst].label}: gain 1 at {number(omega)} rad/s",
            (8, 9),
        )
        words += (
            f"; at the worst, point {curves[worst].label}, gain falls through 1 at "
            f"{number(omega)} rad/s with the phase {margin} above -180 deg"
        )
    figure.alt = words + "."
    return figure


@style.house_style
def nyquist(curves: Sequence[LoopCurve], worst: int, ms_limit: float) -> style.Picture:
    """Draw the loop's path around the critical point, with the unit circle and the Ms circle.

    Parameters
    ----------
    curves : sequence of LoopCurve
        One curve for each feasible duty point.
    worst : int
        Index of the curve to emphasize.
    ms_limit : float
        Largest sensitivity allowed [-]; the circle around -1 has radius 1/ms_limit.

    Returns
    -------
    Picture
        One square panel; a curve that enters the hatched circle fails the limit.
    """
    figure, (axis,) = style.canvas(5.2, 4.4)
    turn = np.linspace(0, 2 * np.pi, 361)
    axis.plot(np.cos(turn), np.sin(turn), color=style.ACCENT, linewidth=0.9, linestyle=(0, (4, 2)))
    radius = 1.0 / ms_limit
    axis.fill(
        -1 + radius * np.cos(turn),
        radius * np.sin(turn),
        facecolor="none",
        edgecolor=style.FAINT,
        hatch="/////",
        linewidth=0.9,
        zorder=1,
    )
    axis.plot([-1], [0], marker="+", color=style.INK, markersize=10, markeredgewidth=1.6, zorder=6)
    for index, curve in enumerate(curves):
        chosen = index == worst
        axis.plot(
            curve.response.real,
            curve.response.imag,
            zorder=4 if chosen else 2,
            color=style.INK if chosen else style.FAINT,
            linewidth=1.8 if chosen else 0.9,
        )
    axis.set_aspect("equal")
    axis.set_xlim(-2.3, 1.3)
    axis.set_ylim(-2.1, 1.2)
    axis.axhline(0, color=style.MUTED, linewidth=0.6)
    axis.axvline(0, color=style.MUTED, linewidth=0.6)
    axis.set_xlabel("real part of the loop gain [ratio]")
    axis.set_ylabel("imaginary part [ratio]")
    chosen_curve = curves[worst]
    distance = np.abs(1 + chosen_curve.response)
    near = int(np.argmin(distance))
    x, y = chosen_curve.response[near].real, chosen_curve.response[near].imag
    if abs(x) < 2.2 and abs(y) < 2:
        axis.plot([-1, x], [0, y], color=style.INK, linewidth=1.0, zorder=5)
        style.badge(axis, x, y, chosen_curve.label, strong=True)
    _inside_label(axis, -1, radius, f"keep out: Ms {number(ms_limit)}", (-30, 9))
    _inside_label(axis, np.cos(0.9), np.sin(0.9), "gain 1", (4, 8))
    _inside_label(axis, -1, 0, "-1", (-16, 7))
    figure.alt = (
        f"Nyquist diagram of the loop at {len(curves)} duty points; the worst, point "
        f"{chosen_curve.label}, comes as near to -1 as {number(float(distance[near]))}, where the "
        f"limit Ms {number(ms_limit)} asks for {number(radius)} or more."
    )
    return figure


@style.house_style
def margins_over_duty(
    labels: Sequence[str],
    rows: Mapping[str, Sequence[float]],
    limits: Mapping[str, float],
    unrounded: Mapping[str, Sequence[float]] | None = None,
) -> style.Picture:
    """Draw each margin at each duty point as a dot against its limit.

    Parameters
    ----------
    labels : sequence of str
        Numbers of the duty points as in the tables.
    rows : mapping of str to sequence of float
        Axis title with unit -> one value for each point; nan where there is none.
    limits : mapping of str to float
        Axis title -> limit, where the duty states one.
    unrounded : mapping, optional
        The same as `rows` before the gains were rounded.

    Returns
    -------
    Picture
        One panel per margin, one line per duty point.
    """
    height = max(1.5, 0.62 + 0.19 * len(labels))
    figure, axes = style.canvas(6.9, height, columns=len(rows), sharey=True)
    places = np.arange(len(labels))
    for axis, (title, values) in zip(axes, rows.items(), strict=True):
        data = np.asarray(values, dtype=float)
        finite = data[np.isfinite(data)]
        limit = limits.get(title)
        reach = [*finite, *([] if limit is None else [limit])] or [1.0]
        span = max(reach) - min(min(reach), 0 if min(reach) > 0 else min(reach))
        low = 1.0 if title.startswith("Ms") else 0.0
        high = max(reach) + 0.15 * (span or 1.0)
        axis.set_xlim(low, high)
        if limit is not None:
            axis.axvline(limit, color=style.ALARM, linewidth=1.2, linestyle=(0, (5, 2)))
        known = np.isfinite(data)
        axis.hlines(places[known], low, data[known], color=style.FAINT, linewidth=0.7, zorder=2)
        for place, value in zip(places, data, strict=True):
            if not np.isfinite(value):
                word = "unlimited" if value == np.inf else "none"
                axis.annotate(
                    word,
                    (low, place),
                    xytext=(4, 0),
                    textcoords="offset points",
                    fontsize=6.5,
                    va="center",
                    color=style.MUTED,
                )
        if unrounded is not None:
            axis.plot(
                unrounded[title],
                places,
                linestyle="none",
                marker="o",
                markersize=6.5,
                markerfacecolor="white",
                markeredgecolor=style.MUTED,
                zorder=3,
            )
        axis.plot(
            data, places, linestyle="none", marker="o", markersize=3.4, color=style.INK, zorder=4
        )
        side = "" if limit is None else f"limit {number(limit)}"
        axis.set_title(f"{title}\n{side}", fontsize=7.5)
        axis.grid(axis="y", visible=False)
    axes[0].set_yticks(places, labels)
    axes[0].set_ylim(len(labels) - 0.4, -0.6)
    axes[0].set_ylabel("duty point")
    worst_ms = next((v for k, v in rows.items() if k.startswith("Ms")), [])
    finite_ms = [v for v in worst_ms if np.isfinite(v)]
    figure.alt = f"Margins at {len(labels)} duty points against their limits; " + (
        f"Ms lies between {number(min(finite_ms))} and {number(max(finite_ms))}."
        if finite_ms
        else "no point has margins."
    )
    return figure


def _stacked_labels(axis: Axes, labels: Sequence[str], data: np.ndarray, place: int) -> None:
    """Write the points' numbers above and below their dots in turn; equal dots share a place."""
    low, high = np.log(axis.get_xlim())
    axis.plot(data, np.full(len(data), place), "o", color=style.INK, markersize=4, zorder=4)
    groups: list[list[int]] = []
    for index in sorted(range(len(data)), key=lambda i: data[i]):
        if groups and np.log(data[index] / data[groups[-1][0]]) < 0.012 * (high - low):
            groups[-1].append(index)
        else:
            groups.append([index])
    for turn, group in enumerate(groups):
        axis.annotate(
            ", ".join(labels[i] for i in sorted(group)),
            (float(np.exp(np.mean(np.log(data[group])))), place),
            xytext=(0, 6 if turn % 2 == 0 else -6),
            fontsize=6.5,
            ha="center",
            va="bottom" if turn % 2 == 0 else "top",
            textcoords="offset points",
        )


@style.house_style
def gain_spread(
    labels: Sequence[str], log_gain: Sequence[float], linear_gain: Sequence[float], used: str
) -> style.Picture:
    """Draw how the plant's fast gain changes over the duty with a log and with a linear reading.

    Parameters
    ----------
    labels : sequence of str
        Numbers of the duty points.
    log_gain, linear_gain : sequence of float
        Gain at each point relative to the tuning's design point [-].
    used : {"log10", "linear"}
        The reading this controller uses.

    Returns
    -------
    Picture
        Two rows of dots on one logarithmic axis; the shorter row is the easier plant to control.
    """
    figure, (axis,) = style.canvas(6.9, 1.75)
    both = np.concatenate([np.asarray(log_gain, float), np.asarray(linear_gain, float)])
    style.log_axis(axis, "x", float(both.min()) / 1.25, float(both.max()) * 1.25)
    spreads = []
    for place, values in enumerate((log_gain, linear_gain)):
        data = np.asarray(values, dtype=float)
        spreads.append(float(data.max() / data.min()))
        axis.plot(
            [data.min(), data.max()], [place, place], color=style.FAINT, linewidth=3.5, zorder=2
        )
        _stacked_labels(axis, labels, data, place)
    ticks = []
    for name, spread in zip(("log10", "linear"), spreads, strict=True):
        ticks.append(
            f"{name} reading{' (used)' if name == used else ''}\nspread {number(spread)} : 1"
        )
    axis.set_yticks([0, 1], ticks)
    axis.set_ylim(1.6, -0.7)
    axis.grid(axis="y", visible=False)
    axis.set_xlabel("plant gain at the design crossover, relative to the design point [ratio]")
    figure.alt = (
        f"Over the duty the plant's gain changes {number(spreads[0])} to 1 with a log reading and "
        f"{number(spreads[1])} to 1 with a linear reading."
    )
    return figure
