"""A scenario that was tried: what the command `simulate` shows and writes."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from chamberctl.report.behavior_text import label

if TYPE_CHECKING:
    from chamberctl.simulation.days import Day
    from chamberctl.simulation.runs import MonteCarlo
    from chamberctl.simulation.scenarios import ScenarioRun
    from chamberctl.study import Study


@dataclass
class Tried:
    """A scenario at a point, and its draws where they were asked for.

    Parameters
    ----------
    day : Day
        The run as described, or why it cannot happen.
    stem : str
        How the names of its files begin.
    draws : MonteCarlo or None
        Many draws.
    worst : ScenarioRun or None
        The worst of them, once more.
    files : list of Path
        What was written.
    """

    day: Day
    stem: str
    draws: MonteCarlo | None = None
    worst: ScenarioRun | None = None
    files: list[Path] = field(default_factory=list)

    @property
    def good(self) -> bool:
        """Whether it keeps the duty's limits, in all draws where there are any."""
        if self.draws is None:
            return self.day.holds
        measures = [run.measures["holds"] for run in self.draws.runs]
        return self.day.holds and 0.0 not in measures and not self.draws.failures


def title_of(study: Study, day: Day) -> str:
    """Return what was tried and where, as a heading."""
    where = label(study, day.point.where)
    return f"{day.scenario.title} at point {where} ({day.point.where})"
