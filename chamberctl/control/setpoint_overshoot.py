"""How far setpoint steps go past their new setpoint at many plants, by the sampled linear loop."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from chamberctl.control.answers import Plants, step_answers
from chamberctl.control.response import usual_duration

if TYPE_CHECKING:
    from chamberctl.control.controller import PidSettings
    from chamberctl.plant.linear import LoopModel

Array = NDArray[np.float64]


def setpoint_overshoot(
    models: Sequence[LoopModel],
    settings: PidSettings,
    step: float,
    plants: Plants | None = None,
) -> Array:
    """Return how far a setpoint step up or down goes past its new setpoint, the farther of both.

    Parameters
    ----------
    models : sequence of LoopModel
        N plants.
    settings : PidSettings
        With a scan time; weight and ramp of the setpoint count.
    step : float
        Size of the step [fraction of setpoint].
    plants : dict, optional
        Sampled plants that are known already; filled with the others.

    Returns
    -------
    array, shape (N,)
        [fraction of the new setpoint]; 0 where it is not passed, huge where the loop is unstable.

    Notes
    -----
    Limits, resolution and the drive's ramp do not act. Without them the answer to a setpoint ramp
    is the mean of the answer to a step over the time that the ramp takes.
    """
    count = len(models)
    sizes = [_sizes(models, settings, step * sign) for sign in (1.0, -1.0)]
    ramps = [np.abs(size) / settings.setpoint_ramp_per_s for size in sizes]
    length = max(usual_duration(model, settings) for model in models) + float(np.max(ramps))
    unit = step_answers(
        models, [settings] * count, setpoint_steps=1.0, duration_s=length, plants=plants
    )
    past = np.zeros(count)
    for sign, size, ramp in zip((1.0, -1.0), sizes, ramps, strict=True):
        peak = np.array(
            [
                _peak(answer, ramp_s, settings.scan_time_s or 0.0)
                for answer, ramp_s in zip(unit.reading, ramp, strict=True)
            ]
        )
        with np.errstate(over="ignore"):
            if settings.reading == "log10":
                beyond = np.abs(10.0 ** ((peak - 1.0) * size) - 1.0)
            else:
                beyond = (peak - 1.0) * step / (1.0 + sign * step)
        past = np.maximum(past, np.where(peak > 1.0, beyond, 0.0))
    return past


def _sizes(models: Sequence[LoopModel], settings: PidSettings, step: float) -> Array:
    """Return the step as each law sees it [decades or Pa]."""
    if settings.reading == "log10":
        return np.full(len(models), math.log10(1.0 + step))
    return step * np.array([model.reading_pa for model in models])


def _peak(answer: Array, ramp_s: float, scan_time_s: float) -> float:
    """Return the highest value of an answer to a unit step that is ramped; nan is endless."""
    if not np.all(np.isfinite(answer)):
        return math.inf
    scans = round(ramp_s / scan_time_s) if scan_time_s > 0.0 else 0
    if scans > 1:
        total = np.concatenate([[0.0], np.cumsum(answer)])
        late = np.maximum(np.arange(1, total.size) - scans, 0)
        answer = (total[1:] - total[late]) / scans
    return float(np.max(answer))
