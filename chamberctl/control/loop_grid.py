"""Many plants on one list of frequencies each, so that any law of the same shape is at hand.

For a fixed shape of the law, its times Ti, Td and its filters, the loop is L = k X with one and the
same X for every gain k. Here X is put together from parts that were computed once.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from chamberctl.control.controller import PidSettings, derivative, law_parts, rate
from chamberctl.control.frequency import Array, Complex, Index, LoopStack, stack
from chamberctl.control.sweep import Insertion, divided, near_poles
from chamberctl.plant.linear import LoopModel

DENSITY = 32
"""Frequencies per decade: the best of them is within 1e-3 of a peak of |S|; then it is polished."""

DELAY_TURN = 0.35
"""Largest turn of the dead time between two frequencies where the loop still matters [rad]."""

SIGNIFICANT = 0.02
"""A plant this small against its size where its phase passes -180 degrees matters no more."""

LOWEST = 1e-4
"""Lowest frequency against the plants' slowest rate: there any loop is integral action alone, with
integral times of a hundred times the slowest lag too."""

VERY_SHORT = 1e-6
"""A dead time this short against the shortest lag turns the loop only where it is nothing."""


@dataclass(frozen=True)
class Shape:
    """A law but for its gain: integral, derivative and derivative filter time [s]."""

    ti_s: float
    td_s: float = 0.0
    tfd_s: float = 0.0


@dataclass(frozen=True)
class LoopGrid:
    """N plants at flat lists of frequencies: entry i is plant row[i] at omega[i] [rad/s].

    Plant j has the entries start[j] to start[j + 1] - 1, by frequency. `plant` is -G; `straight`
    and `integral` are the law with Kc = 1 without integral action, and what Ti = 1 s adds.
    `reading_scale` is one whole reading of each plant in the law's reading [decades or Pa].
    """

    loops: LoopStack
    row: Index
    omega: Array
    plant: Complex
    straight: Complex
    integral: Complex
    start: Index
    reading_scale: Array

    @property
    def count(self) -> int:
        """Number of plants."""
        return self.loops.count

    @cached_property
    def level(self) -> Array:
        """Size of each plant where its phase first passes -180 degrees, or at its end."""
        return _levels(self)

    @cached_property
    def lasting(self) -> Array:
        """Change of speed by a reading that is wrong for ever, the loop closed with an integral.

        It is 1/|G(0)| of each plant, whatever the law [speed fraction per fraction of reading]; 0
        where the plant integrates.
        """
        static = self.reading_scale / np.abs(self.plant[self.start[:-1]])
        return np.where(self.loops.integrators > 1, 0.0, static)

    @cached_property
    def largest_gain(self) -> float:
        """Largest gain for which the frequencies are dense enough."""
        return float(np.min(1.0 / self.level)) / SIGNIFICANT

    @cached_property
    def inner(self) -> NDArray[np.bool_]:
        """Whether entry i and i + 1 belong to the same plant."""
        same: NDArray[np.bool_] = self.row[1:] == self.row[:-1]
        return same

    @cached_property
    def _rate(self) -> Complex:
        """z - 1 of sampled loops, s of continuous ones, at every entry."""
        ts = self.loops.scan_time_s
        return rate(self.omega, None if ts is None else ts[self.row])

    def law(self, shape: Shape) -> Complex:
        """Return the response of the law with gain 1."""
        law = self.straight + self.integral * (1.0 / shape.ti_s)
        return law + self._derivative(shape.td_s, shape.tfd_s) if shape.td_s > 0.0 else law

    def loop(self, shape: Shape) -> tuple[Complex, Complex]:
        """Return the responses of law and loop with gain 1; those of the last shape are kept."""
        if shape not in self._kept:
            law = self.law(shape)
            self._kept.clear()
            self._kept[shape] = law, self.plant * law
        return self._kept[shape]

    @cached_property
    def _kept(self) -> dict[Shape, tuple[Complex, Complex]]:
        return {}

    def laws(self, shapes: Sequence[Shape]) -> Complex:
        """Return the responses of many shapes, on a grid that is repeated for each of them."""
        size = self.row.size // len(shapes)
        ti, td, tfd = np.array([(one.ti_s, one.td_s, one.tfd_s) for one in shapes]).T
        law = self.straight + self.integral * np.repeat(1.0 / ti, size)
        if not np.any(td):
            return law
        return law + self._derivative(np.repeat(td, size), np.repeat(tfd, size))

    def _derivative(self, td: float | Array, tfd: float | Array) -> Complex:
        ts = self.loops.scan_time_s
        return self.straight * derivative(self._rate, td, tfd, None if ts is None else ts[self.row])

    @cached_property
    def _repeats(self) -> dict[int, LoopGrid]:
        return {}

    def repeated(self, times: int) -> LoopGrid:
        """Return the grid with all plants so many times, kept for the next time it is asked for."""
        if times not in self._repeats:
            self._repeats[times] = self.subset(np.tile(np.arange(self.count), times))
        return self._repeats[times]

    def subset(self, rows: Index) -> LoopGrid:
        """Return the grid of some plants, in the order given."""
        size = self.start[rows + 1] - self.start[rows]
        start = np.concatenate([[0], np.cumsum(size)])
        row = np.repeat(np.arange(rows.size), size)
        take = np.arange(row.size) - start[row] + self.start[rows][row]
        return LoopGrid(
            self.loops.subset(rows), row, self.omega[take], self.plant[take],
            self.straight[take], self.integral[take], start, self.reading_scale[rows],
        )  # fmt: skip

    def replaced(self, rows: Index, part: LoopGrid) -> LoopGrid:
        """Return the grid with the entries of some plants, ascending, from another grid of them."""
        size = np.diff(self.start)
        size[rows] = np.diff(part.start)
        start = np.concatenate([[0], np.cumsum(size)])
        source = self.start[:-1].copy()
        source[rows] = self.row.size + part.start[:-1]
        row = np.repeat(np.arange(self.count), size)
        take = np.arange(row.size) + np.repeat(source - start[:-1], size)

        def both(mine: NDArray, other: NDArray) -> NDArray:
            return np.concatenate([mine, other])[take]

        return replace(
            self, row=row, omega=both(self.omega, part.omega),
            plant=both(self.plant, part.plant), straight=both(self.straight, part.straight),
            integral=both(self.integral, part.integral), start=start,
        )  # fmt: skip

    def with_points(self, row: Index, omega: Array) -> LoopGrid:
        """Return the grid with further frequencies [rad/s] of some plants."""
        order = np.lexsort((omega, row))
        row, omega = row[order], omega[order]
        added = Insertion(self.start, self.omega, row, omega)
        plant, straight, integral = _responses(self.loops, omega, row)
        return replace(
            self, row=added.both(self.row, row), omega=added.both(self.omega, omega),
            plant=added.both(self.plant, plant), straight=added.both(self.straight, straight),
            integral=added.both(self.integral, integral), start=added.start,
        )  # fmt: skip


def _responses(loops: LoopStack, omega: Array, row: Index) -> tuple[Complex, Complex, Complex]:
    """Return -G, the law without and what it gains with integral action."""
    return -loops.plant_response(omega, row), *_law_parts(loops, omega, row)


def _law_parts(loops: LoopStack, omega: Array, row: Index) -> tuple[Complex, Complex]:
    ts = None if loops.scan_time_s is None else loops.scan_time_s[row]
    return law_parts(omega, tf=loops.law["tf"][row], before=loops.law["before"][row], ts=ts)


def loop_grid(
    models: Sequence[LoopModel],
    frame: PidSettings,
    orders: Sequence[Literal["after", "before"]],
    density: int = DENSITY,
) -> LoopGrid:
    """Return the grid of all plants with the first order of the integral, then with the next.

    Parameters
    ----------
    models : sequence of LoopModel
        The plants.
    frame : PidSettings
        Reading, filter on the reading, scan time and computation delay; gain and times do not
        count.
    orders : sequence of {"after", "before"}
        Orders of the integral.
    density : int
        Frequencies per decade.
    """
    unit = replace(frame, kc=1.0, ti_s=1.0, td_s=0.0, tfd_s=0.0, integral=orders[0])
    loops = stack(models, [unit] * len(models))
    low = LOWEST * float(np.min(rates(loops)[0]))
    high = _highest(loops)
    points = math.ceil(density * math.log10(float(np.max(high)) / low)) + 1
    share = np.linspace(0.0, 1.0, points)
    scale = np.array([model.output_scale(frame.reading) for model in models])
    if np.all(high == high[0]):
        # sampled plants have all frequencies in common, and the law with them
        high = high[:1]
    omega = low * (high / low)[:, None] ** share
    omega[:, -1] = high
    grid = _grid(loops, omega, scale)
    more, where = near_poles(loops, np.full(loops.count, low), grid.omega[grid.start[1:] - 1])
    if more.size:
        grid = grid.with_points(more, where)
    return _with_orders(_turns_of_dead_time(grid), orders)


def _with_orders(grid: LoopGrid, orders: Sequence[str]) -> LoopGrid:
    """Repeat the plants for each order of the integral, which is in the law alone."""
    if len(orders) == 1:
        return grid
    whole = grid.subset(np.tile(np.arange(grid.count), len(orders)))
    before = np.repeat([float(one == "before") for one in orders], grid.count)
    ts = whole.loops.scan_time_s
    if ts is not None:
        # before it is used the integral has one more scan
        more = (before - whole.loops.law["before"]) * ts
        whole.integral[:] += np.repeat(more, np.diff(whole.start)) * whole.straight
    whole.loops.law["before"] = before
    return whole


def _grid(loops: LoopStack, omega: Array, reading_scale: Array) -> LoopGrid:
    """Return the grid of all plants at omega (N, F), or (1, F) for the same of all of them."""
    count, points = loops.count, omega.shape[1]
    plant = -loops.plant_response(omega).ravel()
    flat = omega.ravel()
    straight, integral = _law_parts(loops, flat, np.repeat(np.arange(len(omega)), points))
    times = count // len(omega)
    return LoopGrid(
        loops, np.repeat(np.arange(count), points), np.tile(flat, times), plant,
        np.tile(straight, times), np.tile(integral, times), np.arange(count + 1) * points,
        reading_scale,
    )  # fmt: skip


def rates(loops: LoopStack) -> tuple[Array, Array]:
    """Return the slowest and the fastest of each plant's rates, the dead time's included [1/s]."""
    pole = np.abs(loops.poles)
    pole = np.where(np.isfinite(pole) & (pole > 0.0), pole, np.nan)
    delay = loops.dead_time_s.copy()
    if loops.scan_time_s is not None:
        delay += 0.5 * loops.scan_time_s
    with np.errstate(divide="ignore"):
        late = 1.0 / delay
    fastest = np.fmax.reduce(pole, axis=1)
    late = np.where(np.isinf(late) | (delay * fastest < VERY_SHORT), np.nan, late)
    every = np.concatenate([pole, late[:, None]], axis=1)
    every[np.isnan(every).all(axis=1)] = 1.0  # no time of its own: any unit will do
    return np.nanmin(every, axis=1), np.nanmax(every, axis=1)


def _highest(loops: LoopStack) -> Array:
    if loops.scan_time_s is not None:
        return np.pi / loops.scan_time_s
    fastest = rates(loops)[1]
    tf = loops.law["tf"]
    return 100.0 * np.where(tf > 0.0, np.maximum(fastest, 1.0 / np.where(tf > 0, tf, 1.0)), fastest)


def _levels(grid: LoopGrid) -> Array:
    value = grid.plant * grid.straight
    size = np.abs(value)
    change = (value.imag[1:] > 0.0) != (value.imag[:-1] > 0.0)
    at = np.flatnonzero(grid.inner & change & (value.real[1:] < 0.0))
    level = size[grid.start[1:] - 1].copy()
    # from the last to the first, so that the first crossing stays
    level[grid.row[at][::-1]] = size[at][::-1]
    return level


def _turns_of_dead_time(grid: LoopGrid) -> LoopGrid:
    """Divide the intervals in which the dead time turns a plant that still matters too far."""
    size = np.abs(grid.plant * grid.straight)
    matters = np.maximum(size[1:], size[:-1]) > SIGNIFICANT * grid.level[grid.row[:-1]]
    inner: NDArray[np.bool_] = grid.inner & matters
    turn = np.diff(grid.omega) * grid.loops.dead_time_s[grid.row[:-1]]
    pieces = np.ceil(np.where(inner, turn, 0.0) / DELAY_TURN).astype(int)
    which, omega = divided(grid.omega, pieces)
    return grid.with_points(grid.row[which], omega) if which.size else grid
