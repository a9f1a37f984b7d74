"""Short trials of settings on the nonlinear plant, for what no margin sees."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from chamberctl.errors import Infeasible
from chamberctl.simulation.scenarios import simulate

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


def trials(
    study: Study,
    settings: PidSettings,
    scenarios: Iterable[str],
    points: Sequence[OperatingPoint],
) -> tuple[Trial, ...]:
    """Run scenarios at points.

    Parameters
    ----------
    study : Study
        System, duty and controller.
    settings : PidSettings
        What to try.
    scenarios : iterable of str
        Names in `simulation.scenarios.SCENARIOS`.
    points : sequence of OperatingPoint
        Where the loop holds.

    Returns
    -------
    tuple of Trial
        Without those that cannot happen to this plant.
    """
    return tuple(
        found
        for name in scenarios
        for point in points
        if (found := _trial(study, settings, name, point)) is not None
    )


def worst(found: Sequence[Trial]) -> Trial:
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
