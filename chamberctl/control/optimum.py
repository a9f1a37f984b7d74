"""The robust optimum: the most integral action that keeps every limit at every plant.

Integral action ki = Kc/Ti is the inverse of the integrated error after a step of the gas load. Few
plants of an envelope decide, so the search runs on those and every other plant is checked after it;
plants that break a limit join, until none does. What is found then is the optimum for all of them,
because more plants can only lower it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

import numpy as np

from chamberctl.control.frequency import Array, Index
from chamberctl.control.gain_gaps import (
    LimitName,
    excess,
    largest_gain,
    turns,
)
from chamberctl.control.loop_grid import LoopGrid, Shape, loop_grid, rates
from chamberctl.control.margins import margins
from chamberctl.control.shape_search import SHARES, Height, Place, ShapeSearch
from chamberctl.errors import Infeasible, InputError

if TYPE_CHECKING:
    from chamberctl.control.controller import PidSettings
    from chamberctl.control.margins import EnvelopeMargins
    from chamberctl.control.pace import LoopLimits
    from chamberctl.plant.linear import LoopModel

Structure = Literal["PI", "PID"]
Order = Literal["after", "before"]

DERIVATIVE_RATIO = 8.0
"""Td/Tfd of the derivative's filter: 5 to 20 is common practice."""

LARGEST_SHARE = 0.25
"""Largest Td/Ti: beyond it the law's zeros turn complex, which the series form cannot express, and
the optimum lives on their exact place."""

SHORTEST, LONGEST = 0.02, 100.0
"""Integral times that are searched: from this share of the shortest time in the loop, dead time or
lag, to so many times the longest."""

ROUGH, FINE = 0.125, 1e-3
"""Last steps of the search, in steps of its first grid, while plants join and at the end."""

EXACT = 1e-5
"""Peaks may exceed their limit by this share after polishing."""

NEAR = 0.98
"""Peaks on the frequency grid that reach this share of their limit are polished."""

BINDING = 2e-3
"""A peak within this share of its limit binds."""


@dataclass(frozen=True)
class Binding:
    """A plant at which a limit binds.

    Parameters
    ----------
    plant : int
        Which of the plants.
    limit : {"ms", "mt", "disk_margin", "noise_gain"}
        The limit.
    omega_rad_s : float
        Where the peak is [rad/s].
    order : {"after", "before"}
        Order of the integral with which it binds.
    """

    plant: int
    limit: LimitName
    omega_rad_s: float
    order: Order


@dataclass(frozen=True)
class Optimum:
    """The settings with the most integral action over many plants.

    Parameters
    ----------
    settings : PidSettings
        Gain, times and filters; of several orders of the integral the one with the larger Ms.
    integral_action : float
        ki = Kc/Ti [speed fraction per decade and s, or per Pa and s].
    bindings : tuple of Binding
        Where limits bind, the nearest to its limit first.
    margins : EnvelopeMargins
        Margins of `settings` at every plant.
    noise_gain : float
        Largest |K S| over all plants [speed fraction per decade, or per Pa].
    """

    settings: PidSettings
    integral_action: float
    bindings: tuple[Binding, ...]
    margins: EnvelopeMargins
    noise_gain: float


def find_optimum(
    models: Sequence[LoopModel],
    frame: PidSettings,
    limits: LoopLimits,
    *,
    structure: Structure = "PI",
    orders: Sequence[Order] | None = None,
    derivative_ratio: float = DERIVATIVE_RATIO,
) -> Optimum:
    """Return the settings with the most integral action within the limits at every plant.

    Parameters
    ----------
    models : sequence of LoopModel
        The plants.
    frame : PidSettings
        What is given: reading, filter on the reading, scan time, computation delay, limits of the
        output. Gain and times do not count.
    limits : LoopLimits
        What every plant must keep.
    structure : {"PI", "PID"}
        Whether the law has derivative action.
    orders : sequence of {"after", "before"}, optional
        Orders of the integral that must all keep the limits; the frame's own if not given.
    derivative_ratio : float
        Td/Tfd of the derivative's filter [-].

    Returns
    -------
    Optimum
        Settings, what binds, margins.

    Raises
    ------
    Infeasible
        If no gain does, or any does.
    """
    if not models:
        raise InputError("at least one plant is needed", field="models")
    if not derivative_ratio > 0.0:
        raise InputError("must be above 0", given=f"{derivative_ratio}", field="derivative_ratio")
    finder = Finder(models, frame, structure, orders or (frame.integral,), derivative_ratio)
    return finder.best(limits)


