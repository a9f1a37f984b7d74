"""The range of a schedule's key in cells: which plants lie where, and where gains may switch.

A cell is as narrow as a threshold needs to be placed. A run of cells has the plants in them and
those in the next cell to either side that has any: settings hold beyond their thresholds, on both
sides of each.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import TYPE_CHECKING, Literal

import numpy as np
from numpy.typing import NDArray

from chamberctl.control.dense_envelope import hold_between
from chamberctl.control.envelope import EnvelopePlant, envelope, envelope_of
from chamberctl.control.tolerance_cases import Case, Cases
from chamberctl.control.tuning_findings import count_fraction
from chamberctl.plant.window import duty_points

if TYPE_CHECKING:
    from chamberctl.control.problem import Problem
    from chamberctl.study import Gauge, Study
    from chamberctl.study.loop import Hold

Key = Literal["reading", "output"]

WIDTH = 1.1
"""Largest ratio of neighboring cells: gains change by no more than this from one to the next where
they are proportional to the key."""

SIGMAS = 3.0
"""Noise beyond so many standard deviations is left out of account; one scan in 370 has more."""

LEAST_READING, LEAST_OUTPUT = 0.005, 0.005
"""Half of the least hysteresis, of the reading and of rated speed (assumed, because no reading and
no speed is steadier than that over a shift)."""


@dataclass(frozen=True)
class Cells:
    """Plants in the order of a key.

    Parameters
    ----------
    key : {"reading", "output"}
        Indicated pressure, or the loop's output.
    edges : array
        Inner edges of the cells, rising [Pa or speed fraction].
    plants : tuple of EnvelopePlant
        All plants.
    cell : int array
        Cell that each lies in.
    ends : tuple of int
        Cells after which gains may switch: not within the hold band of a setpoint, and not at the
        speed of a duty point.
    """

    key: Key
    edges: NDArray[np.float64]
    plants: tuple[EnvelopePlant, ...]
    cell: NDArray[np.int64]
    ends: tuple[int, ...]

    @property
    def count(self) -> int:
        """How many cells there are."""
        return self.edges.size + 1

    def within(self, first: int, after: int) -> list[int]:
        """Return the plants in a run of cells and beside it."""
        used = np.unique(self.cell)
        low = max((c for c in used if c < first), default=first)
        high = min((c for c in used if c >= after), default=after - 1)
        return [int(i) for i in np.flatnonzero((self.cell >= low) & (self.cell <= high))]

    def points(self, first: int, after: int) -> list[str]:
        """Return the operating points that lie in a run of cells, as stated or within tolerance."""
        inside = np.flatnonzero((self.cell >= first) & (self.cell < after))
        return list(dict.fromkeys(self.plants[int(i)].at for i in inside))

    def span(self, first: int, after: int) -> tuple[float, float]:
        """Return where a run begins and ends [Pa or speed fraction]; 0 and inf: held at the end."""
        low = float(self.edges[first - 1]) if first > 0 else 0.0
        high = float(self.edges[after - 1]) if after < self.count else math.inf
        return low, high

    def joined(self, more: Sequence[EnvelopePlant]) -> Cells:
        """Return the cells with more plants."""
        plants = (*self.plants, *more)
        return replace(self, plants=plants, cell=_cell_of(self.edges, self.key, plants))


def key_of(plant: EnvelopePlant, key: Key) -> float:
    """Return where a plant lies [Pa or speed fraction].

    Parameters
    ----------
    plant : EnvelopePlant
    key : {"reading", "output"}
    """
    return plant.model.reading_pa if key == "reading" else plant.speed


def cells(problem: Problem, key: Key) -> Cells:
    """Return the plants of a study over a key.

    Parameters
    ----------
    problem : Problem
        Study and duty points.
    key : {"reading", "output"}
        Indicated pressure, or the loop's output.

    Returns
    -------
    Cells
        The envelope of the duty and, between its setpoints, plants as stated and with everything
        that makes a loop hard or easy.
    """
    study, duty = problem.study, envelope(problem.study, problem.points).plants
    inner: tuple[EnvelopePlant, ...] = ()
    if key == "reading":
        between = _between_setpoints(study)
        if between is not None:
            found = envelope_of(between, duty_points(between), _hard(between))
            inner = found.plants
    else:
        between, points = problem.between
        inner = envelope_of(between, points, _hard(between)).plants
    plants = (*duty, *inner)
    at = np.array([key_of(plant, key) for plant in plants])
    stated = {plant.at: key_of(plant, key) for plant in duty if not plant.case.label}
    if key == "reading":
        levels = np.unique(np.round(np.log(at), 9))
        edges = np.exp(0.5 * (levels[1:] + levels[:-1]))
        room = [_room(study, edge, stated.values()) for edge in edges]
    else:
        steps = max(1, math.ceil(math.log(at.max() / at.min()) / math.log(WIDTH)))
        edges = np.geomspace(at.min(), at.max(), steps + 1)[1:-1]
        least = LEAST_OUTPUT + study.system.drive.resolution
        room = [all(abs(edge - speed) > least for speed in stated.values()) for edge in edges]
    ends = tuple(index + 1 for index, free in enumerate(room) if free)
    return Cells(key, edges, plants, _cell_of(edges, key, plants), ends)


def reading_half_width(gauge: Gauge, at_pa: float) -> float:
    """Return half the hysteresis of a threshold in the reading [fraction of reading].

    Parameters
    ----------
    gauge : Gauge
        The loop's gauge: noise, range and bits.
    at_pa : float
        The threshold [Pa].
    """
    return max(SIGMAS * gauge.noise + count_fraction(gauge, at_pa), LEAST_READING)


def _room(study: Study, edge: float, setpoints: Iterable[float]) -> bool:
    """Whether a threshold keeps clear of the hold band of every setpoint."""
    clear = study.duty.hold_band + reading_half_width(study.loop_gauge(), edge)
    return all(abs(edge / setpoint - 1.0) > clear for setpoint in setpoints)


def _cell_of(
    edges: NDArray[np.float64], key: Key, plants: Sequence[EnvelopePlant]
) -> NDArray[np.int64]:
    at = np.array([key_of(plant, key) for plant in plants])
    return np.searchsorted(edges, at).astype(np.int64)


def _hard(study: Study) -> list[Case]:
    """Return a study as stated, and with all at once that makes its loop hard or easy."""
    return [case for case in Cases(study).tuned_for() if len(case.ends) != 1]


def _between_setpoints(study: Study) -> Study | None:
    """Return a study with holds between those of a duty, a cell apart; None if there are none."""
    ranked = sorted(study.duty.holds, key=lambda hold: hold.setpoint_pa)
    holds: list[Hold] = []
    for low, high in pairwise(ranked):
        ratio = high.setpoint_pa / low.setpoint_pa
        half = reading_half_width(study.loop_gauge(), low.setpoint_pa)
        width = max(WIDTH, (1.0 + half) / max(1.0 - half, 0.1))
        steps = max(math.ceil(math.log(ratio) / math.log(width)), 1)
        holds += [hold_between(low, high, step / steps) for step in range(1, steps)]
    if not holds:
        return None
    duty = study.duty.model_copy(update={"holds": tuple(holds)})
    return study.model_copy(update={"duty": duty})
