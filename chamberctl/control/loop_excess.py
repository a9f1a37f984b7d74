"""How far a law is from its limits at many plants, with the frequencies between those of a grid.

A parabola in ln w through a highest entry and its neighbors leads to the peak between them; its
own error falls with the fourth power of the distance. Crossings are found on straight lines, and
again on much shorter ones where a frequency was added.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from chamberctl.control.crossing_limits import Excess, crossing_excess, is_asked
from chamberctl.control.frequency import Array, Complex, Index
from chamberctl.control.gain_gaps import turns
from chamberctl.control.loop_grid import LoopGrid, Shape
from chamberctl.control.pace import CROSSING_LIMITS

if TYPE_CHECKING:
    from chamberctl.control.pace import LimitName, LoopLimits


PASSES, SHARP = 6, 1e-6
"""Frequencies are added until the highest excess moves by less, or so many times."""


def largest_noise_gain(grid: LoopGrid, gain: float, shape: Shape) -> float:
    """Return the largest |K S| of all plants [speed fraction per fraction of reading].

    Below the lowest frequency of the grid it goes to that of a reading which is wrong for ever.
    """
    law, value = grid.loop(shape)
    distance = _square(1.0 + gain * value)
    most = float(np.max(np.sqrt(_noise_gains(grid, gain * law) / distance)))
    return max(most, float(np.max(grid.lasting))) if math.isfinite(shape.ti_s) else most


def _noise_gains(grid: LoopGrid, law: Complex) -> Array:
    """Return |K|^2 at every entry of the grid, in fractions of reading."""
    return _square(law) * np.square(grid.reading_scale)[grid.row]


def _square(value: Complex) -> Array:
    """Return |value|^2."""
    size: Array = value.real**2 + value.imag**2
    return size


def peaks(grid: LoopGrid, gain: float, shape: Shape, limits: LoopLimits) -> dict[LimitName, Array]:
    """Return each peak over its limit at every entry [-], for one law; above 1 is too much."""
    return {name: np.sqrt(one) for name, one in _squares(grid, gain, shape, limits).items()}


def _squares(
    grid: LoopGrid, gain: float, shape: Shape, limits: LoopLimits
) -> dict[LimitName, Array]:
    """Return the squares of `peaks`."""
    law, value = grid.loop(shape)
    real, rest = gain * value.real, np.square(gain * value.imag)
    inverse = 1.0 / (np.square(1.0 + real) + rest)
    found: dict[LimitName, Array] = {"ms": inverse / limits.ms**2}
    if limits.mt is not None:
        found["mt"] = (real * real + rest) * inverse / limits.mt**2
    if limits.disk_margin is not None:
        half = 0.5 * limits.disk_margin
        found["disk_margin"] = (np.square(1.0 - real) + rest) * inverse * half**2
    if limits.noise_gain is not None:
        found["noise_gain"] = _noise_gains(grid, gain * law) * inverse / limits.noise_gain**2
    return found


def excesses(
    grid: LoopGrid, gain: float, shape: Shape, limits: LoopLimits
) -> dict[LimitName, Excess]:
    """Return how far every plant is from each limit: 1 is at it, above 1 beyond.

    Parameters
    ----------
    grid : LoopGrid
        The plants.
    gain : float
        Gain of the law [speed fraction per decade, or per Pa].
    shape : Shape
        Its times.
    limits : LoopLimits
        What is asked.

    Returns
    -------
    dict
        Per limit that is asked for.
    """
    found: dict[LimitName, Excess] = {}
    first = grid.start[:-1]
    for name, square in _squares(grid, gain, shape, limits).items():
        most = np.maximum.reduceat(square, first)
        at = (square == np.repeat(most, np.diff(grid.start))).nonzero()[0]
        omega = np.empty(grid.count)
        omega[grid.row[at[::-1]]] = grid.omega[at[::-1]]
        most = np.sqrt(most)
        if name == "noise_gain" and limits.noise_gain is not None:
            most = np.maximum(most, grid.lasting / limits.noise_gain)
        found[name] = Excess(most, omega)
    if is_asked(limits):
        value = grid.loop(shape)[1]
        found |= crossing_excess(grid, value, turns(grid, value), gain, limits)
    return found


def sharpened(
    grid: LoopGrid, gain: float, shape: Shape, limits: LoopLimits, least: float
) -> LoopGrid:
    """Return the grid with the frequencies at which a law comes near its limits.

    Parameters
    ----------
    grid : LoopGrid
        The plants.
    gain : float
        Gain of the law [speed fraction per decade, or per Pa].
    shape : Shape
        Its times.
    limits : LoopLimits
        What is asked.
    least : float
        Peaks and margins below this share of their limit are left alone.
    """
    before = -np.inf
    for _ in range(PASSES):
        grid = _once_sharpened(grid, gain, shape, limits, least)
        after = max(float(np.max(e.size)) for e in excesses(grid, gain, shape, limits).values())
        if after <= before + SHARP:
            break
        before = after
    return grid


def _once_sharpened(
    grid: LoopGrid, gain: float, shape: Shape, limits: LoopLimits, least: float
) -> LoopGrid:
    rows, where = [], []
    for size in peaks(grid, gain, shape, limits).values():
        at = _highest(grid, size, least)
        rows.append(grid.row[at])
        where.append(_vertices(grid, size, at))
    if is_asked(limits):
        found = excesses(grid, gain, shape, limits)
        for one in (found[name] for name in CROSSING_LIMITS if name in found):
            near = np.flatnonzero(one.size > least)
            rows.append(near)
            where.append(one.omega[near])
    return grid.with_points(np.concatenate(rows), np.concatenate(where))


def _highest(grid: LoopGrid, size: Array, least: float) -> Index:
    """Return entries that no neighbor of the same plant surpasses; of equal ones the first.

    A frequency that was added twice is equal to itself: taking both would double their number at
    every pass.
    """
    inner = grid.inner
    left = np.append(np.inf, np.where(inner, size[:-1], np.inf))
    right = np.append(np.where(inner, size[1:], np.inf), np.inf)
    return np.flatnonzero((size > left) & (size >= right) & (size > least))


def _vertices(grid: LoopGrid, size: Array, at: Index) -> Array:
    x = np.log(grid.omega)
    left, right = x[at - 1] - x[at], x[at + 1] - x[at]
    with np.errstate(divide="ignore", invalid="ignore"):
        low, high = (size[at - 1] - size[at]) / left, (size[at + 1] - size[at]) / right
        bend = (high - low) / (right - left)
        shift = 0.5 * (left - low / bend)
    shift = np.where(np.isfinite(shift), np.clip(shift, 0.9 * left, 0.9 * right), 0.5 * right)
    return np.exp(x[at] + shift)
