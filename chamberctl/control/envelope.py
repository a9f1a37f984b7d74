"""The plants of an envelope: every duty point, with everything as it is, and as it may be."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from chamberctl.control.tolerance_cases import Case, Cases
from chamberctl.plant.small_signal import loop_models
from chamberctl.plant.variations import Outcome, outcomes, outcomes_from

if TYPE_CHECKING:
    from chamberctl.plant.linear import LoopModel
    from chamberctl.plant.nearby import States
    from chamberctl.plant.point import OperatingPoint
    from chamberctl.study import Study


@dataclass(frozen=True)
class EnvelopePlant:
    """One plant of an envelope.

    Parameters
    ----------
    where : str
        In words: "25 mbar at 80 slm, volumes -10 %".
    at : str
        The operating point alone.
    case : Case
        What is other than stated.
    model : LoopModel
        Its linear model.
    speed : float
        Output that holds it [speed fraction].
    """

    where: str
    at: str
    case: Case
    model: LoopModel
    speed: float


@dataclass(frozen=True)
class LostPlant:
    """A duty point that a case loses.

    Parameters
    ----------
    where : str
        In words.
    reason : str
        Why there is no loop.
    """

    where: str
    reason: str


@dataclass(frozen=True)
class Envelope:
    """The plants for which one set of settings has to do.

    Parameters
    ----------
    plants : tuple of EnvelopePlant
        Those that have a loop, the study as it is first.
    lost : tuple of LostPlant
        Points that are held in the study as it is, and lost in a case.
    """

    plants: tuple[EnvelopePlant, ...]
    lost: tuple[LostPlant, ...]


def envelope(study: Study, points: Sequence[OperatingPoint]) -> Envelope:
    """Return the plants of a study's envelope.

    Parameters
    ----------
    study : Study
        The study, with tolerances.
    points : sequence of OperatingPoint
        Its duty points from `duty_points`; those that speed does not hold have no plants.

    Returns
    -------
    Envelope
        Its plants, and what is lost.
    """
    return envelope_of(study, points, tuple(Cases(study).tuned_for()))


def envelope_of(study: Study, points: Sequence[OperatingPoint], every: Sequence[Case]) -> Envelope:
    """Return the plants of given cases.

    Parameters
    ----------
    study : Study
        The study as it is.
    points : sequence of OperatingPoint
        Its duty points.
    every : sequence of Case
        The cases.
    """
    held = [p.feasible and not p.limited_by and p.authority_gauge > 0.0 for p in points]
    points = [point for point, is_held in zip(points, held, strict=True) if is_held]
    if not points:
        return Envelope((), ())
    study = _with_points(study, held)
    changed = [_with_points(case.study, held) for case in every]
    places = [point.where for point in points]
    plants: list[EnvelopePlant] = []
    lost: list[LostPlant] = []
    for case, outcome in zip(every, outcomes(study, points, changed, ends=False), strict=True):
        usable = _usable(outcome)
        plants += _plants(case, places, outcome, usable)
        for i in np.flatnonzero(~usable).tolist():
            lost.append(LostPlant(_where(places[i], case.label), _why_lost(outcome, i)))
    return Envelope(tuple(plants), tuple(lost))


def plants_from(begun: Sequence[tuple[Case, States]]) -> list[list[EnvelopePlant]]:
    """Return the plants of cases at the duty points of their own studies.

    Parameters
    ----------
    begun : sequence of (Case, States)
        The cases, with a state near each of their duty points.

    Returns
    -------
    list of list of EnvelopePlant
        Those of each case that have a loop.
    """
    found = outcomes_from([(case.study, near) for case, near in begun])
    return [
        _plants(case, [where for *_, where in case.study.duty_points()], outcome, _usable(outcome))
        for (case, _), outcome in zip(begun, found, strict=True)
    ]


def _usable(outcome: Outcome) -> NDArray[np.bool_]:
    """Say at which of its points an outcome has a loop."""
    usable = outcome.held & ~outcome.limited
    usable[usable] = outcome.authority[usable] > 0.0
    return usable


def _plants(
    case: Case, places: Sequence[str], outcome: Outcome, usable: NDArray[np.bool_]
) -> list[EnvelopePlant]:
    which = np.flatnonzero(usable)
    names = [_where(places[i], case.label) for i in which.tolist()]
    models = loop_models(outcome, which, names)
    return [
        EnvelopePlant(name, places[i], case, model, float(outcome.speed[i]))
        for i, name, model in zip(which.tolist(), names, models, strict=True)
    ]


def _with_points(study: Study, keep: Sequence[bool]) -> Study:
    """Return a study with some of its duty points; its holds keep their numbers."""
    wanted = iter(keep)
    holds = tuple(
        hold.model_copy(
            update={"gas_loads_pa_m3_s": tuple(q for q in hold.gas_loads_pa_m3_s if next(wanted))}
        )
        for hold in study.duty.holds
    )
    return study.model_copy(update={"duty": study.duty.model_copy(update={"holds": holds})})


def _where(point: str, label: str) -> str:
    return f"{point}, {label}" if label else point


def _why_lost(outcome: Outcome, point: int) -> str:
    if outcome.limited[point]:
        return "the booster's difference limit rules, speed does not act"
    if outcome.held[point]:
        return "more speed does not lower the reading"
    return "speed does not hold it"
