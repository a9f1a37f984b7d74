"""Runs of the tour: steps of the speed by hand, a wound-up pump-down, and data with noise."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from chamberctl.control.controller import Memory, numbers, scan
from chamberctl.simulation.engine import Start, simulate_loop
from chamberctl.simulation.happenings import Happenings
from chamberctl.simulation.prepared import memory_at
from chamberctl.simulation.scenarios import simulate

if TYPE_CHECKING:
    from chamberctl.control.controller import PidSettings
    from chamberctl.lessons.exercise import Exercise
    from chamberctl.plant.point import OperatingPoint
    from chamberctl.simulation.engine import Trace
    from chamberctl.study import Study

Array = NDArray[np.float64]

NOISE = 0.003
"""Relative noise of the data to download [-]: a good gauge (assumed)."""

AT_REST = 1.002
"""The pressure has come to rest within this of where it goes [ratio]."""

BEFORE_S = 5.0
DATA_EVERY_S = 0.5


def speed_step(
    exercise: Exercise, step: float, *, speed: float | None = None, constants: float = 6.0
) -> Trace:
    """Step the speed by hand and watch.

    Parameters
    ----------
    exercise : Exercise
    step : float
        Of the output, at 5 s [speed fraction].
    speed : float, optional
        Speed before it; the exercise's own if not given. The gas load stays, so the pressure is
        another one.
    constants : float
        How long to watch, in time constants of the exercise's point [-].

    Returns
    -------
    Trace
    """
    point, system = exercise.point, exercise.study.system
    before = point.speed if speed is None else speed
    pressure = point.pressure_pa * point.speed / before  # Q = S n p
    settings = exercise.settings()
    duration = BEFORE_S + constants * point.time_constant_s * point.speed / before
    scan_s = settings.scan_time_s or 0.1
    times = np.arange(int(np.ceil(duration / scan_s)) + 1) * scan_s
    happenings = Happenings(
        duration,
        np.array([point.indicated_pa]),
        np.array([[0.0, point.gas_load_pa_m3_s]]),
        held=np.ones(times.size, dtype=bool),
        applied=np.where(times < BEFORE_S, before, before + step),
    )
    start = Start(np.full(len(point.node_pressures_pa), pressure), before, memory_at(before))
    return simulate_loop(system, exercise.study.loop_gauge(), settings, start, happenings)


def pump_down(exercise: Exercise, *, anti_windup: bool, longest_s: float = 300.0) -> Trace:
    """Pump down from atmosphere in automatic from the start.

    Parameters
    ----------
    exercise : Exercise
    anti_windup : bool
        Whether the integral follows the output while that stands at a limit.
    longest_s : float
        Time that is given to it [s].
    """
    settings = exercise.settings()
    settings = replace(settings, tt_s=None if anti_windup else np.inf)
    study = exercise.study.with_text(
        {
            "scenario.pump_down.loop": "from the start",
            "scenario.pump_down.longest": f"{longest_s:.0f} s",
        }
    )
    return simulate(study, settings, "pump-down", point=_at(study, exercise.point)).trace


@lru_cache(maxsize=32)
def wound_up(exercise: Exercise) -> float:
    """Return where the integral stands when the pressure has come to rest at full speed.

    Parameters
    ----------
    exercise : Exercise

    Returns
    -------
    float
        Without anti-windup [speed fraction].
    """
    trace = pump_down(exercise, anti_windup=False)
    at_rest = trace.columns["indicated_pa"] <= AT_REST * exercise.full_speed_pa
    return float(trace.columns["integral"][int(np.argmax(at_rest))])


def _at(study: Study, point: OperatingPoint) -> OperatingPoint:
    """The exercise's point; it belongs to no hold of the study, and needs none."""
    return replace(point, where=point.where or study.title)


def time_at_full_speed(settings: PidSettings, integral: float, error: float) -> float:
    """Run the law, reading and setpoint standing still, until the output leaves its upper limit.

    Parameters
    ----------
    settings : PidSettings
        Without anti-windup.
    integral : float
        Where the integral stands at first [speed fraction].
    error : float
        Reading less setpoint, below zero [decades].

    Returns
    -------
    float
        Time until then [s].
    """
    n = numbers(replace(settings, tt_s=np.inf))
    top = settings.output_max
    memory = Memory(integral=integral, filtered=error, output=top, fresh=False)
    scans = 0
    while memory.output >= top:
        memory = scan(n, memory, 0.0, error, 0.0, False, 0.0)
        scans += 1
    return (scans - 1) * (settings.scan_time_s or 0.0)


def noisy(exercise: Exercise, task: int, trace: Trace) -> Mapping[str, Array]:
    """Return a run as it would be logged: one row every half second, the reading with noise.

    Parameters
    ----------
    exercise : Exercise
        Its number seeds the noise.
    task : int
        Which task; every task has noise of its own.
    trace : Trace
        The run.
    """
    scan_s = float(trace.time_s[1] - trace.time_s[0])
    every = slice(None, None, max(1, round(DATA_EVERY_S / scan_s)))
    reading = trace.columns["indicated_pa"][every]
    draw = np.random.default_rng([exercise.number, task])
    return {
        "time_s": trace.time_s[every],
        "speed_percent": 100.0 * trace.columns["speed"][every],
        "reading_mbar": reading * (1.0 + NOISE * draw.standard_normal(reading.size)) / 100.0,
    }
