"""The shape of the law with the largest integral action: everywhere first, then around the best.

Integral action as a function of Ti (and Td) has kinks where another limit takes over, jumps where a
gap of allowed gains closes, and sometimes several maxima. So no slopes are used: a grid over all
times that matter, and finer grids around each of its best maxima.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Generator, Iterator, Sequence
from dataclasses import dataclass
from itertools import product

PER_DECADE = 14
"""Integral times per decade of the first grid."""

SHARES = (0.0, 0.03, 0.06, 0.09, 0.12, 0.15, 0.18, 0.21, 0.25)
"""First grid of the derivative time, as shares of the integral time."""

CANDIDATES, WORTH = 4, 0.8
"""So many maxima are looked at closely, if they reach this share of the best."""

MOST_BEYOND = 3 * PER_DECADE
"""The first grid goes on at its ends, but not for ever."""

MOST_STEPS = 4
"""A finer search goes at most so many steps of the first grid away from its start."""

FLAT = 1e-3
"""Towards short integral times the law becomes pure integral action and the height stays."""

SLACK = 1e-3
"""A height found before plants joined bounds the one now, but for this share by rounding and by
straight lines between frequencies."""

Heights = Callable[[Sequence[tuple[float, float]]], Sequence[float]]
"""Integral action at many pairs of ln Ti and Td/Ti; 0 where nothing is allowed."""


@dataclass(frozen=True)
class Place:
    """A point of the search: ln Ti, Td/Ti, and the integral action there."""

    log_ti: float
    share: float
    height: float


class ShapeSearch:
    """The first grid, kept while plants join: what was found before they did is an upper bound.

    Parameters
    ----------
    shortest_ti_s, longest_ti_s : float
        Integral times between which the search begins [s]; it goes on where the best is at an end.
    shares : sequence of float
        Td/Ti of the grid, ascending; 0 alone for PI.
    falling : bool
        Whether heights only fall as plants and frequencies join. Under limits on crossings they may
        rise: the straight line between two frequencies crosses where the curve does not.
    """

    def __init__(
        self,
        shortest_ti_s: float,
        longest_ti_s: float,
        shares: Sequence[float],
        *,
        falling: bool = True,
    ) -> None:
        self.falling = falling
        decades = math.log10(longest_ti_s / shortest_ti_s)
        self.shares = tuple(shares)
        self.step = math.log(10.0) / PER_DECADE
        self.origin = math.log(shortest_ti_s)
        self.bounds: dict[tuple[int, int], float] = {}
        self.known: set[tuple[int, int]] = set()
        self.before: dict[tuple[float, float], float] = {}
        self.first, self.last = 0, math.ceil(decades * PER_DECADE)
        self.most = self.last + MOST_BEYOND

    def lowered(self) -> None:
        """Note that plants or frequencies have joined: heights may have become lower, or others."""
        self.known.clear()
        if not self.falling:
            self.bounds.clear()
            self.before.clear()

    def bounded(self, heights: Heights) -> None:
        """Bound the heights of the grid by those of some of the plants."""
        self._fill(heights)
        self.lowered()

    def candidates(self, heights: Heights) -> list[Place]:
        """Return the best maxima of the grid, best first."""
        self._fill(heights)
        while True:
            best = max(self.bounds, key=self.bounds.__getitem__)
            if self.last - self.first > self.most or not self._goes_on(best):
                break
            self.first -= best[0] == self.first
            self.last += best[0] == self.last
            self._fill(heights)
        top = self.bounds[best]
        found = [
            cell
            for cell, value in self.bounds.items()
            if value > 0.0 and value >= WORTH * top and value >= max(self._around(cell))
        ]
        found.sort(key=lambda cell: (-self.bounds[cell], cell))
        return [self._place(cell, self.bounds[cell]) for cell in found[:CANDIDATES]]

    def _fill(self, heights: Heights) -> None:
        """Find the heights of all cells that may reach WORTH of the best."""
        for cell in product(range(self.first, self.last + 1), range(len(self.shares))):
            self.bounds.setdefault(cell, math.inf)
        while True:
            top = max(self.bounds.values())
            open_cells = [
                cell
                for cell, bound in self.bounds.items()
                if bound > 0.0 and bound >= WORTH * top and cell not in self.known
            ]
            if not open_cells:
                return
            places = [self._place(cell, 0.0) for cell in open_cells]
            found = heights([(place.log_ti, place.share) for place in places])
            self.bounds.update(zip(open_cells, found, strict=True))
            self.known.update(open_cells)

    def _goes_on(self, best: tuple[int, int]) -> bool:
        """Tell a maximum beyond an end from the flat end of pure integral action."""
        if best[0] == self.first:
            inner = (best[0] + 1, best[1])
            return self.bounds[best] > self.bounds[inner] * (1.0 + FLAT)
        return best[0] == self.last and self.bounds[best] > 0.0

    def _around(self, cell: tuple[int, int]) -> Iterator[float]:
        for i, j in product((-1, 0, 1), repeat=2):
            yield self.bounds.get((cell[0] + i, cell[1] + j), 0.0)

    def _place(self, cell: tuple[int, int], height: float) -> Place:
        return Place(self.origin + cell[0] * self.step, self.shares[cell[1]], height)

    @property
    def share_step(self) -> float:
        """Widest step of Td/Ti in the grid; 0 for PI."""
        pairs = zip(self.shares, self.shares[1:], strict=False)
        return max((right - left for left, right in pairs), default=0.0)

    def closer(
        self, heights: Heights, starts: Sequence[Place], first: float, last: float
    ) -> list[Place]:
        """Return the best place near each start, by grids that become finer around their best.

        A grid whose best point lies off its middle moves before it becomes finer.

        Parameters
        ----------
        heights : callable
            What is sought the maximum of.
        starts : sequence of Place
            Where to begin.
        first, last : float
            First and last step, in steps of the first grid.
        """
        best = list(starts)
        climbs = [self._climb(start, first, last) for start in starts]
        asked = {i: next(climb) for i, climb in enumerate(climbs)}
        while asked:
            found = iter(heights([point for points in asked.values() for point in points]))
            following = {}
            for i, points in asked.items():
                told = [next(found) for _ in points]
                self.before.update(zip(points, told, strict=True))
                try:
                    following[i] = climbs[i].send(told)
                except StopIteration as end:
                    best[i] = end.value
            asked = following
        return best

    def _climb(
        self, start: Place, first: float, last: float
    ) -> Generator[list[tuple[float, float]], list[float], Place]:
        """Ask for heights at points around the best place so far; return the best in the end."""
        seen: dict[tuple[int, int], float] = {}
        unit = last * self.step, last * self.share_step
        best, size = start, 2 ** max(0, math.ceil(math.log2(first / last)))
        middle = target = (0, 0)
        while size >= 1:
            points: dict[tuple[int, int], tuple[float, float]] = {}
            for i, j in product((-2, -1, 0, 1, 2), (-2, -1, 0, 1, 2) if unit[1] else (0,)):
                cell = (middle[0] + i * size, middle[1] + j * size)
                if cell in seen or cell == (0, 0):
                    continue
                point = start.log_ti + cell[0] * unit[0], start.share + cell[1] * unit[1]
                away = abs(cell[0]) * last > MOST_STEPS
                if away or not 0.0 <= point[1] <= self.shares[-1]:
                    seen[cell] = 0.0
                    continue
                seen[cell] = self.before.get(point, math.inf)
                if seen[cell] * (1.0 + SLACK) > best.height:
                    points[cell] = point
            found = yield list(points.values())
            for (cell, point), height in zip(points.items(), found, strict=True):
                seen[cell] = height
                if height > best.height:
                    best, target = Place(*point, height), cell
            if best.height > seen.get(middle, start.height):
                middle = target
            else:
                size //= 2
        return best
