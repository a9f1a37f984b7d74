"""The loops of a duty: linear models of its points, and what a study fixes of the settings."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

from chamberctl.control.controller import PidSettings
from chamberctl.control.rules import ReducedModel, reduce_loop
from chamberctl.errors import Infeasible
from chamberctl.plant.linearize import linearize
from chamberctl.plant.window import duty_points, loop_gauge

if TYPE_CHECKING:
    from chamberctl.plant.linear import LoopModel
    from chamberctl.plant.point import OperatingPoint
    from chamberctl.study import Study


class DutyLoop(NamedTuple):
    """A duty point where speed acts.

    Parameters
    ----------
    point : OperatingPoint
    model : LoopModel
    reduced : ReducedModel
        All that lies in the loop but the law, as one lag and a delay.
    """

    point: OperatingPoint
    model: LoopModel
    reduced: ReducedModel

    @property
    def hardness(self) -> float:
        """Gain times delay over lag [reading per speed fraction]."""
        model = self.reduced
        lag = 1.0 if model.integrating else model.lag1_s
        return abs(model.gain) * model.dead_time_s / lag


class RefusedPoint(NamedTuple):
    """A duty point without a loop, and why there is none.

    Parameters
    ----------
    point : OperatingPoint
    reason : str
    """

    point: OperatingPoint
    reason: str


@dataclass(frozen=True)
class DutyLoops:
    """All duty points of a study, those with a loop and those without.

    Parameters
    ----------
    study : Study
    duty : tuple of OperatingPoint
        Every duty point, in the study's order.
    loops : tuple of DutyLoop
        At least one.
    refused : tuple of RefusedPoint
    """

    study: Study
    duty: tuple[OperatingPoint, ...]
    loops: tuple[DutyLoop, ...]
    refused: tuple[RefusedPoint, ...]

    @property
    def models(self) -> list[LoopModel]:
        """Linear model of every loop."""
        return [loop.model for loop in self.loops]

    @property
    def points(self) -> list[OperatingPoint]:
        """Duty point of every loop."""
        return [loop.point for loop in self.loops]


def duty_loops(study: Study, duty: Sequence[OperatingPoint] | None = None) -> DutyLoops:
    """Return the loops of a study's duty.

    Parameters
    ----------
    study : Study
        System, duty and controller.
    duty : sequence of OperatingPoint, optional
        The study's duty points from `duty_points`, where they are known already.

    Returns
    -------
    DutyLoops
        In the order of the duty.

    Raises
    ------
    Infeasible
        If no duty point has a steady state where speed acts.
    """
    points = duty_points(study) if duty is None else tuple(duty)
    gauge, frame = loop_gauge(study), settings_frame(study)
    loops, refused = [], []
    for point in points:
        try:
            model = linearize(study.system, point, gauge)
            reduced = reduce_loop(model, frame)
        except Infeasible as error:
            refused.append(RefusedPoint(point, str(error)))
            continue
        if reduced.gain < 0.0:
            loops.append(DutyLoop(point, model, reduced))
        else:
            refused.append(
                RefusedPoint(
                    point,
                    "More speed does not lower the reading here: the plant has the wrong sign. "
                    "Check the gauge's position and the map from output to speeds.",
                )
            )
    if not loops:
        reasons = " ".join(f"{point.where}: {reason}" for point, reason in refused)
        nearest = " ".join(dict.fromkeys(point.nearest for point in points if point.nearest))
        raise Infeasible(f"No duty point can be held by speed. {reasons}", nearest)
    return DutyLoops(study, points, tuple(loops), tuple(refused))


def settings_frame(study: Study) -> PidSettings:
    """Return what the study fixes of the settings: all but the gains, filters and weights.

    Parameters
    ----------
    study : Study

    Returns
    -------
    PidSettings
        With gain 1, to put the gains into.
    """
    controller, drive = study.controller, study.system.drive
    low, high = controller.output_min, controller.output_max
    return PidSettings(
        kc=1.0,
        reading=controller.reading,
        scan_time_s=controller.scan_time_s,
        computation_delay_s=controller.computation_delay_s,
        integral="before" if controller.integral == "before" else "after",
        output_min=drive.minimum_speed if low is None else low,
        output_max=drive.maximum_speed if high is None else high,
    )
