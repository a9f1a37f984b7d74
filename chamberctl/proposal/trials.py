"""Short trials of settings on the nonlinear plant, for what no margin sees."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from chamberctl.errors import Infeasible
from chamberctl.simulation.scenarios import simulate
from chamberctl.workers import Piece, desk, results

if TYPE_CHECKING:
    from chamberctl.control.controller import PidSettings
    from chamberctl.plant.point import OperatingPoint
    from chamberctl.study import Study

SETPOINT_STEPS = ("setpoint-step-up", "setpoint-step-down")
HAND_OVERS = ("pump-down", "return-from-standby", "speed-override")


@dataclass(frozen=True)
class Trial:
    """One scenario at one point with one set of settings.

    Parameters
    ----------
    scenario : str
    point : OperatingPoint
    passed : float
        How far the indicated pressure went past the setpoint, to either side, after it was first
        reached [fraction of setpoint]; 0 where it was not reached before the run ended.
    settling_s : float
        Until the last exit from the hold band [s].
    """

    scenario: str
    point: OperatingPoint
    passed: float
    settling_s: float


Place = tuple[str, int]
"""Name of a scenario, and number of a point."""


class Trials:
    """Trials on one plant. None is run twice, and those asked for together are shared out.

    Parameters
    ----------
    study : Study
        System, duty and controller.
    points : sequence of OperatingPoint
        Where the loop holds.
    """

    def __init__(self, study: Study, points: Sequence[OperatingPoint]) -> None:
        self._study, self._points = study, tuple(points)
        self._run: dict[tuple[PidSettings, Place], Piece[Trial | None]] = {}

    def places(self, scenarios: Iterable[str]) -> list[Place]:
        """Return scenarios at every point."""
        return [(name, point) for name in scenarios for point in range(len(self._points))]

    def of(self, settings: PidSettings, places: Iterable[Place]) -> dict[Place, Trial]:
        """Try settings at places, without those at which a scenario cannot happen.

        Parameters
        ----------
        settings : PidSettings
            What to try.
        places : iterable of Place
            Which scenarios at which points.
        """
        pieces = {place: self._piece(settings, place) for place in places}
        found = zip(pieces, results(pieces.values()), strict=True)
        return {place: trial for place, trial in found if trial is not None}

    def worst(self, settings: PidSettings, scenarios: Iterable[str]) -> Trial:
        """Return the trial at every point that went furthest past the setpoint."""
        return worst(self.of(settings, self.places(scenarios)).values())

    def _piece(self, settings: PidSettings, place: Place) -> Piece[Trial | None]:
        key = settings, place
        if key not in self._run:
            name, number = place
            self._run[key] = desk().lay_down(
                _trial, self._study, settings, name, self._points[number], urgent=True
            )
        return self._run[key]


def worst(found: Iterable[Trial]) -> Trial:
    """Return the trial that went furthest past the setpoint."""
    return max(found, key=lambda trial: trial.passed)


def _trial(study: Study, settings: PidSettings, name: str, point: OperatingPoint) -> Trial | None:
    try:
        metrics = simulate(study, settings, name, point=point).metrics
    except Infeasible:
        return None
    sizes = [metrics.overshoot, metrics.undershoot]
    passed = max((size for size in sizes if not math.isnan(size)), default=0.0)
    return Trial(name, point, passed, metrics.settling_s)
