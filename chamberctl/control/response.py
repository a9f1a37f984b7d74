"""Responses of the sampled linear loop: the law as it runs, the plant exact between its scans."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from chamberctl.control.controller import Memory, PidSettings, numbers, scan
from chamberctl.errors import InputError
from chamberctl.plant.linear import LoopModel

Array = NDArray[np.float64]

#: Most scans of one response.
LONGEST = 200_000


@dataclass(frozen=True)
class Response:
    """Deviations from the operating point at the scans.

    `setpoint` and `reading` in decades or Pa as the law sees them, `speed` (the controller's
    output) in speed fraction, `ln_pressure` of the true chamber pressure.
    """

    time_s: Array
    setpoint: Array
    reading: Array
    speed: Array
    ln_pressure: Array


def sampled_response(
    model: LoopModel,
    settings: PidSettings,
    *,
    setpoint_step: float = 0.0,
    gas_load_step: float = 0.0,
    duration_s: float | None = None,
) -> Response:
    """Return the response of the sampled loop without limits, from rest.

    Parameters
    ----------
    model : LoopModel
        The plant; its dead time need not be a whole number of scans.
    settings : PidSettings
        Must have a scan time.
    setpoint_step : float
        Step of the setpoint at the first scan [decades or Pa].
    gas_load_step : float
        Step of the gas load at the same time [multiples of the model's load scale].
    duration_s : float, optional
        Length [s]; a length that suits the settings where missing.

    Returns
    -------
    Response
        At the scans, exact there.

    Raises
    ------
    InputError
        If there is no scan time, or far too many scans.
    """
    n = numbers(settings)._replace(output_min=-math.inf, output_max=math.inf, largest_move=math.inf)
    ts = settings.scan_time_s or 0.0
    ramped_s = abs(setpoint_step) / settings.setpoint_ramp_per_s
    length = duration_s if duration_s is not None else usual_duration(model, settings) + ramped_s
    count = math.ceil(length / ts - 1e-9) + 1
    if not (length > 0.0 and count <= LONGEST):
        raise InputError(
            f"a response has a length above zero and at most {LONGEST} scans",
            given=f"{length:g} s at {ts:g} s a scan",
            field="duration_s",
        )
    plant = SampledPlant(model, settings)
    reading, pressure, speed = np.zeros(count), np.zeros(count), np.zeros(count)
    memory = Memory(fresh=False)
    x = np.zeros(plant.whole.shape[0])
    past = [0.0] * (plant.scans + 2)  # u(k - 1), u(k - 2) ... newest first
    for k in range(count):
        outputs = plant.out @ x + plant.direct[:, 0] * past[plant.scans]
        outputs += plant.direct[:, 1] * gas_load_step
        reading[k], pressure[k] = outputs[0] * plant.scale, outputs[1]
        memory = scan(n, memory, setpoint_step, float(reading[k]), 0.0, False, 0.0)
        speed[k] = memory.output
        past.insert(0, memory.output)
        past.pop()
        x = plant.whole @ x + plant.load * gas_load_step
        x += plant.now * past[plant.scans] + plant.late * past[plant.scans + 1]
    return Response(
        time_s=np.arange(count, dtype=float) * ts,
        setpoint=np.full(count, setpoint_step),
        reading=reading,
        speed=speed,
        ln_pressure=pressure,
    )


class SampledPlant:
    """The plant from scan to scan: x+ = whole x + now u(k - d) + late u(k - d - 1) + load q."""

    def __init__(self, model: LoopModel, settings: PidSettings) -> None:
        from scipy.linalg import expm

        from chamberctl.control.frequency import split_delay

        ts = settings.scan_time_s or 0.0
        a, b = model.a, model.b
        size = a.shape[0]
        scans, rest = split_delay(np.array([model.dead_time_s + settings.delay_s]), np.array([ts]))
        self.scans, rest_s = int(scans[0]), float(rest[0])
        block = np.zeros((size + 2, size + 2))
        block[:size, :size], block[:size, size:] = a, b
        held, before, whole = (expm(block * t) for t in (ts - rest_s, rest_s, ts))
        self.whole = whole[:size, :size]
        self.load = whole[:size, size + 1]
        self.now = held[:size, size]
        self.late = held[:size, :size] @ before[:size, size]
        self.out, self.direct = model.c, model.d
        self.scale = model.output_scale(settings.reading)


def usual_duration(model: LoopModel, settings: PidSettings) -> float:
    """Return a length in which a well tuned loop settles [s]."""
    delay = model.dead_time_s + settings.delay_s + (settings.scan_time_s or 0.0)
    if math.isfinite(settings.ti_s):
        slow = settings.ti_s
    else:
        poles = np.linalg.eigvals(model.a)
        moving = np.abs(poles.real)[np.abs(poles.real) > 1e-12]
        slow = float(1.0 / moving.min(initial=1.0 / delay))
    return 6.0 * slow + 15.0 * delay
