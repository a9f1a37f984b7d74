"""Back substitution: the response of many plants in triangular form, at many points together.

Plants without oscillating poles have real triangular forms; then real and imaginary parts are kept
apart, and real factors cost half as much as complex ones.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]
Index = NDArray[np.intp]
Pick = Callable[[int], NDArray]

FEW = 1000
"""Points up to which all entries of the plants are picked at once, for fewer calls."""


class Triangular(NamedTuple):
    """N plants G = out (pole - factor)^-1 (first + late second) by their entries.

    `entries` is (K, N), complex or real; the others are rows of it: the factor's diagonal, what
    stands above it, by row and column, and the vectors by states. `second` is empty where no plant
    has any.
    """

    entries: NDArray
    diagonal: list[int]
    above: dict[tuple[int, int], int]
    first: list[int]
    second: list[int]
    out: list[int]

    def picked(self, rows: Index | slice) -> Pick:
        """Return the function that gives an entry of some plants, in a column for a slice."""
        entries = self.entries
        if isinstance(rows, slice):
            return entries[:, rows, None].__getitem__
        if rows.size <= FEW:
            return entries.take(rows, axis=1).__getitem__
        return lambda k: entries[k].take(rows)


def triangular(factor: Complex, first: Complex, second: Complex, out: Complex) -> Triangular:
    """Return triangular plants by their entries, in real numbers where there are no others.

    Parameters
    ----------
    factor : array of complex, shape (N, n, n)
        Upper triangular.
    first, second, out : array of complex, shape (N, n)
        As in `Triangular`.
    """
    order = factor.shape[1]
    corners = [(i, j) for i in range(order) for j in range(i + 1, order)]
    upper = np.array(corners, dtype=int).reshape(-1, 2).T
    parts = [np.einsum("nii->ni", factor), factor[:, upper[0], upper[1]], first, out]
    if second.any():
        parts.append(second)
    entries = np.concatenate(parts, axis=1).T
    if not entries.imag.any():
        entries = entries.real
    ends = np.cumsum([0] + [part.shape[1] for part in parts] + [0])
    diagonal, above, firsts, outs, seconds = (
        list(range(start, end))
        for start, end in zip(ends[:5], [*ends[1:5], entries.shape[0]], strict=True)
    )
    table = np.ascontiguousarray(entries)
    return Triangular(
        table, diagonal, dict(zip(corners, above, strict=True)), firsts, seconds, outs
    )


def substituted(
    plants: Triangular, pole: Complex, late: Complex, pick: Pick, shape: tuple[int, ...]
) -> Complex:
    """Return out (pole - factor)^-1 (first + late second).

    Parameters
    ----------
    plants : Triangular
        The plants.
    pole, late : array of complex
        Of shapes that broadcast to `shape`.
    pick : callable
        From `plants.picked`.
    shape : tuple of int
        Shape of the result.
    """
    if np.isrealobj(plants.entries):
        return _in_parts(plants, pole, late, pick, shape)
    order = len(plants.out)
    states: list[Complex] = [np.empty(0, complex)] * order
    total = np.zeros(shape, complex)
    for i in reversed(range(order)):
        value = np.zeros(shape, complex)
        value += pick(plants.first[i])
        if plants.second:
            value += pick(plants.second[i]) * late
        for j in range(i + 1, order):
            value += pick(plants.above[i, j]) * states[j]
        value /= pole - pick(plants.diagonal[i])
        total += pick(plants.out[i]) * value
        states[i] = value
    return total


def _in_parts(
    plants: Triangular, pole: Complex, late: Complex, pick: Pick, shape: tuple[int, ...]
) -> Complex:
    """Do as `substituted` with real plants; states are pairs of real and imaginary parts."""
    order = len(plants.out)
    real, square = pole.real.copy(), pole.imag**2
    turned = np.stack([pole.imag, -pole.imag])
    lates = np.stack([late.real, late.imag])
    states: list[Array] = [np.empty(0)] * order
    total, rest = np.zeros((2, *shape)), np.empty((2, *shape))
    for i in reversed(range(order)):
        value = np.zeros((2, *shape))
        if plants.second:
            np.multiply(pick(plants.second[i]), lates, out=value)
        value[0] += pick(plants.first[i])
        for j in range(i + 1, order):
            np.multiply(pick(plants.above[i, j]), states[j], out=rest)
            value += rest
        # times the conjugate of the divisor, over its square
        away = real - pick(plants.diagonal[i])
        np.multiply(value[::-1], turned, out=rest)
        value *= away
        value += rest
        away *= away
        away += square
        value /= away
        np.multiply(pick(plants.out[i]), value, out=rest)
        total += rest
        states[i] = value
    result = np.empty(shape, complex)
    result.real, result.imag = total
    return result