class Finder:
    """Many plants prepared once, for optima under any limits."""

    def __init__(
        self,
        models: Sequence[LoopModel],
        frame: PidSettings,
        structure: Structure,
        orders: Sequence[Order],
        derivative_ratio: float = DERIVATIVE_RATIO,
    ) -> None:
        self.models = list(models)
        self.shares = SHARES if structure == "PID" else (0.0,)
        self.orders = tuple(orders)
        self.ratio = derivative_ratio
        self.frame = frame
        self.grid = loop_grid(self.models, frame, self.orders)
        _require_right_sign(self.grid, len(self.models))
        self.working: list[int] = [_hardest(self.grid)]

    def best(self, limits: LoopLimits) -> Optimum:
        """Return the optimum under limits; see `find_optimum`."""
        slow, fast = rates(self.grid.loops)
        search = ShapeSearch(
            SHORTEST / float(np.max(fast)), LONGEST / float(np.min(slow)), self.shares
        )
        place, exact = None, False
        while True:
            part = self.grid.subset(np.array(self.working))

            def height(log_ti: float, share: float, part: LoopGrid = part) -> float:
                ti = math.exp(log_ti)
                return largest_gain(part, self._shape(ti, share), limits)[0] / ti

            place = _closer(search, height, place, exact)
            shape = self._shape(math.exp(place.log_ti), place.share)
            gain, bound = largest_gain(part, shape, limits)
            if bound is None:
                raise _unbounded()
            joining = self._broken(gain, shape, limits)
            if not joining and exact:
                joining = self._polished(gain, shape, limits)
                if not joining:
                    return self._optimum(gain, shape, limits)
            elif not joining:
                exact = True
            self.working += [plant for plant in joining if plant not in self.working]
            search.lowered()

    def _shape(self, ti_s: float, share: float) -> Shape:
        td = share * ti_s
        return Shape(ti_s, td, td / self.ratio)

    def _broken(self, gain: float, shape: Shape, limits: LoopLimits) -> list[int]:
        """Return plants that a law breaks: for every limit the worst, and an unstable one."""
        joining = []
        for size in excess(self.grid, gain, shape, limits).values():
            peaks = np.maximum.reduceat(size, self.grid.start[:-1])
            peaks[self.working] = 0.0
            worst = int(np.argmax(peaks))
            if peaks[worst] > 1.0 + EXACT:
                joining.append(worst)
        value = self.grid.plant * self.grid.law(shape)
        unstable = turns(self.grid, value).unstable(gain) != 0
        unstable[self.working] = False
        return joining + np.flatnonzero(unstable)[:1].tolist()

    def _polished(self, gain: float, shape: Shape, limits: LoopLimits) -> list[int]:
        """Add the exact frequencies of peaks near their limits; return plants that reach beyond.

        A parabola through each highest point and its neighbors, in ln w, leads to the peak.
        """
        grid = self.grid
        rows, where = [], []
        for size in excess(grid, gain, shape, limits).values():
            at = _near_peaks(grid, size)
            rows.append(grid.row[at])
            where.append(_vertices(grid, size, at))
        self.grid = grid.with_points(np.concatenate(rows), np.concatenate(where))
        beyond: set[int] = set()
        for size in excess(self.grid, gain, shape, limits).values():
            beyond |= set(self.grid.row[size > 1.0 + EXACT].tolist())
        return sorted(beyond)

    def _optimum(self, gain: float, shape: Shape, limits: LoopLimits) -> Optimum:
        settings = replace(self.frame, kc=gain, ti_s=shape.ti_s, td_s=shape.td_s, tfd_s=shape.tfd_s)
        found = {
            order: margins(self.models, replace(settings, integral=order)) for order in self.orders
        }
        worse = max(self.orders, key=lambda order: float(np.max(found[order].ms)))
        peaks = excess(self.grid, gain, shape, limits)
        law = np.abs(gain * self.grid.law(shape)) / np.abs(
            1.0 + gain * self.grid.plant * self.grid.law(shape)
        )
        return Optimum(
            settings=replace(settings, integral=worse),
            integral_action=gain / shape.ti_s,
            bindings=self._bindings(peaks),
            margins=found[worse],
            noise_gain=float(np.max(law)),
        )

    def _bindings(self, peaks: dict[LimitName, Array]) -> tuple[Binding, ...]:
        found = []
        for limit, size in peaks.items():
            highest = np.maximum.reduceat(size, self.grid.start[:-1])
            for plant in np.flatnonzero(highest > 1.0 - BINDING):
                span = slice(self.grid.start[plant], self.grid.start[plant + 1])
                at = span.start + int(np.argmax(size[span]))
                order = self.orders[plant // len(self.models)]
                number = int(plant) % len(self.models)
                omega = float(self.grid.omega[at])
                found.append((float(highest[plant]), Binding(number, limit, omega, order)))
        found.sort(key=lambda pair: -pair[0])
        return tuple(binding for _, binding in found)


def _near_peaks(grid: LoopGrid, size: Array) -> Index:
    """Return entries that no neighbor of the same plant surpasses, near or above the limit."""
    inner = grid.row[1:] == grid.row[:-1]
    left = np.append(np.inf, np.where(inner, size[:-1], np.inf))
    right = np.append(np.where(inner, size[1:], np.inf), np.inf)
    return np.flatnonzero((size >= left) & (size >= right) & (size > NEAR))


def _vertices(grid: LoopGrid, size: Array, at: Index) -> Array:
    x = np.log(grid.omega)
    left, right = x[at - 1] - x[at], x[at + 1] - x[at]
    low, high = (size[at - 1] - size[at]) / left, (size[at + 1] - size[at]) / right
    with np.errstate(divide="ignore", invalid="ignore"):
        bend = (high - low) / (right - left)
        shift = 0.5 * (left - low / bend)
    shift = np.where(np.isfinite(shift), np.clip(shift, 0.9 * left, 0.9 * right), 0.5 * right)
    return np.exp(x[at] + shift)


def _closer(search: ShapeSearch, height: Height, place: Place | None, exact: bool) -> Place:
    """Return the best place as the plants at work have it, roughly or exactly."""
    starts = search.candidates(height)
    if place is not None:
        starts.append(replace(place, height=height(place.log_ti, place.share)))
    if not starts or not starts[0].height > 0.0:
        raise Infeasible("No gain keeps the limits at every plant.")
    best = max(
        (search.closer(height, start, 0.5, ROUGH) for start in starts), key=lambda p: p.height
    )
    return search.closer(height, best, ROUGH, FINE) if exact else best


def _unbounded() -> Infeasible:
    return Infeasible(
        "No limit binds: the loop would allow any gain, for nothing in the model is slow or late.",
        "State scan time, dead time and lags, or limit the noise gain.",
    )


def _require_right_sign(grid: LoopGrid, count: int) -> None:
    first = grid.start[:-1]
    static = (grid.plant[first] * 1j ** (grid.loops.integrators - 1)).real
    wrong = np.flatnonzero((static <= 0.0) & (grid.loops.unstable_poles == 0))
    if wrong.size:
        raise Infeasible(
            f"Plant {int(wrong[0]) % count + 1} has the wrong sign: more speed does not lower its "
            "reading, so no positive gain holds it.",
            "Check the gauge's position and the map from output to speeds.",
        )


def _hardest(grid: LoopGrid) -> int:
    """Return the plant with which the search begins: the largest of all at its -180 degrees."""
    return int(np.argmax(grid.level))
