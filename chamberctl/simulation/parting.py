"""What the linear loop predicts of a run, and where the nonlinear one parts company with it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from chamberctl.display import number
from chamberctl.simulation.judging import watched_pressure
from chamberctl.simulation.metrics import at_limits, ramp_share

if TYPE_CHECKING:
    from chamberctl.plant.linear import LoopModel
    from chamberctl.simulation.engine import Trace
    from chamberctl.simulation.prepared import Prepared

Array = NDArray[np.float64]

PREDICTED = ("setpoint-step-up", "setpoint-step-down", "gas-step")
"""Scenarios that are a step from rest, which the linear loop answers."""


@dataclass(frozen=True)
class Prediction:
    """What the sampled linear loop predicts, without limits and ramps, from the step on.

    Parameters
    ----------
    time_s : array
        Times of the run's scans [s].
    indicated_pa : array
        Indicated pressure [Pa].
    output : array
        Controller output, beyond its limits where the linear loop asks for that [-].
    """

    time_s: Array
    indicated_pa: Array
    output: Array


@dataclass(frozen=True)
class Parting:
    """Where a run first differs from its linear prediction by more than the hold band.

    Parameters
    ----------
    after_s : float
        Time after the step [s]; inf where it never does.
    largest : float
        Largest difference [fraction of setpoint].
    reasons : tuple of str
        What had acted by then that the linear loop does not know.
    """

    after_s: float
    largest: float
    reasons: tuple[str, ...]


def linear_prediction(prepared: Prepared, model: LoopModel, trace: Trace) -> Prediction | None:
    """Return what the linear loop predicts of a scenario.

    Parameters
    ----------
    prepared : Prepared
        What was run.
    model : LoopModel
        The linear model of the point it starts from; its loop must be stable.
    trace : Trace
        The run, for its times.

    Returns
    -------
    Prediction or None
        None where the scenario is no step from rest.
    """
    from chamberctl.control.response import sampled_response

    if prepared.name not in PREDICTED:
        return None
    settings, before_pa = prepared.settings, prepared.point.indicated_pa
    time = trace.time_s
    start = int(np.searchsorted(time, prepared.event_s - 1e-9))
    setpoint, load = 0.0, 0.0
    if prepared.name == "gas-step":
        loads = prepared.happenings.load[:, 1]
        load = float(loads[-1] - loads[0]) / model.load_scale_pa_m3_s
    else:
        after_pa = float(trace.setpoint_pa[-1])
        log = settings.reading == "log10"
        setpoint = math.log10(after_pa / before_pa) if log else after_pa - before_pa
    answer = sampled_response(
        model, settings, setpoint_step=setpoint, gas_load_step=load,
        duration_s=float(time[-1] - time[start]),
    )  # fmt: skip
    deviation = answer.reading[: time.size - start]
    shown = before_pa * 10.0**deviation if settings.reading == "log10" else before_pa + deviation
    output = prepared.point.speed + answer.speed[: time.size - start]
    return Prediction(time[start:][: shown.size], shown, output)


def parting(prepared: Prepared, trace: Trace, predicted: Prediction) -> Parting:
    """Return where a run parts company with its prediction, and why.

    Parameters
    ----------
    prepared : Prepared
        What was run.
    trace : Trace
        The run.
    predicted : Prediction
        Its linear prediction.

    Returns
    -------
    Parting
        The first time they differ by more than the hold band.
    """
    start = trace.time_s.size - predicted.time_s.size
    setpoint = trace.setpoint_pa[start:]
    difference = np.abs(watched_pressure(prepared, trace)[start:] - predicted.indicated_pa)
    relative = difference / setpoint
    beyond = np.flatnonzero(relative > prepared.hold_band)
    largest = float(np.max(relative))
    if not beyond.size:
        return Parting(math.inf, largest, ())
    first = int(beyond[0])
    after = float(predicted.time_s[first] - predicted.time_s[0])
    return Parting(after, largest, _reasons(prepared, trace, start, start + first))


def _reasons(prepared: Prepared, trace: Trace, start: int, end: int) -> tuple[str, ...]:
    """What acted between two scans that the linear loop does not know."""
    scan_s, drive = float(trace.time_s[1] - trace.time_s[0]), prepared.system.drive
    share = ramp_share(trace, drive)[start:end]
    moves = np.diff(trace.columns["speed"])[start:end]
    found = []
    for way, name in ((moves > 0.0, "rising"), (moves < 0.0, "falling")):
        on_ramp_s = float(share[way].sum()) * scan_s
        if on_ramp_s >= scan_s:
            found.append(f"the drive had been on its {name} ramp for {number(on_ramp_s)} s")
    low, high = (side[start : end + 1] for side in at_limits(trace, drive))
    output = 100.0 * trace.columns["output"][start : end + 1]
    if low.any():
        where = number(float(output[low][0]))
        found.append(
            f"the output had stood at its lowest, {where} %, for {number(low.sum() * scan_s)} s, "
            "where only gas lifts the pressure (one-sided)"
        )
    if high.any():
        where = number(float(output[high][0]))
        found.append(
            f"the output had stood at its highest, {where} %, for {number(high.sum() * scan_s)} s, "
            "which is as fast as the pumps lower the pressure"
        )
    return tuple(found) or ("neither ramp nor limit had acted: the plant's gain had changed",)
