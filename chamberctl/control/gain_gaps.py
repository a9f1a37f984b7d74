"""Which gains a shape of the law may have: exact, one quadratic per plant, frequency and limit.

With L = k X every limit on a peak reads alpha k^2 + 2 beta k + gamma >= 0 at each frequency, gamma
above 0. Where that fails for some k, it fails on one interval or from one gain upward. What no
interval covers are the gaps of allowed gains. A loop can only become unstable or stable at
L = -1, inside an interval, so one count of encirclements decides for a whole gap.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from chamberctl.control.crossing_limits import Forbidden, forbidden_by_crossings, is_asked
from chamberctl.control.frequency import Array, Complex, Index
from chamberctl.control.loop_grid import LoopGrid, Shape
from chamberctl.control.pace import LimitName, LoopLimits

RESTING = 10.0
"""|L| at the lowest frequency below which a loop of two integrators is not seen to integrate."""


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
) -> Iterator[tuple[LimitName, Array, Array, float]]:
    """Yield each limit with its alpha, beta and gamma at every entry.

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
    size, real = value.real**2 + value.imag**2, value.real
    yield "ms", size, real, 1.0 - 1.0 / limits.ms**2
    if limits.mt is not None:
        yield "mt", size * (1.0 - 1.0 / limits.mt**2), real, 1.0
    if limits.disk_margin is not None:
        square = limits.disk_margin**2
        yield "disk_margin", size, real * ((4.0 + square) / (4.0 - square)), 1.0
    if limits.noise_gain is not None:
        law_size = (law.real**2 + law.imag**2) * grid.reading_scale[grid.row] ** 2
        yield "noise_gain", size - law_size / limits.noise_gain**2, real, 1.0


def forbidden(
    grid: LoopGrid, value: Complex, law: Complex, counts: Turns, limits: LoopLimits
) -> Intervals:
    """Return the gains that some limit forbids at some entry."""
    found = [
        Forbidden(name, *_roots(alpha, beta, gamma))
        for name, alpha, beta, gamma in quadratics(value, law, grid, limits)
    ]
    if is_asked(limits):
        found += forbidden_by_crossings(grid, value, counts, limits)
    low, high, entry = (
        np.concatenate([getattr(one, name) for one in found]) for name in ("low", "high", "entry")
    )
    limit = np.repeat(np.arange(len(found)), [one.low.size for one in found])
    order = np.argsort(low, kind="stable")
    names = tuple(one.limit for one in found)
    return Intervals(low[order], high[order], limit[order], entry[order], names)


def _roots(alpha: Array, beta: Array, gamma: float) -> tuple[Array, Array, Index]:
    """Return where alpha k^2 + 2 beta k + gamma is negative for positive k, and at which entry."""
    rest = beta * beta - alpha * gamma
    at = np.flatnonzero((rest > 0.0) & ((beta < 0.0) | (alpha < 0.0)))
    a, b = alpha[at], beta[at]
    # the smaller root in magnitude without cancellation; no second one where a <= 0
    root = np.sqrt(rest[at])
    with np.errstate(divide="ignore"):
        low = np.where(b > 0.0, (b + root) / -a, gamma / (root - b))
        high = np.where(a > 0.0, (root - b) / a, np.inf)
    return low, high, at


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
    if grid.loops.scan_time_s is not None:
        above[last] = above[last - 1]
    at = np.flatnonzero((above[1:] != above[:-1]) & grid.inner)
    a, b = value[at], value[at + 1]
    share = a.imag / (a.imag - b.imag)
    real = a.real + share * (b.real - a.real)
    on_axis = real < 0.0
    at, real, share = at[on_axis], real[on_axis], share[on_axis]
    row, gain = grid.row[at], -1.0 / real
    omega = grid.omega[at] + share * (grid.omega[at + 1] - grid.omega[at])
    change = np.where(above[at + 1], 2, -2)
    if grid.loops.scan_time_s is not None:
        end = np.flatnonzero(value[last].real < 0.0)
        row = np.concatenate([row, end])
        gain = np.concatenate([gain, -1.0 / value[last[end]].real])
        change = np.concatenate([change, np.where(above[last[end]], -1, 1)])
        omega = np.concatenate([omega, grid.omega[last[end]]])
        at = np.concatenate([at, last[end]])
    arc = np.where(above[first], np.where(grid.loops.integrators >= 2, 2, 1), 0)
    return Turns(grid.loops.unstable_poles + arc, row, gain, change, omega, at)


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

    The gaps of all shapes are gone through from above together.
    """
    value = grid.plant * law
    counts = turns(grid, value)
    ban = forbidden(grid, value, law, counts, limits)
    plants = grid.count // shapes
    shape = grid.row[ban.entry] // plants
    lower, upper, bound, end = _gaps(ban, shape, _least_gains(grid, value, shapes), most)
    left = np.diff(end, prepend=0)
    gains, bounds = np.zeros(shapes), np.full(shapes, -1)
    while np.any(left > 0):
        of = np.flatnonzero(left > 0)
        at = end[of] - 1
        low, high = lower[at], upper[at]
        inside = np.zeros(shapes)
        inside[of] = np.where(low > 0.0, np.sqrt(low * high), 0.5 * high)
        unstable = counts.unstable(np.repeat(inside, plants)).reshape(shapes, plants)
        good = np.all(unstable[of] == 0, axis=1)
        gains[of[good]], bounds[of[good]] = high[good], bound[at[good]]
        end = end.copy()
        end[of] -= 1
        left[of] -= 1
        left[of[good]] = 0
    told = [Bound(ban.names[ban.limit[i]], int(ban.entry[i])) if i >= 0 else None for i in bounds]
    return gains.tolist(), told


def _gaps(
    ban: Intervals, shape: Index, least: Array, most: float
) -> tuple[Array, Array, Index, Index]:
    """Return the gaps of each shape in turn, ascending, from the intervals of all of them.

    Lower and upper end, the interval that ends each, -1 for none, and where those of each shape
    end in these lists.
    """
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
    of, at = np.nonzero((following > reached) & (reached < most))
    end = np.searchsorted(of, np.arange(shapes), side="right")
    return reached[of, at], np.minimum(following[of, at], most), index[of, at], end


def _least_gains(grid: LoopGrid, value: Complex, shapes: int) -> Array:
    """Return the gain from which the lowest frequency shows every double integrator, per shape."""
    double = grid.loops.integrators >= 2
    if not np.any(double):
        return np.zeros(shapes)
    lowest = np.where(double, RESTING / np.abs(value[grid.start[:-1]]), 0.0)
    return lowest.reshape(shapes, -1).max(axis=1)
