"""Which gains a shape of the law may have: exact, one quadratic per plant, frequency and limit.

With L = k X every limit on a peak reads alpha k^2 + 2 beta k + gamma >= 0 at each frequency, gamma
above 0. Where that fails for some k, it fails on one interval or from one gain upward. What no
interval covers are the gaps of allowed gains. Gains at which a loop is unstable, by the number of
its encirclements of -1, are forbidden likewise.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from chamberctl.control.crossing_limits import forbidden_by_crossings, is_asked
from chamberctl.control.frequency import Array, Complex, Index
from chamberctl.control.loop_grid import LoopGrid, Shape
from chamberctl.control.pace import LimitName, LoopLimits

RESTING = 10.0
"""|L| at the lowest frequency below which a loop of two integrators is not seen to integrate."""


_ZERO = np.zeros(1, dtype=np.int64)

CONE = 1.0 - 1e-12
"""What rounding may take from the cone in which a limit can forbid gains."""

ENTRIES_AT_ONCE = 60_000
"""Plants times frequencies times shapes that are looked at together."""


@dataclass(frozen=True)
class Bound:
    """What ends a gap of allowed gains.

    Parameters
    ----------
    limit : str
        The limit, as a field of LoopLimits.
    entry : int
        Entry of the grid's lists: plant and frequency.
    """

    limit: LimitName
    entry: int


@dataclass(frozen=True)
class Intervals:
    """Forbidden gains, low[i] to high[i], sorted by `low`; `limit` numbers the limit in `names`."""

    low: Array
    high: Array
    limit: Index
    entry: Index
    names: tuple[LimitName, ...]


def quadratics(
    value: Complex, law: Complex, grid: LoopGrid, limits: LoopLimits
) -> tuple[tuple[LimitName, ...], Array, Array, Array, Index]:
    """Return the limits on peaks with their alpha (L, E), beta (L, E), gamma (L, 1) and entries.

    Only entries at which some limit can forbid a gain are among the E.

    Parameters
    ----------
    value : array of complex
        X, the loop with gain 1.
    law : array of complex
        The law with gain 1.
    grid : LoopGrid
        The plants, for their readings.
    limits : LoopLimits
        What is asked.

    Notes
    -----
    |S| <= Ms: |1 + kX|^2 >= 1/Ms^2. |T| <= Mt: |kX|^2 <= Mt^2 |1 + kX|^2. |S - 1/2| <= 1/d:
    |1 - kX|^2 <= (2/d)^2 |1 + kX|^2. |K S| <= N: |kQr|^2 <= N^2 |1 + kX|^2.
    """
    factors: dict[LimitName, tuple[float, float, float]] = {
        "ms": (1.0, 1.0, 1.0 - 1.0 / limits.ms**2)
    }
    if limits.mt is not None:
        factors["mt"] = 1.0 - 1.0 / limits.mt**2, 1.0, 1.0
    if limits.disk_margin is not None:
        disk = limits.disk_margin**2
        factors["disk_margin"] = 1.0, (4.0 + disk) / (4.0 - disk), 1.0
    if limits.noise_gain is not None:
        factors["noise_gain"] = 1.0, 1.0, 1.0
    a, b, gamma = np.array(list(factors.values())).T[:, :, None]
    real = value.real
    square = real * real
    size = square + value.imag**2
    if limits.noise_gain is None and (a >= 0.0).all():
        # a cone around the negative real axis, whatever the gain
        cone = float(np.min(a * gamma / (b * b))) * CONE
        entry = ((real < 0.0) & (square > cone * size)).nonzero()[0]
        real, size = real[entry], size[entry]
        return tuple(factors), a * size, b * real, gamma, entry
    alpha = a * size
    if limits.noise_gain is not None:
        law_size = (law.real**2 + law.imag**2) * grid.reading_scale[grid.row] ** 2
        alpha[-1] -= law_size / limits.noise_gain**2
    return tuple(factors), alpha, b * real, gamma, np.arange(real.size)


def forbidden(
    grid: LoopGrid, value: Complex, law: Complex, counts: Turns, limits: LoopLimits
) -> Intervals:
    """Return the gains that some limit forbids at some entry, and those that are unstable.

    Where a loop is unstable |S| has no bound: that counts as Ms.
    """
    names, alpha, beta, gamma, places = quadratics(value, law, grid, limits)
    low, high, at, limit = _roots(alpha, beta, gamma)
    unstable = counts.unstable_gains(grid.start)
    peaks = low, high, places[at]
    low, high, entry = (np.concatenate(pair) for pair in zip(peaks, unstable, strict=True))
    limit = np.concatenate([limit, np.zeros(unstable[0].size, dtype=int)])
    if is_asked(limits):
        found = list(forbidden_by_crossings(grid, value, counts, limits))
        low, high, entry = (
            np.concatenate([mine, *(getattr(one, name) for one in found)])
            for name, mine in (("low", low), ("high", high), ("entry", entry))
        )
        more = np.repeat(len(names) + np.arange(len(found)), [one.low.size for one in found])
        limit = np.concatenate([limit, more])
        names += tuple(one.limit for one in found)
    order = low.argsort(kind="stable")
    return Intervals(low[order], high[order], limit[order], entry[order], names)


def _roots(alpha: Array, beta: Array, gamma: Array) -> tuple[Array, Array, Index, Index]:
    """Return where alpha k^2 + 2 beta k + gamma is negative for k > 0, at which entry, of which."""
    rest = beta * beta
    rest -= alpha * gamma
    limit, entry = ((rest > 0.0) & ((beta < 0.0) | (alpha < 0.0))).nonzero()
    a, b, c = alpha[limit, entry], beta[limit, entry], gamma[limit, 0]
    # the smaller root in magnitude without cancellation; no second one where a <= 0
    root = np.sqrt(rest[limit, entry])
    if (b < 0.0).all() and (a > 0.0).all():
        high = root - b
        return c / high, high / a, entry, limit
    with np.errstate(divide="ignore"):
        low = np.where(b > 0.0, (b + root) / -a, c / (root - b))
        high = np.where(a > 0.0, (root - b) / a, np.inf)
    return low, high, entry, limit


@dataclass(frozen=True)
class Turns:
    """How the number of unstable closed-loop poles of each plant goes with the gain.

    `start` for the smallest gains; it changes by `change` at `gain` of plant `row`, where L crosses
    the negative real axis at `omega` [rad/s], behind `entry` of the grid.
    """

    start: NDArray[np.int64]
    row: Index
    gain: Array
    change: NDArray[np.int64]
    omega: Array
    entry: Index

    def unstable(self, gain: float | Array) -> NDArray[np.int64]:
        """Return the number of unstable closed-loop poles of each plant at a gain, or at its own.

        Parameters
        ----------
        gain : float or array, shape (N,)
            Of all plants, or of each [speed fraction per decade, or per Pa].
        """
        passed = self.gain < (gain[self.row] if isinstance(gain, np.ndarray) else gain)
        turned = np.bincount(self.row[passed], self.change[passed], self.start.size)
        return self.start + turned.astype(np.int64)

    def unstable_gains(self, first: Index) -> tuple[Array, Array, Index]:
        """Return from which to which gain plants are unstable, and behind which entry that begins.

        Parameters
        ----------
        first : array of int
            First entry of each plant.
        """
        order = np.lexsort((self.gain, self.row))
        row, gain, entry = self.row[order], self.gain[order], self.entry[order]
        turned = self.change[order].cumsum()
        # without the turns of the plants before
        number = np.bincount(row, minlength=self.start.size)
        before = np.concatenate([_ZERO, turned])[number.cumsum() - number]
        unstable = (turned + (self.start - before)[row]).nonzero()[0]
        until = np.full(gain.size, np.inf)
        inner = (row[1:] == row[:-1]).nonzero()[0]
        until[inner] = gain[inner + 1]
        low, high, entry = gain[unstable], until[unstable], entry[unstable]
        if self.start.any():
            at_once = self.start.nonzero()[0]
            lowest = np.concatenate([gain, [np.inf]])[np.searchsorted(row, at_once)]
            lowest[number[at_once] == 0] = np.inf
            low = np.concatenate([low, np.zeros(at_once.size)])
            high = np.concatenate([high, lowest])
            entry = np.concatenate([entry, first[at_once]])
        return low, high, entry


def turns(grid: LoopGrid, value: Complex) -> Turns:
    """Count turns around -1 by the crossings of L with the negative real axis.

    Notes
    -----
    A crossing from below to above is clockwise: it and its mirror image add two unstable poles.
    L at z = -1 is real and its own mirror image. Two or more integrators turn L through the axis
    on the large arc already where it comes out of it from above.
    """
    first, last = grid.start[:-1], grid.start[1:] - 1
    above = value.imag > 0.0
    sampled = grid.loops.scan_time_s is not None
    if sampled:
        above[last] = above[last - 1]
    at = ((above[1:] != above[:-1]) & grid.inner).nonzero()[0]
    a, b = value[at], value[at + 1]
    share = a.imag / (a.imag - b.imag)
    real = a.real + share * (b.real - a.real)
    on_axis = (real < 0.0).nonzero()[0]
    at, real, share = at[on_axis], real[on_axis], share[on_axis]
    row, gain = grid.row[at], -1.0 / real
    low = grid.omega[at]
    omega = low + share * (grid.omega[at + 1] - low)
    change = np.where(above[at + 1], 2, -2)
    end = (value.real[last] < 0.0).nonzero()[0] if sampled else last[:0]
    if end.size:
        row = np.concatenate([row, end])
        end = last[end]
        gain = np.concatenate([gain, -1.0 / value.real[end]])
        change = np.concatenate([change, np.where(above[end], -1, 1)])
        omega = np.concatenate([omega, grid.omega[end]])
        at = np.concatenate([at, end])
    start = grid.loops.unstable_poles + above[first] * np.where(grid.loops.integrators >= 2, 2, 1)
    return Turns(start, row, gain, change, omega, at)


def largest_gain(grid: LoopGrid, shape: Shape, limits: LoopLimits) -> tuple[float, Bound | None]:
    """Return the largest gain with which every plant is stable and keeps the limits.

    Parameters
    ----------
    grid : LoopGrid
        The plants.
    shape : Shape
        The law but for its gain.
    limits : LoopLimits
        What is asked.

    Returns
    -------
    tuple of (float, Bound or None)
        Gain and what bounds it; 0 and None where no gain will do.
    """
    (gain,), (bound,) = _largest(grid, grid.law(shape), limits, 1, grid.largest_gain)
    return gain, bound


def largest_gains(grid: LoopGrid, shapes: Sequence[Shape], limits: LoopLimits) -> Array:
    """Return the largest gain of each of many shapes, as `largest_gain` finds it for one.

    Parameters
    ----------
    grid : LoopGrid
        The plants.
    shapes : sequence of Shape
        C laws but for their gains.
    limits : LoopLimits
        What is asked.

    Returns
    -------
    array, shape (C,)
        0 where no gain will do.
    """
    most = max(1, ENTRIES_AT_ONCE // grid.row.size)
    found = []
    for first in range(0, len(shapes), most):
        some = shapes[first : first + most]
        many = grid.repeated(len(some))
        found += _largest(many, many.laws(some), limits, len(some), grid.largest_gain)[0]
    return np.array(found)


def _largest(
    grid: LoopGrid, law: Complex, limits: LoopLimits, shapes: int, most: float
) -> tuple[list[float], list[Bound | None]]:
    """Return the largest gain of each shape, for a grid with all plants for each of them in turn.

    It is the upper end of the highest gap between what is forbidden.
    """
    value = grid.plant * law
    ban = forbidden(grid, value, law, turns(grid, value), limits)
    shape = grid.row[ban.entry] // (grid.count // shapes) if shapes > 1 else None
    of, gain, bound = _gaps(ban, shape, _least_gains(grid, value, shapes), most)
    gains, bounds = np.zeros(shapes), np.full(shapes, -1)
    # the last of each shape, which is the highest, stays
    gains[of], bounds[of] = gain, bound
    told = [
        Bound(ban.names[ban.limit[i]], int(ban.entry[i])) if i >= 0 else None
        for i in bounds.tolist()
    ]
    return gains.tolist(), told


def _gaps(
    ban: Intervals, shape: Index | None, least: Array, most: float
) -> tuple[Index, Array, Index]:
    """Return shape, upper end and the interval that ends it, -1 for none, of each gap.

    Ascending for each shape in turn; `shape` of the intervals is None where there is only one.
    """
    if shape is None:
        reached = np.maximum.accumulate(np.concatenate([least, ban.high]))
        following = np.concatenate([ban.low, [most]])
        at = ((following > reached) & (reached < most)).nonzero()[0][-1:]
        # what ends the last gap of all is no interval
        index = np.where(at < ban.low.size, at, -1)
        return np.zeros(at.size, dtype=int), np.minimum(following[at], most), index
    shapes = least.size
    size = np.bincount(shape, minlength=shapes)
    # one row per shape: its intervals by their lower end, then what ends its last gap
    order = np.argsort(shape, kind="stable")
    row = shape[order]
    place = np.arange(row.size) - (np.cumsum(size) - size)[row]
    width = int(size.max(initial=0)) + 1
    following = np.full((shapes, width), -np.inf)
    reached = np.zeros((shapes, width))
    index = np.full((shapes, width), -1)
    following[row, place] = ban.low[order]
    following[np.arange(shapes), size] = most
    index[row, place] = order
    reached[:, 0] = least
    reached[row, place + 1] = ban.high[order]
    np.maximum.accumulate(reached, axis=1, out=reached)
    of, at = ((following > reached) & (reached < most)).nonzero()
    return of, np.minimum(following[of, at], most), index[of, at]


def _least_gains(grid: LoopGrid, value: Complex, shapes: int) -> Array:
    """Return the gain from which the lowest frequency shows every double integrator, per shape."""
    double = grid.loops.integrators >= 2
    if not np.any(double):
        return np.zeros(shapes)
    lowest = np.where(double, RESTING / np.abs(value[grid.start[:-1]]), 0.0)
    return lowest.reshape(shapes, -1).max(axis=1)
