"""The search for the most integral action over many plants.

Few plants decide, so the search runs on those, and every other plant is checked after it; plants
that break a limit join, until none does. What is found then is the optimum for all of them, because
more plants can only lower it. Peaks between the frequencies are then found and join in turn.
"""

from __future__ import annotations

import copy
import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Literal, NamedTuple

import numpy as np

from chamberctl.control.crossing_limits import is_asked
from chamberctl.control.frequency import Index
from chamberctl.control.gain_gaps import largest_gain, largest_gains, turns
from chamberctl.control.loop_excess import excesses, sharpened
from chamberctl.control.loop_grid import LoopGrid, Shape, loop_grid, rates
from chamberctl.control.shape_search import SHARES, Heights, Place, ShapeSearch
from chamberctl.display import number, rounded_up
from chamberctl.errors import Infeasible, InputError

if TYPE_CHECKING:
    from chamberctl.control.controller import PidSettings
    from chamberctl.control.crossing_limits import Excess
    from chamberctl.control.pace import LimitName, LoopLimits
    from chamberctl.plant.linear import LoopModel

Structure = Literal["PI", "PID"]
Order = Literal["after", "before"]

DERIVATIVE_RATIO = 8.0
"""Td/Tfd of the derivative's filter: 5 to 20 is common practice."""

SHORTEST, LONGEST = 0.02, 100.0
"""Integral times that are searched: from this share of the shortest time in the loop, dead time or
lag, to so many times the longest."""

ROUGH, FINE = 0.125, 1e-3
"""Last steps of the search, in steps of its first grid, while plants join and at the end."""

EXACT = 1e-5
"""Peaks may exceed their limit by this share after polishing."""

NEAR = 0.9
"""Peaks on the frequency grid that reach this share of their limit are polished."""

NOISE_ROOM = 1.05
"""Least limit on noise that is offered, against what integral action asks for."""

ROUNDS = 200
"""Far more rounds than plants and peaks ever needed to join."""


class Law(NamedTuple):
    """A law that was found: its gain [speed fraction per decade, or per Pa] and its times."""

    gain: float
    shape: Shape

    @property
    def integral_action(self) -> float:
        """Gain over integral time [speed fraction per decade and s, or per Pa and s]."""
        return self.gain / self.shape.ti_s


