"""Margins over all points of a duty: the worst of each, the limits missed, the spread of gain."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, Literal

import numpy as np

from chamberctl.display import number
from chamberctl.findings import Finding

if TYPE_CHECKING:
    from chamberctl.control.margins import LoopMargins
    from chamberctl.plant.linear import LoopModel
    from chamberctl.study import Limits

#: Name of each margin, and whether the larger value is the worse one.
WORSE_IS_LARGER: Mapping[str, bool] = {
    "gain_margin": False,
    "gain_margin_low": True,
    "phase_margin_deg": False,
    "delay_margin_s": False,
    "ms": True,
    "mt": True,
    "disk_margin": False,
}

#: Margins that a duty may limit: in words, and their unit.
MARGIN_WORDS: Mapping[str, tuple[str, str]] = {
    "gain_margin": ("gain margin", ""),
    "phase_margin_deg": ("phase margin", " deg"),
    "delay_margin_s": ("delay margin", " s"),
    "disk_margin": ("disk margin", ""),
    "ms": ("Ms", ""),
}


def worst_margins(found: Sequence[LoopMargins]) -> dict[str, tuple[float, int]]:
    """Return the worst value of each margin and the loop that has it.

    A margin that exists nowhere is nan; so is every margin where one loop is unstable, and the
    index is that loop's.
    """
    unstable = next((i for i, loop in enumerate(found) if not loop.stable), None)
    if unstable is not None:
        return dict.fromkeys(WORSE_IS_LARGER, (math.nan, unstable))
    worst: dict[str, tuple[float, int]] = {}
    for name, larger in WORSE_IS_LARGER.items():
        values = np.array([getattr(loop, name) for loop in found], dtype=float)
        if np.all(np.isnan(values)):
            worst[name] = (math.nan, 0)
            continue
        index = int(np.nanargmax(values) if larger else np.nanargmin(values))
        worst[name] = (float(values[index]), index)
    return worst


def missed_limits(
    names: Sequence[str], found: Sequence[LoopMargins], limits: Limits
) -> Iterator[Finding]:
    """Yield each duty point whose loop is unstable or misses a limit of the duty.

    Parameters
    ----------
    names : sequence of str
        Labels of the points.
    found : sequence of LoopMargins
        Their margins.
    limits : Limits
        The duty's limits; None is no limit.
    """
    for where, loop in zip(names, found, strict=True):
        if not loop.stable:
            reason = loop.reason or "unstable"
            yield Finding("no", "stability", f"{where}: {reason}. There are no margins.")
            continue
        for name, (words, unit) in MARGIN_WORDS.items():
            limit = getattr(limits, name)
            value = getattr(loop, name)
            if limit is None or math.isnan(value):
                continue
            over = value > limit if WORSE_IS_LARGER[name] else value < limit
            if over:
                relation = "above" if WORSE_IS_LARGER[name] else "below"
                yield Finding(
                    "no",
                    "margins",
                    f"{where}: {words} {number(value)}{unit} is {relation} the duty's limit of "
                    f"{number(limit)}{unit}.",
                )


def rounding_effect(rounded: Sequence[LoopMargins], exact: Sequence[LoopMargins]) -> Finding:
    """Say what rounding the settings to the controller's decimals does to the worst margins."""
    after, before = worst_margins(rounded), worst_margins(exact)
    pairs = ", ".join(
        f"{words} {number(before[name][0])}{unit} -> {number(after[name][0])}{unit}"
        for name, (words, unit) in MARGIN_WORDS.items()
    )
    change = after["ms"][0] / before["ms"][0] - 1.0
    moved = abs(change) > 0.05 or math.isnan(before["ms"][0]) != math.isnan(after["ms"][0])
    return Finding(
        "caution" if moved else "note",
        "rounding",
        f"Worst margins of the exact and of the rounded settings: {pairs}. All margins shown are "
        "those of the rounded ones.",
    )


def gain_spread(
    models: Sequence[LoopModel], omega_rad_s: float
) -> dict[Literal["log10", "linear"], float]:
    """Return largest over smallest gain of the plant at a frequency, for both readings.

    Parameters
    ----------
    models : sequence of LoopModel
        The plant at the points of the duty.
    omega_rad_s : float
        Where the loop is fast, its crossover [rad/s].

    Returns
    -------
    dict
        By reading; 1 where the gain is the same everywhere.
    """
    spread: dict[Literal["log10", "linear"], float] = {}
    readings: tuple[Literal["log10", "linear"], ...] = ("log10", "linear")
    for reading in readings:
        gains = [plant_gain(model, reading, omega_rad_s) for model in models]
        spread[reading] = max(gains) / min(gains)
    return spread


def plant_gain(model: LoopModel, reading: Literal["log10", "linear"], omega_rad_s: float) -> float:
    """Return the size of the plant's response at a frequency [decades or Pa per fraction]."""
    a, b, c, d = model.siso(reading)
    response = c @ np.linalg.solve(1j * omega_rad_s * np.eye(len(a)) - a, b) + d
    return float(abs(response[0, 0]))


def spread_finding(spread: Mapping[Literal["log10", "linear"], float], reading: str) -> Finding:
    """Say how much the loop's fast gain varies over the duty with either reading."""
    log, linear = number(spread["log10"]), number(spread["linear"])
    better: Literal["log10", "linear"] = "linear"
    if spread["log10"] < spread["linear"]:
        better = "log10"
    text = (
        f"Over the duty the loop's fast gain varies by a factor of {log} with a log10 reading and "
        f"of {linear} with a linear one."
    )
    if spread[better] > 0.95 * max(spread.values()):
        return Finding("note", "reading", f"{text} Either reading will do in this respect.")
    if better == reading:
        return Finding("note", "reading", f"{text} The {reading} reading in use is the better one.")
    return Finding(
        "caution",
        "reading",
        f"{text} A {better} reading would hold its margins over the duty more evenly than the "
        f"{reading} one in use.",
    )
