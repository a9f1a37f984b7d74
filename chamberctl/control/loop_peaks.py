"""Where a peak between the frequencies of a grid is: by a parabola through its highest points."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from chamberctl.control.frequency import Array, Index
from chamberctl.control.loop_grid import LoopGrid


def with_peaks(grid: LoopGrid, sizes: Iterable[Array], least: float) -> LoopGrid:
    """Return the grid with the frequencies of peaks.

    Parameters
    ----------
    grid : LoopGrid
        The plants.
    sizes : iterable of array
        Quantities at the entries of the grid.
    least : float
        Peaks below it are left alone.

    Notes
    -----
    A parabola in ln w through each highest entry and its neighbors; its own error falls with the
    fourth power of the distance to the peak.
    """
    rows, where = [], []
    for size in sizes:
        at = _highest(grid, size, least)
        rows.append(grid.row[at])
        where.append(_vertices(grid, size, at))
    return grid.with_points(np.concatenate(rows), np.concatenate(where))


def _highest(grid: LoopGrid, size: Array, least: float) -> Index:
    """Return entries that no neighbor of the same plant surpasses."""
    inner = grid.row[1:] == grid.row[:-1]
    left = np.append(np.inf, np.where(inner, size[:-1], np.inf))
    right = np.append(np.where(inner, size[1:], np.inf), np.inf)
    return np.flatnonzero((size >= left) & (size >= right) & (size > least))


def _vertices(grid: LoopGrid, size: Array, at: Index) -> Array:
    x = np.log(grid.omega)
    left, right = x[at - 1] - x[at], x[at + 1] - x[at]
    low, high = (size[at - 1] - size[at]) / left, (size[at + 1] - size[at]) / right
    with np.errstate(divide="ignore", invalid="ignore"):
        bend = (high - low) / (right - left)
        shift = 0.5 * (left - low / bend)
    shift = np.where(np.isfinite(shift), np.clip(shift, 0.9 * left, 0.9 * right), 0.5 * right)
    return np.exp(x[at] + shift)