class Finder:
    """Many plants prepared once, for optima under any limits.

    Parameters
    ----------
    models : sequence of LoopModel
        The plants.
    frame : PidSettings
        Reading, filter on the reading, scan time, computation delay, limits of the output. Its gain
        and times do not count.
    structure : {"PI", "PID"}
        Whether the law has derivative action.
    orders : sequence of {"after", "before"}, optional
        Orders of the integral that must all keep the limits; the frame's own if not given.
    derivative_ratio : float
        Td/Tfd of the derivative's filter [-].

    Raises
    ------
    InputError
        Without a plant, or with a ratio that is not above zero.
    """

    def __init__(
        self,
        models: Sequence[LoopModel],
        frame: PidSettings,
        structure: Structure = "PI",
        orders: Sequence[Order] | None = None,
        derivative_ratio: float = DERIVATIVE_RATIO,
    ) -> None:
        if not models:
            raise InputError("at least one plant is needed", field="models")
        if not derivative_ratio > 0.0:
            raise InputError(
                "must be above 0", given=f"{derivative_ratio}", field="derivative_ratio"
            )
        self.models = list(models)
        self.frame = frame
        self.orders = tuple(orders or (frame.integral,))
        self.shares = SHARES if structure == "PID" else (0.0,)
        self.ratio = derivative_ratio
        self.grid = loop_grid(self.models, frame, self.orders)
        _require_right_sign(self.grid, len(self.models))
        self.working: list[int] = [int(np.argmax(self.grid.level))]

    def only(self, plants: Sequence[int]) -> Finder:
        """Return some of the plants, prepared."""
        part = copy.copy(self)
        rows = np.array([k * len(self.models) + i for k in range(len(self.orders)) for i in plants])
        part.models = [self.models[i] for i in plants]
        part.grid = self.grid.subset(rows)
        part.working = [int(np.argmax(part.grid.level))]
        return part

    def solve(self, limits: LoopLimits) -> Law:
        """Return the law with the most integral action.

        Parameters
        ----------
        limits : LoopLimits
            What every plant must keep.

        Raises
        ------
        Infeasible
            If no gain does, or any does.
        """
        require_room_for_noise([self.grid], limits)
        slow, fast = rates(self.grid.loops)
        times = SHORTEST / float(np.max(fast)), LONGEST / float(np.min(slow))
        search = ShapeSearch(*times, self.shares, falling=not is_asked(limits))
        place, exact = None, False
        if len(self.working) > 1 and search.falling:
            few = self.grid.subset(np.array(self.working[:1]))
            search.bounded(self._heights(few, limits))
        for _ in range(ROUNDS):
            part = self.grid.subset(np.array(self.working))
            place = _closer(search, self._heights(part, limits), place, exact)
            shape = self._shape(math.exp(place.log_ti), place.share)
            gain, bound = largest_gain(part, shape, limits)
            if bound is None:
                raise _unbounded()
            law = Law(gain, shape)
            found = excesses(self.grid, *law, limits)
            joining = self._broken(law, found)
            if not joining and exact:
                joining = self._polished(law, limits, found)
                if not joining:
                    return law
            exact = exact or not joining
            # a plant may break several limits
            new = dict.fromkeys(joining)
            self.working += [plant for plant in new if plant not in self.working]
            search.lowered()
        raise Infeasible(
            f"The search has not come to an end after {ROUNDS} rounds.",
            "Narrow the tolerances, or take fewer operating points.",
        )

    def _heights(self, part: LoopGrid, limits: LoopLimits) -> Heights:
        """Return integral action as a function of the law's times, for some of the plants."""

        def heights(points: Sequence[tuple[float, float]]) -> list[float]:
            ti = [math.exp(log_ti) for log_ti, _ in points]
            shapes = [self._shape(t, share) for t, (_, share) in zip(ti, points, strict=True)]
            gains = largest_gains(part, shapes, limits)
            return [float(gain) / t for gain, t in zip(gains, ti, strict=True)]

        return heights

    def _shape(self, ti_s: float, share: float) -> Shape:
        td = share * ti_s
        return Shape(ti_s, td, td / self.ratio)

    def _broken(self, law: Law, found: Mapping[LimitName, Excess]) -> list[int]:
        """Return plants that a law breaks: for every limit the worst, and an unstable one."""
        joining = []
        for excess in found.values():
            size = excess.size.copy()
            size[self.working] = 0.0
            worst = int(np.argmax(size))
            if size[worst] > 1.0 + EXACT:
                joining.append(worst)
        value = self.grid.loop(law.shape)[1]
        unstable = turns(self.grid, value).unstable(law.gain) != 0
        unstable[self.working] = False
        first: Index = np.flatnonzero(unstable)[:1]
        return joining + first.tolist()

    def _polished(
        self, law: Law, limits: LoopLimits, found: Mapping[LimitName, Excess]
    ) -> list[int]:
        """Add the frequencies that matter near the limits; return plants that reach beyond.

        Only plants that come near a limit get any, and only those can reach beyond it. Where the
        gain ends at a turn between two frequencies instead, its own frequency is added.
        """
        turned = turns(self.grid, self.grid.loop(law.shape)[1])
        edge = np.flatnonzero(np.abs(turned.gain - law.gain) < EXACT * law.gain)
        if edge.size:
            self.grid = self.grid.with_points(turned.row[edge], turned.omega[edge])
            joining: list[int] = turned.row[edge].tolist()
            return joining
        near = np.flatnonzero(np.max([one.size for one in found.values()], axis=0) > NEAR)
        if not near.size:
            return []
        part = sharpened(self.grid.subset(near), *law, limits, NEAR)
        self.grid = self.grid.replaced(near, part)
        size = np.max([one.size for one in excesses(part, *law, limits).values()], axis=0)
        beyond: Index = near[size > 1.0 + EXACT]
        return beyond.tolist()


def _closer(search: ShapeSearch, heights: Heights, place: Place | None, exact: bool) -> Place:
    """Return the best place as the plants at work have it, roughly or exactly."""
    starts = search.candidates(heights)
    if place is not None:
        (height,) = heights([(place.log_ti, place.share)])
        starts.append(replace(place, height=height))
    if not starts or not starts[0].height > 0.0:
        raise Infeasible("No gain keeps the limits at every plant.")
    best = max(search.closer(heights, starts, 0.5, ROUGH), key=lambda p: p.height)
    return search.closer(heights, [best], ROUGH, FINE)[0] if exact else best


def _unbounded() -> Infeasible:
    return Infeasible(
        "No limit binds: the loop would allow any gain, for nothing in the model is slow or late.",
        "State scan time, dead time and lags, or limit the noise gain.",
    )


def require_room_for_noise(grids: Sequence[LoopGrid], limits: LoopLimits) -> None:
    """Refuse what integral action cannot do: it follows a reading that is wrong for long.

    Parameters
    ----------
    grids : sequence of LoopGrid
        All plants that are to keep the limits.
    limits : LoopLimits
        What is asked.

    Raises
    ------
    Infeasible
        If the noise gain is below what any loop with integral action has; with the nearest.
    """
    most = max(float(np.max(grid.lasting)) for grid in grids)
    if limits.noise_gain is None or limits.noise_gain > most:
        return
    least = rounded_up(NOISE_ROOM * most)
    raise Infeasible(
        f"No gains keep the noise gain at {number(limits.noise_gain)}: integral action follows a "
        "reading that is wrong for long, and the speed then moves by up to "
        f"{number(most)} % of rated speed per % of the reading, whatever the gains.",
        f"Nearest: noise gain {number(least)}.",
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
