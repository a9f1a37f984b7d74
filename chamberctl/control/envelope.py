"""The plants of an envelope: every duty point, with everything as it is, and as it may be."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from chamberctl.control.tolerance_cases import Case, Cases
from chamberctl.plant.small_signal import loop_models
from chamberctl.plant.variations import Outcome, outcomes

if TYPE_CHECKING:
    from chamberctl.plant.linear import LoopModel
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
    plants: list[EnvelopePlant] = []
    lost: list[LostPlant] = []
    for case, outcome in zip(every, outcomes(study, points, changed, ends=False), strict=True):
        usable = outcome.held & ~outcome.limited
        usable[usable] = outcome.authority[usable] > 0.0
        which = np.flatnonzero(usable)
        names = [_where(points[int(i)].where, case.label) for i in which]
        models = loop_models(outcome, which, names)
        for i, name, model in zip(which, names, models, strict=True):
            speed = float(outcome.speed[i])
            plants.append(EnvelopePlant(name, points[int(i)].where, case, model, speed))
        for i in np.flatnonzero(~usable):
            where = _where(points[int(i)].where, case.label)
            lost.append(LostPlant(where, _why_lost(outcome, int(i))))
    return Envelope(tuple(plants), tuple(lost))


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
