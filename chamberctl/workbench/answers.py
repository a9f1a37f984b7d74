"""Answers of candidates to the duty's steps: of the linear loop, and of the loop on the plant."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np
from numpy.typing import NDArray

from chamberctl.control.answers import metered_share, step_answers
from chamberctl.control.response import LONGEST, usual_duration
from chamberctl.errors import Infeasible
from chamberctl.report.margins_text import labels
from chamberctl.simulation.parting import linear_prediction
from chamberctl.simulation.scenarios import simulate

if TYPE_CHECKING:
    from chamberctl.control.answers import Plants
    from chamberctl.control.controller import PidSettings
    from chamberctl.control.tuned import TunedPoint, Tuning
    from chamberctl.workbench.candidates import Shown

Array = NDArray[np.float64]
Step = Literal["setpoint", "gas flow"]
Loop = Literal["linear", "on the plant"]

STEPS: tuple[Step, Step] = ("setpoint", "gas flow")
SCENARIO_OF: dict[Step, str] = {"setpoint": "setpoint-step-up", "gas flow": "gas-step"}


@dataclass(frozen=True)
class Answer:
    """How one loop answers one step.

    Parameters
    ----------
    time_s : array, shape (N,)
        Time since the step [s].
    indicated_pa : array, shape (N,)
        Indicated pressure [Pa].
    speed : array, shape (N,)
        Controller's output of the linear loop, speed of the drive on the plant [fraction].
    before_pa, aim_pa : float
        Indicated pressure before the step, and setpoint after it [Pa].
    rest : float
        Speed before the step [fraction].
    """

    time_s: Array
    indicated_pa: Array
    speed: Array
    before_pa: float
    aim_pa: float
    rest: float

    @property
    def percent(self) -> Array:
        """Deviation of the indicated pressure from what it was before [%]."""
        return np.asarray(100.0 * (self.indicated_pa / self.before_pa - 1.0))

    @property
    def speed_percent(self) -> Array:
        """Deviation of the speed from what it was before [% of rated]."""
        return np.asarray(100.0 * (self.speed - self.rest))


def linear_answers(
    wanted: Sequence[tuple[Tuning, TunedPoint]], plants: Plants | None = None
) -> dict[Step, list[Answer]]:
    """Return the answers of sampled linear loops to the duty's steps, all of one length.

    Parameters
    ----------
    wanted : sequence of (Tuning, TunedPoint)
        Settings, and the point of their duty where they are looked at.
    plants : dict, optional
        Sampled plants that are known already.

    Returns
    -------
    dict
        By what steps at time 0: the setpoint by duty.setpoint_step, the metered gas by
        duty.gas_load_step; without limits and ramps. The answer of an unstable loop grows.
    """
    setpoints, loads, aims = [], [], []
    for tuning, point in wanted:
        duty, before = tuning.study.duty, point.point.indicated_pa
        aims.append(before * (1.0 + duty.setpoint_step))
        setpoints.append(_reading_step(tuning.settings, before, aims[-1]))
        loads.append(duty.gas_load_step * metered_share(tuning.study, point.model))
    count = len(wanted)
    found = step_answers(
        [point.model for _, point in wanted] * 2,
        [tuning.settings for tuning, _ in wanted] * 2,
        setpoint_steps=[*setpoints, *[0.0] * count],
        gas_load_steps=[*[0.0] * count, *loads],
        duration_s=_length(wanted),
        plants=plants,
    )
    answers: dict[Step, list[Answer]] = {step: [] for step in STEPS}
    for row, (tuning, point) in enumerate([*wanted, *wanted]):
        step: Step = "setpoint" if row < count else "gas flow"
        before, rest = point.point.indicated_pa, point.point.speed
        aim = aims[row] if step == "setpoint" else before
        with np.errstate(over="ignore", invalid="ignore"):
            reading = found.reading[row]
            log = tuning.settings.reading == "log10"
            indicated = before * 10.0**reading if log else before + reading
            speed = rest + found.speed[row]
        answers[step].append(Answer(found.time_s, indicated, speed, before, aim, rest))
    return answers


def _reading_step(settings: PidSettings, before_pa: float, aim_pa: float) -> float:
    """Step of the setpoint as the law sees it [decades or Pa]."""
    return math.log10(aim_pa / before_pa) if settings.reading == "log10" else aim_pa - before_pa


def _length(wanted: Sequence[tuple[Tuning, TunedPoint]]) -> float:
    """Return the length in which the stable ones settle [s], within what can be computed."""
    stable = [pair for pair in wanted if pair[1].margins.stable] or list(wanted)
    lengths = [usual_duration(point.model, tuning.settings) for tuning, point in stable]
    scan = wanted[0][0].settings.scan_time_s or 0.0
    return min(max(lengths), scan * (LONGEST - 1))


def plant_answer(
    tuning: Tuning, point: TunedPoint, step: Step
) -> tuple[Answer, Answer | None]:  # fmt: skip
    """Return the answer of the loop on the nonlinear plant to one of the duty's steps.

    Parameters
    ----------
    tuning : Tuning
        Settings.
    point : TunedPoint
        The point of their duty where the loop holds.
    step : {"setpoint", "gas flow"}
        What steps; of the gas load the metered part.

    Returns
    -------
    tuple of (Answer, Answer or None)
        The run, and what the linear loop predicts of it where it is stable.

    Raises
    ------
    Infeasible
        If this step cannot happen here.
    """
    found = simulate(tuning.study, tuning, SCENARIO_OF[step], point=point.point)
    trace, event = found.trace, found.prepared.event_s
    before, rest = point.point.indicated_pa, point.point.speed
    aim = float(trace.setpoint_pa[-1])
    shown = trace.time_s >= event - 1e-9
    columns = trace.columns
    run = Answer(
        trace.time_s[shown] - event, columns["indicated_pa"][shown], columns["speed"][shown],
        before, aim, rest,
    )  # fmt: skip
    if not point.margins.stable:
        return run, None
    predicted = linear_prediction(found.prepared, point.model, trace)
    if predicted is None:
        return run, None
    return run, Answer(
        predicted.time_s - event, predicted.indicated_pa, predicted.output, before, aim, rest
    )


@dataclass(frozen=True)
class Compared:
    """Answers to one step, side by side at one duty point.

    Parameters
    ----------
    shown : tuple of Shown
        The settings in use first.
    point : str
        Number of the duty point.
    answers : tuple of (Answer or None)
        Of each of the settings; None where the step cannot happen.
    others : tuple of Answer
        Of the settings in use at the other duty points.
    predicted : Answer or None
        What the linear loop predicts of the run of the settings in use.
    refusal : str
        Why the step cannot happen.
    """

    shown: tuple[Shown, ...]
    point: str
    answers: tuple[Answer | None, ...]
    stable: tuple[bool, ...]
    others: tuple[Answer, ...] = ()
    predicted: Answer | None = None
    refusal: str = ""


def compare_answers(
    shown: Sequence[Shown], where: str, loop: Loop, plants: Plants | None = None
) -> dict[Step, Compared]:
    """Return answers to the duty's steps, side by side.

    Parameters
    ----------
    shown : sequence of Shown
        The settings in use first, then those beside them.
    where : str
        Label of the duty point at which they are compared.
    loop : {"linear", "on the plant"}
        The linear loop, or the loop on the nonlinear plant with its ramps and limits.
    plants : dict, optional
        Sampled plants that are known already.
    """
    own = shown[0].tuning
    here = [(one.tuning, chosen(one, where)) for one in shown]
    number = labels(own)[next(k for k, p in enumerate(own.points) if p.where == where)]
    stable = tuple(point.margins.stable for _, point in here)
    same = (tuple(shown), number)
    if loop == "linear":
        beside = [(own, point) for point in own.points if point.where != where]
        found = linear_answers([*here, *beside], plants)
        return {
            step: Compared(*same, tuple(each[: len(here)]), stable, tuple(each[len(here) :]))
            for step, each in found.items()
        }
    return {step: _on_the_plant(same, here, stable, step) for step in STEPS}


def _on_the_plant(
    same: tuple[tuple[Shown, ...], str], here: Sequence[tuple[Tuning, TunedPoint]],
    stable: tuple[bool, ...], step: Step,
) -> Compared:  # fmt: skip
    try:
        runs = [plant_answer(tuning, point, step) for tuning, point in here]
    except Infeasible as refusal:
        return Compared(*same, (None,) * len(here), stable, refusal=str(refusal))
    return Compared(*same, tuple(run for run, _ in runs), stable, predicted=runs[0][1])


def chosen(shown: Shown, where: str) -> TunedPoint:
    """Return the point of a candidate's duty by its label."""
    return next(point for point in shown.tuning.points if point.where == where)
