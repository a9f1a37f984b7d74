"""What swings in a record: turning points, and oscillations that do not die out."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

LEAST_AMPLITUDE = 1e-4
"""Smallest amplitude that counts as a limit cycle [fraction of setpoint] (assumed, because no hold
band is as narrow)."""

LEAST_CROSSINGS, MANY_CROSSINGS = 5, 8
"""Crossings of the middle that must be seen, two periods; and from how many on, three and a half, a
less regular swing counts as well (assumed: what noise does not do by chance)."""

NOT_DECAYING = 0.8
"""Last swings over first swings from which an oscillation counts as sustained (assumed: with a
damping of 1 % of critical an oscillation falls to it in four periods)."""

GROWING = 1.25
"""Last swings over first swings from which an oscillation counts as growing (assumed)."""

_HYSTERESIS = 0.3
_IRREGULAR = (0.05, 0.25)
_EXPLAINED = (0.9, 0.6)
_HARMONICS = 3


@dataclass(frozen=True)
class LimitCycle:
    """An oscillation that does not die out.

    Parameters
    ----------
    period_s : float
        Mean time from one rise through the middle to the next [s].
    amplitude : float
        Half of the mean distance from trough to crest, in the unit of the record [-].
    grows : bool
        Whether the last swings are larger than the first by a quarter and more.
    """

    period_s: float
    amplitude: float
    grows: bool


def turning_points(values: Array, least: float) -> int:
    """Count how often a record turns back by more than some distance.

    Parameters
    ----------
    values : array
        The record.
    least : float
        Distance that a movement must exceed before it counts, in the unit of `values`.

    Returns
    -------
    int
        Number of reversals [-].
    """
    moves = np.diff(values)
    moves = moves[moves != 0.0]
    if moves.size == 0:
        return 0
    last = np.flatnonzero(np.sign(moves[1:]) != np.sign(moves[:-1]))
    levels = [float(values[0])]
    levels += [float(values[0] + total) for total in np.cumsum(moves)[last]]
    levels.append(float(values[-1]))
    turns, direction, extreme = 0, 0, levels[0]
    low = high = levels[0]
    for level in levels[1:]:
        if direction == 0:
            low, high = min(low, level), max(high, level)
            if high - low > least:
                direction, extreme = (1 if level == high else -1), level
        elif (level - extreme) * direction >= 0.0:
            extreme = level
        elif abs(level - extreme) > least:
            turns, direction, extreme = turns + 1, -direction, level
    return turns


def limit_cycle(
    time_s: Array, values: Array, least_amplitude: float = LEAST_AMPLITUDE
) -> LimitCycle | None:
    """Find an oscillation that does not die out.

    Parameters
    ----------
    time_s : array
        Times, equally spaced [s].
    values : array
        The record, such as the relative deviation from the setpoint [-].
    least_amplitude : float
        Smallest amplitude that counts, in the unit of `values` [-].

    Returns
    -------
    LimitCycle or None
        None where nothing swings, where it dies out or stops, and where it swings without a period
        as noise does.

    Notes
    -----
    Swings are counted around the mean with a hysteresis of 0.3 times the half range. A limit cycle
    crosses the mean five times and more, goes on to the end, and its last two swings are at least
    0.8 times the first two. Its periods, from each crossing to the next but one, differ by less
    than 5 % (standard deviation over mean), and a harmonic series up to the third explains 0.9 of
    the variance; from eight crossings on, 25 % and 0.6 are enough.
    """
    middle = values - float(np.mean(values)) if values.size else values
    if values.size < LEAST_CROSSINGS or 0.5 * float(np.ptp(middle)) < least_amplitude:
        return None
    level = _HYSTERESIS * 0.5 * float(np.ptp(middle))
    beyond = np.flatnonzero(np.abs(middle) > level)
    flips = np.flatnonzero(np.diff(np.sign(middle[beyond])) != 0.0)
    if flips.size < LEAST_CROSSINGS:
        return None
    edges = [(beyond[k], beyond[k + 1]) for k in flips]
    crossings = np.array([_crossing(time_s, middle, first, last) for first, last in edges])
    swings = [slice(edges[k][1], edges[k + 1][0] + 1) for k in range(len(edges) - 1)]
    sizes = np.array([float(np.max(np.abs(middle[swing]))) for swing in swings])
    periods = crossings[2:] - crossings[:-2]
    period = float(np.mean(periods))
    many = int(crossings.size >= MANY_CROSSINGS)
    goes_on = float(time_s[-1]) - crossings[-1] < period
    regular = float(np.std(periods)) < _IRREGULAR[many] * period
    ratio = float(sizes[-2:].mean() / sizes[:2].mean())
    if not (goes_on and regular and ratio >= NOT_DECAYING):
        return None
    if _explained(time_s, middle, period) < _EXPLAINED[many]:
        return None
    crests, troughs = sizes[0::2].mean(), sizes[1::2].mean()
    return LimitCycle(period, 0.5 * float(crests + troughs), ratio >= GROWING)


def _crossing(time_s: Array, values: Array, first: int, last: int) -> float:
    """Time of the last change of sign between two samples on either side of zero."""
    signs = np.sign(values[first : last + 1])
    k = first + int(np.flatnonzero(signs != signs[-1])[-1])
    before, after = values[k], values[k + 1]
    return float(time_s[k] + (time_s[k + 1] - time_s[k]) * before / (before - after))


def _explained(time_s: Array, values: Array, period_s: float) -> float:
    """Share of the variance that a harmonic series of this period explains."""
    angles = 2.0 * np.pi / period_s * np.outer(time_s, np.arange(1, _HARMONICS + 1))
    basis = np.hstack([np.sin(angles), np.cos(angles), np.ones((time_s.size, 1))])
    found = np.linalg.lstsq(basis, values, rcond=None)[0]
    left = values - basis @ found
    return 1.0 - float(np.var(left) / np.var(values))
