"""Limits on gain, phase and delay margin: which gains they forbid, and how far a law is from them.

Other than the peaks they are decided where L crosses the unit circle or the negative real axis.
Between two frequencies ln|X| and the angle of X are taken to be straight lines; frequencies of
crossings that matter join the grid, so that what is left of the lines' error is nothing.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from chamberctl.control.frequency import Array, Complex, Index
from chamberctl.control.pace import CROSSING_LIMITS, LimitName, LoopLimits

if TYPE_CHECKING:
    from chamberctl.control.gain_gaps import Turns
    from chamberctl.control.loop_grid import LoopGrid

OVERLAP = 1e-9
"""Forbidden gains of neighboring intervals meet; rounding must not leave a gap [relative]."""


class Pieces(NamedTuple):
    """Straight pieces of X between frequencies of one plant: entry and the next one.

    `size` is ln|X|, `angle` that from -1 to X, positive where X must turn clockwise to reach it,
    [rad] at both ends, without a jump between them.
    """

    entry: Index
    size: tuple[Array, Array]
    angle: tuple[Array, Array]
    omega: tuple[Array, Array]


class Forbidden(NamedTuple):
    """Gains that a limit forbids: low to high, decided at an entry of the grid."""

    limit: LimitName
    low: Array
    high: Array
    entry: Index


class Excess(NamedTuple):
    """A margin's limit over the margin, per plant, 0 where it is unlimited, and where [rad/s]."""

    size: Array
    omega: Array


def is_asked(limits: LoopLimits) -> bool:
    """Say whether any of these limits is asked for."""
    return any(getattr(limits, name) is not None for name in CROSSING_LIMITS)


def pieces(grid: LoopGrid, value: Complex) -> Pieces:
    """Return the straight pieces of X on a grid."""
    entry = np.flatnonzero(grid.row[1:] == grid.row[:-1])
    with np.errstate(divide="ignore"):
        size = np.log(np.abs(value))
    start = np.angle(-value[entry])
    turned = start + np.angle(value[entry + 1] * value[entry].conj())
    return Pieces(
        entry,
        (size[entry], size[entry + 1]),
        (start, turned),
        (grid.omega[entry], grid.omega[entry + 1]),
    )


def forbidden_by_crossings(
    grid: LoopGrid, value: Complex, counts: Turns, limits: LoopLimits
) -> Iterator[Forbidden]:
    """Yield the gains that limits on margins forbid.

    Parameters
    ----------
    grid : LoopGrid
        The plants.
    value : array of complex
        X, the loop with gain 1.
    counts : Turns
        Its crossings of the negative real axis.
    limits : LoopLimits
        What is asked.
    """
    if limits.gain_margin is not None:
        low = counts.gain / limits.gain_margin
        yield Forbidden("gain_margin", low, counts.gain * (1.0 + OVERLAP), counts.entry)
    if limits.phase_margin_deg is None and limits.delay_margin_s is None:
        return
    lines = pieces(grid, value)
    if limits.phase_margin_deg is not None:
        least = np.radians(limits.phase_margin_deg)
        first, second = lines.angle
        share = _both(
            _positive(least - first, least - second), _positive(least + first, least + second)
        )
        yield _gains("phase_margin_deg", lines, *share)
    if limits.delay_margin_s is not None:
        for turn in (0.0, 2.0 * np.pi):
            first, second = (angle + turn for angle in lines.angle)
            room = [
                w * limits.delay_margin_s - a
                for w, a in zip(lines.omega, (first, second), strict=True)
            ]
            share = _both(_positive(first, second), _positive(*room))
            yield _gains("delay_margin_s", lines, *share)


def _positive(first: Array, second: Array) -> tuple[Array, Array]:
    """Return from which to which share of each piece a line is positive; low > high: nowhere."""
    with np.errstate(divide="ignore", invalid="ignore"):
        zero = first / (first - second)
    low = np.where(first > 0.0, 0.0, np.where(second > 0.0, zero, 2.0))
    high = np.where(second > 0.0, 1.0, np.where(first > 0.0, zero, -1.0))
    return low, high


def _both(one: tuple[Array, Array], other: tuple[Array, Array]) -> tuple[Array, Array]:
    return np.maximum(one[0], other[0]), np.minimum(one[1], other[1])


def _gains(limit: LimitName, lines: Pieces, low: Array, high: Array) -> Forbidden:
    """Return the gains with |k X| = 1 on shares low to high of the pieces."""
    at = np.flatnonzero(low <= high)
    first, second = (size[at] for size in lines.size)
    ends = [np.exp(-(first + share[at] * (second - first))) for share in (low, high)]
    return Forbidden(
        limit,
        np.minimum(*ends) * (1.0 - OVERLAP),
        np.maximum(*ends) * (1.0 + OVERLAP),
        lines.entry[at],
    )


def crossing_excess(
    grid: LoopGrid, value: Complex, counts: Turns, gain: float, limits: LoopLimits
) -> dict[LimitName, Excess]:
    """Return each limit over the margin that a gain leaves.

    Parameters
    ----------
    grid : LoopGrid
        The plants.
    value : array of complex
        X, the loop with gain 1.
    counts : Turns
        Its crossings of the negative real axis.
    gain : float
        The gain [speed fraction per decade, or per Pa].
    limits : LoopLimits
        What is asked.
    """
    found: dict[LimitName, Excess] = {}
    if limits.gain_margin is not None:
        above = counts.gain > gain
        share = limits.gain_margin * gain / counts.gain[above]
        found["gain_margin"] = _worst(grid.count, share, counts.row[above], counts.omega[above])
    if limits.phase_margin_deg is None and limits.delay_margin_s is None:
        return found
    row, omega, angle = unit_crossings(grid, value, gain)
    with np.errstate(divide="ignore"):
        if limits.phase_margin_deg is not None:
            share = np.radians(limits.phase_margin_deg) / np.abs(angle)
            found["phase_margin_deg"] = _worst(grid.count, share, row, omega)
        if limits.delay_margin_s is not None:
            share = limits.delay_margin_s * omega / np.mod(angle, 2.0 * np.pi)
            found["delay_margin_s"] = _worst(grid.count, share, row, omega)
    return found


def unit_crossings(grid: LoopGrid, value: Complex, gain: float) -> tuple[Index, Array, Array]:
    """Return plant, frequency [rad/s] and angle to -1 [rad] where |k X| is 1."""
    lines = pieces(grid, value)
    first, second = (size + np.log(gain) for size in lines.size)
    at = np.flatnonzero((first > 0.0) != (second > 0.0))
    share = first[at] / (first[at] - second[at])
    omega, angle = (
        ends[0][at] + share * (ends[1][at] - ends[0][at]) for ends in (lines.omega, lines.angle)
    )
    return grid.row[lines.entry[at]], omega, angle


def _worst(count: int, size: Array, row: Index, omega: Array) -> Excess:
    worst, where = np.zeros(count), np.full(count, np.nan)
    np.maximum.at(worst, row, size)
    most = size == worst[row]
    where[row[most]] = omega[most]
    return Excess(worst, where)
