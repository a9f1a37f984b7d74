"""What is sought: a study, its duty points, the law's structure and what is given of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING

from chamberctl.control.dense_envelope import FINE, between_study, dense_envelope
from chamberctl.control.finder import Finder, Order, Structure
from chamberctl.control.pace import LoopLimits
from chamberctl.plant.window import duty_points

if TYPE_CHECKING:
    from chamberctl.control.controller import PidSettings
    from chamberctl.control.envelope import Envelope, EnvelopePlant
    from chamberctl.plant.point import OperatingPoint
    from chamberctl.study import Study


def limits_of(study: Study, ms: float) -> LoopLimits:
    """Return the limits of one Ms with all that the duty of a study asks for.

    Parameters
    ----------
    study : Study
    ms : float
        Largest Ms, and largest Mt [-].
    """
    return LoopLimits.of_peak(ms).within(study.duty.limits)


@dataclass(frozen=True)
class Problem:
    """A study to be tuned.

    Parameters
    ----------
    study : Study
        System, duty and controller.
    points : tuple of OperatingPoint
        Its duty points.
    structure : {"PI", "PID"}
        Whether derivative action is allowed.
    frame : PidSettings
        What is given of the settings.
    """

    study: Study
    points: tuple[OperatingPoint, ...]
    structure: Structure
    frame: PidSettings

    @cached_property
    def between(self) -> tuple[Study, tuple[OperatingPoint, ...]]:
        """The study with gas loads and setpoints between those of its duty, and their points."""
        study = between_study(self.study)
        return study, duty_points(study, reasons=False)

    @cached_property
    def finely(self) -> tuple[Study, tuple[OperatingPoint, ...]]:
        """As `between`, closely spaced."""
        study = between_study(self.study, FINE)
        return study, duty_points(study, reasons=False)

    @cached_property
    def dense(self) -> Envelope:
        """The plants between those that are tuned for."""
        return dense_envelope(self.study, self.points, self.between, lambda: self.finely)

    def copy(self) -> Problem:
        """Return the problem with what is known of its points, for pieces of work.

        It can be sent to another process while more is found of this one.
        """
        own, known = replace(self), ("between", "finely")
        vars(own).update({name: vars(self)[name] for name in known if name in vars(self)})
        return own

    @property
    def orders(self) -> tuple[Order, ...]:
        """Orders of the integral that the controller may have."""
        stated = self.study.controller.integral
        return ("after", "before") if stated == "unknown" else (stated,)

    def finder(self, plants: Sequence[EnvelopePlant]) -> Finder:
        """Return plants prepared for optima."""
        models = [plant.model for plant in plants]
        return Finder(models, self.frame, self.structure, self.orders)
