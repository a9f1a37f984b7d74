"""The result of tuning: settings as typed in, and their margins over the whole duty."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from chamberctl.control.controller import PidSettings
    from chamberctl.control.designs import Design
    from chamberctl.control.forms import TypedSettings
    from chamberctl.control.gain_steps import GainSteps
    from chamberctl.control.margins import LoopMargins
    from chamberctl.control.notations import Notations
    from chamberctl.control.rules import ReducedModel
    from chamberctl.control.scheduled import Scheduled
    from chamberctl.findings import Finding
    from chamberctl.plant.linear import LoopModel
    from chamberctl.plant.point import OperatingPoint
    from chamberctl.study import Study


@dataclass(frozen=True)
class TunedPoint:
    """A duty point: its linear model, the settings in force there as typed in, their margins."""

    point: OperatingPoint
    model: LoopModel
    margins: LoopMargins
    settings: PidSettings

    @property
    def where(self) -> str:
        """Label of the duty point."""
        return self.point.where


@dataclass(frozen=True)
class Tuning:
    """Settings, how they are typed in, and their margins over the whole duty.

    Parameters
    ----------
    study : Study
        What was tuned.
    settings : PidSettings
        Exact meaning in SI of the settings as typed in; with a schedule those in force at the
        design point.
    design : Design
        What was typed in: settings with all digits, and how they came about.
    typed : TypedSettings
        The settings in the controller's language, rounded to its decimals.
    notations : Notations
        The settings in every common notation.
    points : tuple of TunedPoint
        Every duty point where there is a loop, with the settings in force there: of a schedule the
        entry for the point, the one with the larger Ms where it may be in either of two.
    unrounded_points_margins : tuple of LoopMargins
        Margins of the settings with all digits, at the same points.
    refused : tuple of OperatingPoint
        Duty points without steady state, or where speed does not act; they have no margins.
    reduced : tuple of ReducedModel
        Reduced model of every point in `points`, all delays included.
    worst : mapping of str to (float, int)
        Worst value of each margin and the point in `points` that has it; nan where a loop is
        unstable.
    holds : bool
        Whether every duty point has a stable loop within the duty's limits, and nothing found
        says no.
    findings : tuple of Finding
    gain_spread : mapping of {"log10", "linear"} to float
        Largest over smallest fast gain of the loop over `points`, for both readings.
    start_output : float
        Output to start from [speed fraction].
    check_steps : tuple of str
        The manual check of the loop's sign.
    log_form_costs : tuple of str
        What a log10 reading costs here.
    schedule : Scheduled or None
        Gains by reading or output, where the study asks for them and one set is not enough. Then
        the schedule is what is proposed: margins, findings and `holds` are of it, and `settings`,
        `typed` and `notations` are one of its entries, in force at the design point.
    one_set : Tuning or None
        The best one set for the whole duty, which a schedule is compared with; None without a
        schedule, and where no one set keeps the limits.
    """

    study: Study
    settings: PidSettings
    design: Design
    typed: TypedSettings
    notations: Notations
    points: tuple[TunedPoint, ...]
    unrounded_points_margins: tuple[LoopMargins, ...]
    refused: tuple[OperatingPoint, ...]
    reduced: tuple[ReducedModel, ...]
    worst: Mapping[str, tuple[float, int]]
    holds: bool
    findings: tuple[Finding, ...]
    gain_spread: Mapping[Literal["log10", "linear"], float]
    start_output: float
    check_steps: tuple[str, ...]
    log_form_costs: tuple[str, ...]
    schedule: Scheduled | None = None
    one_set: Tuning | None = None

    @property
    def runs(self) -> PidSettings | GainSteps:
        """What the controller runs: the schedule where there is one, or the one set."""
        return self.settings if self.schedule is None else self.schedule.steps

    @property
    def duty_points(self) -> tuple[OperatingPoint, ...]:
        """Every point of the duty in its order, with and without a loop."""
        known = {point.where: point for point in (*self.refused, *(p.point for p in self.points))}
        return tuple(known[where] for _, _, where in self.study.duty_points())

    @property
    def unrounded(self) -> PidSettings:
        """The settings with all digits."""
        return self.design.settings

    @property
    def design_index(self) -> int:
        """The point in `points` that the gains come from."""
        return self.design.index

    @property
    def tau_c_s(self) -> float:
        """Closed-loop time constant there [s]."""
        return self.design.tau_c_s

    @property
    def why(self) -> tuple[str, ...]:
        """How the settings came about."""
        return self.design.why
