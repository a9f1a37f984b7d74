"""Every scenario at every corner of the envelope: the days a loop is tried on."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from chamberctl.errors import Infeasible, InputError
from chamberctl.simulation.scenarios import SCENARIOS, Scenario, ScenarioRun, simulate

if TYPE_CHECKING:
    from chamberctl.control.tuned import Tuning
    from chamberctl.plant.point import OperatingPoint
    from chamberctl.study import Study


@dataclass(frozen=True)
class Day:
    """A scenario at a point.

    Parameters
    ----------
    scenario : Scenario
        What was to happen.
    point : OperatingPoint
        Where the loop holds.
    run : ScenarioRun or None
        The run; None where the scenario cannot happen here.
    refusal : str
        Why it cannot; empty where it was run.
    """

    scenario: Scenario
    point: OperatingPoint
    run: ScenarioRun | None
    refusal: str = ""

    @property
    def holds(self) -> bool:
        """Whether nothing about it says no: its limits are kept and no finding is a no."""
        if self.run is None:
            return True
        noes = [finding for finding in self.run.findings if finding.severity == "no"]
        return self.run.verdict.holds and not noes


def days(
    study: Study,
    tuning: Tuning,
    points: Iterable[OperatingPoint],
    names: Sequence[str] = tuple(SCENARIOS),
    *,
    seed: int | None = None,
    progress: Callable[[str], None] = lambda text: None,
) -> tuple[Day, ...]:
    """Run scenarios at points.

    Parameters
    ----------
    study : Study
        System, duty and controller.
    tuning : Tuning
        Settings to try.
    points : iterable of OperatingPoint
        Where the loop holds, such as `scenarios.corners(study)`.
    names : sequence of str
        Scenarios to run; all of them if not given.
    seed : int, optional
        Seed of the gauge's noise; no noise if not given.
    progress : callable, optional
        Told in a few words what begins.

    Returns
    -------
    tuple of Day
        Scenario by scenario, point by point; one that cannot happen is kept with its reason.
    """
    places, found = tuple(points), []
    for name in names:
        for point in places:
            progress(f"{name} at {point.where}" if point.where else name)
            found.append(_day(study, tuning, name, point, seed))
    return tuple(found)


def _day(study: Study, tuning: Tuning, name: str, point: OperatingPoint, seed: int | None) -> Day:
    scenario = SCENARIOS[name]
    try:
        return Day(scenario, point, simulate(study, tuning, name, point=point, seed=seed))
    except Infeasible as refusal:
        return Day(scenario, point, None, str(refusal))
    except InputError as error:  # such as a run far too long: which of them all, and whose words
        first = error.first
        raise InputError(
            first.remedy,
            given=first.given,
            field=f"scenario {name}: {first.field}",
            file=first.file or study.file,
        ) from error
