"""The six tasks of the tour, in order; their answer key and their data."""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np
from numpy.typing import NDArray

from chamberctl.display import number
from chamberctl.lessons.exercise import Exercise, exercise
from chamberctl.lessons.gains import (
    STEP,
    gain,
    log_reading,
    reveal_gain,
    reveal_log,
    reveal_time_constant,
    time_constant,
)
from chamberctl.lessons.handle import handle, handle_data, reveal_handle
from chamberctl.lessons.loops import (
    dead_time,
    loop_data,
    reveal_dead_time,
    reveal_windup,
    windup,
    windup_data,
)
from chamberctl.lessons.runs import noisy, speed_step
from chamberctl.lessons.task import Task, where

Array = NDArray[np.float64]


def _step_data(task: int) -> Callable[[Exercise], Mapping[str, Array]]:
    return lambda one: noisy(one, task, speed_step(one, STEP))


TOUR: tuple[Task, ...] = (
    Task("time-constant", "What sets the time constant", where, time_constant,
         reveal_time_constant, _step_data(1)),
    Task("gain", "Why the gain follows the pressure", where, gain, reveal_gain, _step_data(2)),
    Task("log-reading", "What a log reading changes", where, log_reading, reveal_log,
         _step_data(3)),
    Task("dead-time", "What dead time costs", where, dead_time, reveal_dead_time, loop_data),
    Task("windup", "Windup in pump-down", where, windup, reveal_windup, windup_data),
    Task("handle", "When speed is the wrong handle", where, handle, reveal_handle,
         handle_data),
)  # fmt: skip
"""The tasks in the order of the tour."""


def answer_key(exercise_number: int) -> list[tuple[str, str]]:
    """Return the answers of an exercise, for teachers: title, and number with unit."""
    one = exercise(exercise_number)
    found = []
    for task in TOUR:
        asked = task.asked(one)
        found.append((task.title, f"{number(asked.expected)} {asked.unit}"))
    return found


def data_csv(task: Task, exercise_number: int) -> str:
    """Return a task's data as comma-separated text, units in the names of its columns."""
    columns = task.data(exercise(exercise_number))
    head = f"# Exercise {exercise_number}, {task.title}: simulated data of an invented plant\n"
    rows = zip(*(values.tolist() for values in columns.values()), strict=True)
    body = "".join(",".join(f"{value:.6g}" for value in row) + "\n" for row in rows)
    return f"{head}{','.join(columns)}\n{body}"
