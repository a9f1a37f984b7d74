"""A schedule as it is typed in: entries in the controller's language, margins of those numbers."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from chamberctl.control.duty_margins import worst_margins
from chamberctl.control.forms import from_typed, rounded, rounding_findings, to_typed
from chamberctl.control.gain_steps import GainSteps
from chamberctl.control.margins import each_margins

if TYPE_CHECKING:
    from chamberctl.control.controller import PidSettings
    from chamberctl.control.forms import TypedSettings
    from chamberctl.control.margins import LoopMargins
    from chamberctl.control.schedule_parts import GainSchedule, ScheduleEntry
    from chamberctl.findings import Finding
    from chamberctl.plant.linear import LoopModel
    from chamberctl.study import Study


@dataclass(frozen=True)
class TypedEntry:
    """One entry as it is typed in.

    Parameters
    ----------
    entry : ScheduleEntry
        Range, gains with all digits and what they are for.
    typed : TypedSettings
        All its settings in the controller's language, rounded to its decimals.
    settings : PidSettings
        Exact meaning in SI of the settings as typed in.
    unrounded : PidSettings
        The same with all digits.
    largest_ms : float
        Largest Ms of these over the plants of the entry [-]; nan where one is unstable.
    """

    entry: ScheduleEntry
    typed: TypedSettings
    settings: PidSettings
    unrounded: PidSettings
    largest_ms: float


@dataclass(frozen=True)
class ScheduledPoint:
    """A duty point under the schedule: its entry, the harder one of two, and its margins there."""

    where: str
    entry: int
    margins: LoopMargins


@dataclass(frozen=True)
class Scheduled:
    """A schedule as it is typed in.

    Parameters
    ----------
    schedule : GainSchedule
        As it was found.
    entries : tuple of TypedEntry
        In rising order of the key.
    points : tuple of ScheduledPoint
        In the order of the models that it was made with.
    worst : mapping of str to (float, int)
        Worst value of each margin and the point in `points` that has it.
    findings : tuple of Finding
        What rounding does to the entries.
    """

    schedule: GainSchedule
    entries: tuple[TypedEntry, ...]
    points: tuple[ScheduledPoint, ...]
    worst: Mapping[str, tuple[float, int]]
    findings: tuple[Finding, ...]

    @property
    def steps(self) -> GainSteps:
        """The schedule as it runs."""
        found = self.schedule
        return GainSteps(found.key, tuple(one.settings for one in self.entries), found.thresholds)


def scheduled(
    study: Study,
    schedule: GainSchedule,
    settings: Sequence[PidSettings],
    models: Sequence[LoopModel],
) -> Scheduled:
    """Type a schedule in and check it at the duty points.

    Parameters
    ----------
    study : Study
        System, duty and controller.
    schedule : GainSchedule
        What was found.
    settings : sequence of PidSettings
        Complete settings of each entry, with weight, ramp and tracking time.
    models : sequence of LoopModel
        Linear models of the duty points, with their labels.

    Returns
    -------
    Scheduled
        With the margins of the numbers as typed.

    Raises
    ------
    FormError
        If the controller's form cannot express an entry.
    """
    entries: list[TypedEntry] = []
    findings: list[Finding] = []
    for entry, one in zip(schedule.entries, settings, strict=True):
        exact = to_typed(one, study.controller, study.system.drive)
        typed = rounded(exact)
        said = rounding_findings(exact, typed)
        findings += said
        typed = exact if any(finding.severity == "no" for finding in said) else typed
        meant = from_typed(typed)
        plants = [plant.model for plant in entry.plants]
        peaks = [found.ms for found in each_margins(plants, meant)]
        entries.append(TypedEntry(entry, typed, meant, one, max(peaks, key=_unstable_first)))
    points = []
    for model in models:
        used = [i for i, entry in enumerate(schedule.entries) if model.where in entry.points]
        found = each_margins([model] * len(used), [entries[i].settings for i in used])
        index = max(range(len(used)), key=lambda i: _unstable_first(found[i].ms))
        points.append(ScheduledPoint(model.where, used[index], found[index]))
    return Scheduled(
        schedule=schedule,
        entries=tuple(entries),
        points=tuple(points),
        worst=worst_margins([point.margins for point in points]),
        findings=tuple(dict.fromkeys(findings)),
    )


def _unstable_first(ms: float) -> tuple[bool, float]:
    return ms != ms, ms
