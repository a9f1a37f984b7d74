"""Settings that hold between the plants they were tuned for, and are stable at all corners."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from chamberctl.control.dense_envelope import corner_envelope, fine_envelopes
from chamberctl.control.envelope import Envelope
from chamberctl.control.finder import NEAR
from chamberctl.control.gain_gaps import turns
from chamberctl.control.loop_excess import excesses, sharpened
from chamberctl.control.loop_grid import Shape, loop_grid
from chamberctl.control.optimum import optimum_of
from chamberctl.errors import Infeasible
from chamberctl.workers import Piece, desk

if TYPE_CHECKING:
    from chamberctl.control.envelope import EnvelopePlant
    from chamberctl.control.optimum import Optimum
    from chamberctl.control.pace import LoopLimits
    from chamberctl.control.problem import Problem
    from chamberctl.control.tolerance_cases import Case

TOLERATED = 1e-3
"""By so much a limit may be exceeded between the plants that were tuned for [relative]."""

DENSITY = 16
"""Frequencies per decade; a peak between them is at most 1 % higher, and sought near a limit."""

CLOSE, MOST_CLOSE = 0.95, 6
"""Cases that reach this share of a limit are looked at finely, so many at most, the nearest."""

ROUNDS = 12
"""Most rounds in which plants join."""


@dataclass(frozen=True)
class DenseCheck:
    """What a denser check found.

    Parameters
    ----------
    plants : int
        Plants between those tuned for, at which the limits hold.
    joined : tuple of str
        Those of them, and of the corners, that the settings had to be changed for.
    corners : int
        Plants with every tolerance at one of its ends, at which the loop is stable.
    worst_corner : str
        The one of them with the largest Ms.
    worst_corner_ms : float
        Its Ms [-].
    """

    plants: int
    joined: tuple[str, ...]
    corners: int
    worst_corner: str
    worst_corner_ms: float


def begin_corners(problem: Problem) -> Piece[Watched]:
    """Begin to look for the plants with every tolerance at one of its ends.

    Parameters
    ----------
    problem : Problem
        What is sought; its gains do not come into it.
    """
    return desk().lay_down(_corners, problem.copy(), urgent=True)


def densely(
    problem: Problem,
    plants: Sequence[EnvelopePlant],
    limits: LoopLimits,
    optimum: Optimum,
    at_corners: Piece[Watched],
) -> tuple[tuple[EnvelopePlant, ...], Optimum, DenseCheck]:
    """Let the worst plants of the denser check join until all is well.

    Parameters
    ----------
    problem : Problem
        What is sought.
    plants : sequence of EnvelopePlant
        The plants that were tuned for.
    limits : LoopLimits
        Their limits.
    optimum : Optimum
        What was found for them.
    at_corners : Piece of Watched
        From `begin_corners`.

    Returns
    -------
    tuple of (tuple of EnvelopePlant, Optimum, DenseCheck)
        The plants with those that joined at the end, the optimum for them and what was checked.

    Raises
    ------
    Infeasible
        If no gain does for the plants that joined, or they do not come to an end.
    """
    dense = Watched(problem, problem.dense)
    every = tuple(plants)
    fine = Fine(problem, {})
    for _ in range(ROUNDS):
        joining = dense.breaking(limits, optimum)
        corners = at_corners.result()  # not earlier: somebody else may still be at it
        joining += [corners.plants[i] for i in corners.unstable(optimum)[:1]]
        if not joining:
            joining = fine.breaking(dense.close(limits, optimum), limits, optimum)
        if not joining:
            where, ms = corners.worst(optimum)
            names = tuple(plant.where for plant in every[len(plants) :])
            seen = len(dense.plants) + fine.count
            check = DenseCheck(seen, names, len(corners.plants), where, ms)
            return every, optimum, check
        every = (*every, *joining)
        optimum = optimum_of(problem.finder(every), limits)
    raise Infeasible(
        f"Between the plants that were tuned for, the limits do not hold after {ROUNDS} rounds.",
        "Allow a larger Ms, or narrow the tolerances.",
    )


class Watched:
    """Many plants prepared once, to see which of them some settings break.

    Parameters
    ----------
    problem : Problem
        What is sought; its frame and orders count.
    found : Envelope
        The plants.
    """

    def __init__(self, problem: Problem, found: Envelope) -> None:
        self.plants = found.plants
        models = [plant.model for plant in found.plants]
        self.grid = loop_grid(models, problem.frame, problem.orders, DENSITY)

    def close(self, limits: LoopLimits, optimum: Optimum) -> list[Case]:
        """Return the cases of the plants that come near a limit, the nearest first."""
        rough = excesses(self.grid, *_law(optimum), limits).values()
        size = np.max([one.size for one in rough], axis=0)
        order = np.argsort(-size, kind="stable")
        near = [self.plants[int(i) % len(self.plants)].case for i in order if size[i] > CLOSE]
        return list({case.label: case for case in near}.values())[:MOST_CLOSE]

    def breaking(self, limits: LoopLimits, optimum: Optimum) -> list[EnvelopePlant]:
        """Return, for every limit, the plant that exceeds it most; an unstable one first."""
        worst = self.unstable(optimum)[:1]
        law = _law(optimum)
        rough = excesses(self.grid, *law, limits).values()
        near = np.flatnonzero(np.max([one.size for one in rough], axis=0) > NEAR)
        if near.size == 0:
            return [self.plants[i] for i in worst]
        part = sharpened(self.grid.subset(near), *law, limits, NEAR)
        for excess in excesses(part, *law, limits).values():
            row = int(np.argmax(excess.size))
            if excess.size[row] > 1.0 + TOLERATED:
                worst.append(int(near[row]) % len(self.plants))
        return [self.plants[i] for i in dict.fromkeys(worst)]

    def unstable(self, optimum: Optimum) -> list[int]:
        """Return plants whose loop is unstable."""
        gain, shape = _law(optimum)
        counts = turns(self.grid, self.grid.loop(shape)[1]).unstable(gain)
        return [int(i) % len(self.plants) for i in np.flatnonzero(counts)]

    def worst(self, optimum: Optimum) -> tuple[str, float]:
        """Return the plant with the highest Ms, and its Ms."""
        gain, shape = _law(optimum)
        peaks = 1.0 / np.abs(1.0 + gain * self.grid.loop(shape)[1])
        at = int(np.argmax(peaks))
        return self.plants[int(self.grid.row[at]) % len(self.plants)].where, float(peaks[at])


def _corners(problem: Problem) -> Watched:
    """Return the plants with every tolerance at one of its ends."""
    return Watched(problem, corner_envelope(problem.study, problem.points))


class Fine:
    """Cases that come near a limit, at closely spaced gas loads and setpoints, each made once.

    Parameters
    ----------
    problem : Problem
        What is sought.
    made : dict of str to Envelope
        Plants of the cases that were looked at already, by the cases' labels; more are added.
    within : callable, optional
        Which of the plants count; all if not given.
    """

    def __init__(
        self,
        problem: Problem,
        made: dict[str, Envelope],
        within: Callable[[EnvelopePlant], bool] = lambda plant: True,
    ) -> None:
        self.problem, self.made, self.within = problem, made, within
        self.seen: dict[str, Watched | None] = {}

    @property
    def count(self) -> int:
        """Number of plants."""
        return sum(len(one.plants) for one in self.seen.values() if one is not None)

    def breaking(
        self, cases: Sequence[Case], limits: LoopLimits, optimum: Optimum
    ) -> list[EnvelopePlant]:
        """Return plants of the cases that break limits most."""
        self._make([case for case in cases if case.label not in {*self.made, *self.seen}])
        joining = []
        for case in cases:
            if case.label not in self.seen:
                self.seen[case.label] = self._watched(case)
            watched = self.seen[case.label]
            if watched is not None:
                joining += watched.breaking(limits, optimum)
        return joining

    def _make(self, cases: Sequence[Case]) -> None:
        """Make the plants of cases, which is quicker for all of them at once."""
        if cases:
            found = fine_envelopes(self.problem.finely, cases)
            self.made |= {case.label: one for case, one in zip(cases, found, strict=True)}

    def _watched(self, case: Case) -> Watched | None:
        plants = tuple(plant for plant in self.made[case.label].plants if self.within(plant))
        return Watched(self.problem, Envelope(plants, ())) if plants else None


def _law(optimum: Optimum) -> tuple[float, Shape]:
    one = optimum.settings
    return one.kc, Shape(one.ti_s, one.td_s, one.tfd_s)
