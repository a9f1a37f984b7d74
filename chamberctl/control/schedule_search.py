"""The search for as few entries of a schedule as leave every duty point its share."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import pairwise
from typing import TYPE_CHECKING

from chamberctl.control.dense_check import ROUNDS, Fine, Watched
from chamberctl.control.dense_envelope import corner_envelope
from chamberctl.control.envelope import Envelope
from chamberctl.control.fewest import fewest_runs
from chamberctl.control.optimum import optimum_of
from chamberctl.control.pace import LIMIT_WORDS
from chamberctl.control.schedule_cells import WIDTH, Cells, Key, cells, key_of
from chamberctl.control.schedule_parts import ScheduleEntry
from chamberctl.display import number
from chamberctl.errors import Infeasible

if TYPE_CHECKING:
    from chamberctl.control.envelope import EnvelopePlant
    from chamberctl.control.finder import Finder
    from chamberctl.control.optimum import Optimum
    from chamberctl.control.pace import LoopLimits
    from chamberctl.control.problem import Problem

HALVINGS = 5
"""Halvings in which thresholds are placed so that the least share is as large as it can be."""


def fewest_entries(
    problem: Problem, limits: LoopLimits, key: Key, alone: Mapping[str, float], least_share: float
) -> list[ScheduleEntry]:
    """Return as few entries as leave each point its share, anew where a check changes that.

    Parameters
    ----------
    problem : Problem
        Study and duty points.
    limits : LoopLimits
        What every plant keeps.
    key : {"reading", "output"}
        What chooses the entry.
    alone : mapping of str to float
        Integral action that each duty point could have alone.
    least_share : float
        Share of it that the point keeps [-].

    Raises
    ------
    Infeasible
        If no number of entries does.
    """
    every = cells(problem, key)
    for _ in range(ROUNDS):
        search = Search(problem, every, limits, alone)
        entries, joined = search.entries(least_share)
        if not joined:
            return entries
        every = every.joined(joined)
    raise Infeasible(
        f"The plants between those that were tuned for change the entries after {ROUNDS} rounds.",
        "Allow a larger Ms, or narrow the tolerances.",
    )


def enough(integral_action: float, alone: Mapping[str, float], share: float) -> bool:
    """Return whether every point has its share of what it could have alone.

    Parameters
    ----------
    integral_action : float
        What it has.
    alone : mapping of str to float
        What each could have.
    share : float
        The share [-].
    """
    return all(integral_action >= share * most for most in alone.values())


class Search:
    """Integral action of runs of cells, each found once.

    Parameters
    ----------
    problem : Problem
        Study and duty points.
    every : Cells
        The plants over the key.
    limits : LoopLimits
        What every plant keeps.
    alone : mapping of str to float
        Integral action that each duty point could have alone.
    """

    def __init__(
        self, problem: Problem, every: Cells, limits: LoopLimits, alone: Mapping[str, float]
    ) -> None:
        self.problem, self.every, self.limits, self.alone = problem, every, limits, alone
        self.finder: Finder = problem.finder(every.plants)
        self.found: dict[tuple[int, int], float] = {}
        self.fine: dict[str, Envelope] = {}

    def integral_action(self, first: int, after: int) -> float:
        """Return the most integral action of a run of cells; 0 where no gain keeps the limits."""
        run = first, after
        if run not in self.found:
            part = self.finder.only(self.every.within(first, after))
            try:
                self.found[run] = part.solve(self.limits).integral_action
            except Infeasible:
                self.found[run] = 0.0
        return self.found[run]

    def points(self, first: int, after: int) -> list[str]:
        """Return the duty points in a run of cells."""
        return [name for name in self.every.points(first, after) if name in self.alone]

    def divided(self, share: float) -> tuple[int, ...] | None:
        """Return the cells after which entries end, as few as leave each point a share."""

        def good(first: int, after: int) -> bool:
            need = max((share * self.alone[p] for p in self.points(first, after)), default=0.0)
            for (i, j), most in self.found.items():
                # part of what is good is good, and what has a bad part is bad
                if i <= first and after <= j and most >= need and most > 0.0:
                    return True
                if first <= i and j <= after and (most < need or most == 0.0):
                    return False
            most = self.integral_action(first, after)
            return most > 0.0 and most >= need

        return fewest_runs(self.every.count, self.every.ends, good)

    def entries(self, least_share: float) -> tuple[list[ScheduleEntry], list[EnvelopePlant]]:
        """Return the entries, and plants for which others have to be sought."""
        ends = self.divided(least_share)
        if ends is None:
            raise self._why_none(least_share)
        low, high = least_share, 1.0
        for _ in range(HALVINGS if len(ends) > 1 else 0):
            middle = 0.5 * (low + high)
            better = self.divided(middle)
            if better is not None and len(better) == len(ends):
                low, ends = middle, better
            else:
                high = middle
        entries, joined = [], []
        dense = self.problem.dense
        corners = corner_envelope(self.problem.study, self.problem.points)
        for first, after in pairwise((0, *ends)):
            names = self.points(first, after)
            one, more = self._entry(first, after, names, dense.plants, corners.plants)
            entries.append(one)
            if not enough(one.integral_action, {p: self.alone[p] for p in names}, least_share):
                joined += more
        return entries, joined

    def _why_none(self, share: float) -> Infeasible:
        """Say which duty points no number of entries tells apart, or where no gain does."""
        other = "output" if self.every.key == "reading" else "reading"
        for first, after in pairwise((0, *self.every.ends, self.every.count)):
            most, names = self.integral_action(first, after), self.points(first, after)
            if most == 0.0:
                break
            short = [name for name in names if most < share * self.alone[name]]
            if short:
                beside = {self.every.plants[i].at for i in self.every.within(first, after)}
                others = [name for name in self.alone if name in beside and name not in short]
                others = others or ["what lies around it"]
                return Infeasible(
                    f"However many entries it has, a schedule over the {self.every.key} leaves "
                    f"{', '.join(short)} less than {number(100.0 * share)} % of the integral "
                    f"action that it could have alone: the {self.every.key} does not tell it from "
                    f"{', '.join(others)}.",
                    f"Schedule over the {other}, or do with one set of gains.",
                )
        return Infeasible(
            "No gains keep the limits at some step of the way through the duty.",
            "Allow a larger Ms, or narrow the tolerances.",
        )

    def _entry(
        self,
        first: int,
        after: int,
        points: Sequence[str],
        dense: Sequence[EnvelopePlant],
        corners: Sequence[EnvelopePlant],
    ) -> tuple[ScheduleEntry, list[EnvelopePlant]]:
        """Return the entry of a run of cells, and plants that joined in its denser check."""
        low, high = self.every.span(first, after)
        # gains stay in force up to the far side of each hysteresis, within the next cell
        least, most = low / WIDTH, high * WIDTH
        inside = [_inside(many, self.every.key, least, most) for many in (dense, corners)]
        watched = [Watched(self.problem, Envelope(one, ())) if one else None for one in inside]
        own = [self.every.plants[i] for i in self.every.within(first, after)]
        fine = Fine(
            self.problem, self.fine, lambda plant: least <= key_of(plant, self.every.key) <= most
        )
        joined: list[EnvelopePlant] = []
        for _ in range(ROUNDS):
            plants = (*own, *joined)
            optimum = optimum_of(self.problem.finder(plants), self.limits)
            more: list[EnvelopePlant] = []
            if watched[0] is not None:
                more += watched[0].breaking(self.limits, optimum)
            if watched[1] is not None:
                more += [inside[1][i] for i in watched[1].unstable(optimum)[:1]]
            if not more and watched[0] is not None:
                near = watched[0].close(self.limits, optimum)
                more += fine.breaking(near, self.limits, optimum)
            if not more:
                why = _why(optimum, plants, points)
                return _entry_of(low, high, optimum, plants, points, why), joined
            joined += more
        raise Infeasible(
            f"Between the plants tuned for, the limits do not hold after {ROUNDS} rounds.",
            "Allow a larger Ms, or narrow the tolerances.",
        )


def _inside(
    plants: Sequence[EnvelopePlant], key: Key, low: float, high: float
) -> tuple[EnvelopePlant, ...]:
    return tuple(plant for plant in plants if low <= key_of(plant, key) <= high)


def _entry_of(
    low: float,
    high: float,
    optimum: Optimum,
    plants: tuple[EnvelopePlant, ...],
    points: Sequence[str],
    why: str,
) -> ScheduleEntry:
    return ScheduleEntry(
        low=low,
        high=high,
        settings=optimum.settings,
        integral_action=optimum.integral_action,
        plants=plants,
        margins=optimum.margins,
        noise_gain=optimum.noise_gain,
        points=tuple(points),
        why=why,
    )


def _why(optimum: Optimum, plants: Sequence[EnvelopePlant], points: Sequence[str]) -> str:
    what = f"For {', '.join(points)}" if points else "For the way between duty points"
    ends = "; ".join(
        f"{LIMIT_WORDS[one.limit]} at {plants[one.plant].where}" for one in optimum.bindings[:1]
    )
    return f"{what}: {len(plants)} plants in and beside the range; ends where {ends} binds."
