"""Vectorised search along a sweep: where a function crosses zero, where it peaks."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

from chamberctl.control.frequency import Array, Complex, Index
from chamberctl.control.sweep import Sweep

#: Any real function of L.
OfLoop = Callable[[Complex], Array]
#: Halvings of a peak's bracket before the parabola.
HALVINGS = 12


def roots(line: Sweep, of_loop: OfLoop, at: Index) -> Array:
    """Return the frequency in each interval at[i] ... at[i] + 1 where of_loop(L) crosses zero.

    Chandrupatla's method on ln w: bisection with inverse quadratic steps where they are safe.
    """
    row = line.row[at]
    lower, upper = np.log(line.omega[at]), np.log(line.omega[at + 1])
    f_lower, f_upper = of_loop(line.value[at]), of_loop(line.value[at + 1])
    third, f_third = lower.copy(), f_lower.copy()
    share = np.full(at.size, 0.5)
    for _ in range(80):
        x = lower + share * (upper - lower)
        fx = of_loop(line.stack.response(np.exp(x), row))
        same = np.sign(fx) == np.sign(f_lower)
        third = np.where(same, lower, upper)
        f_third = np.where(same, f_lower, f_upper)
        upper = np.where(same, upper, lower)
        f_upper = np.where(same, f_upper, f_lower)
        lower, f_lower = x, fx
        best = np.where(np.abs(f_lower) < np.abs(f_upper), lower, upper)
        width = np.abs(upper - lower)
        tolerance = 4e-16 * np.maximum(1.0, np.abs(best))
        if np.all((width <= 2.0 * tolerance) | (fx == 0.0)):
            break
        with np.errstate(divide="ignore", invalid="ignore"):
            xi = (lower - upper) / (third - upper)
            phi = (f_lower - f_upper) / (f_third - f_upper)
            safe = (phi**2 < xi) & ((1.0 - phi) ** 2 < 1.0 - xi)
            quadratic = f_lower / (f_upper - f_lower) * f_third / (f_upper - f_third) + (
                third - lower
            ) / (upper - lower) * f_lower / (f_third - f_lower) * f_upper / (f_third - f_upper)
            floor = np.minimum(0.5, tolerance / width)
        share = np.where(safe & np.isfinite(quadratic), quadratic, 0.5)
        share = np.clip(share, floor, 1.0 - floor)
    return np.exp(best)


def crossings(line: Sweep, level: Array) -> Index:
    """Return the intervals, within one loop, in which `level` changes sign."""
    change = (level[1:] > 0.0) != (level[:-1] > 0.0)
    return np.flatnonzero(line.inner & change)


def peaks(
    line: Sweep, cases: Sequence[tuple[OfLoop, NDArray[np.bool_] | None]]
) -> list[tuple[Index, Array, Array]]:
    """Return loop, frequency and value of the local maxima of functions of L, per function.

    A maximum is first found on the points of the sweep: of those that come with its function, or,
    without them, those within a tenth of the loop's largest value. The last point of a sampled loop
    (z = -1) is one, because L continues there as in a mirror.
    """
    found = [_highest(line, of_loop(line.value), candidates) for of_loop, candidates in cases]
    ends = np.cumsum([at.size for at, _ in found])[:-1]
    at = np.concatenate([at for at, _ in found])
    row = line.row[at]

    def of_loops(value: Complex) -> Array:
        parts = np.split(value, ends)
        return np.concatenate(
            [of_loop(part) for (of_loop, _), part in zip(cases, parts, strict=True)]
        )

    first, last = line.start[row], line.start[row + 1] - 1
    middle = line.omega[at]
    low = np.where(at > first, line.omega[np.maximum(at - 1, 0)], middle)
    high = line.omega[np.minimum(at + 1, line.omega.size - 1)]
    mirror = 2.0 * middle - low if line.stack.scan_time_s is not None else middle
    high = np.where(at < last, high, mirror)
    best = np.concatenate([height for _, height in found])
    every = (row, *_climb(line, of_loops, row, low, middle, high, best))
    return list(zip(*(np.split(one, ends) for one in every), strict=True))


def _highest(
    line: Sweep, height: Array, candidates: NDArray[np.bool_] | None
) -> tuple[Index, Array]:
    """Return the points that no neighbor surpasses, and their heights."""
    inner = line.inner
    left = np.append(-np.inf, np.where(inner, height[:-1], -np.inf))
    right = np.append(np.where(inner, height[1:], -np.inf), -np.inf)
    top = (height >= left) & (height >= right)
    if candidates is None:
        most = np.maximum.reduceat(height, line.start[:-1])
        candidates = height >= 0.9 * most[line.row]
    at = np.flatnonzero(top & candidates)
    return at, height[at]


def _climb(
    line: Sweep, of_loop: OfLoop, row: Index, low: Array, middle: Array, high: Array, best: Array
) -> tuple[Array, Array]:
    """Halve the bracket around each maximum, then take the vertex of a parabola."""
    if row.size == 0:
        return middle, best

    def heights(*w: Array) -> list[Array]:
        value = line.stack.response(np.concatenate(w), np.tile(row, len(w)))
        return [of_loop(part) for part in np.split(value, len(w))]

    f_low, f_high = heights(low, high)
    for _ in range(HALVINGS):
        a, b = 0.5 * (low + middle), 0.5 * (middle + high)
        fa, fb = heights(a, b)
        to_a, to_b = (fa > best) & (fa >= fb), (fb > best) & (fb > fa)
        low, f_low, high, f_high, middle, best = (
            np.where(to_a, low, np.where(to_b, middle, a)),
            np.where(to_a, f_low, np.where(to_b, best, fa)),
            np.where(to_a, middle, np.where(to_b, high, b)),
            np.where(to_a, best, np.where(to_b, f_high, fb)),
            np.where(to_a, a, np.where(to_b, b, middle)),
            np.where(to_a, fa, np.where(to_b, fb, best)),
        )
    with np.errstate(divide="ignore", invalid="ignore"):
        rise, fall = (best - f_low) / (middle - low), (f_high - best) / (high - middle)
        vertex = 0.5 * (low + middle) - 0.5 * rise * (high - low) / (fall - rise)
    vertex = np.where((vertex > low) & (vertex < high), vertex, middle)
    (value,) = heights(vertex)
    return np.where(value > best, vertex, middle), np.maximum(value, best)
