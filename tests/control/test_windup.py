"""The law at a limit of its output, and a drive that moves no faster than its ramp."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from chamberctl.control.controller import Memory, PidSettings, numbers, scan
from chamberctl.control.response import SampledPlant
from chamberctl.simulation.drive import DriveNumbers, speed_after
from tests import reference
from tests.control.loops import plant, settings
from tests.validation import Validation

WINDUP = reference.load("control/antiwindup")
RAMPS = reference.load("control/rate_limited_step")


def limited_run(row: dict[str, Any], ts: float, length: float) -> tuple[np.ndarray, np.ndarray]:
    """PI control of 1/s with a limited output, setpoint step of 1: reading and output."""
    # the plant rises with its input, so the gain of the direct-acting law is negative
    law = PidSettings(
        -row["K"], row["Ti"], tt_s=row["Tt"] or math.inf, reading="linear", scan_time_s=ts,
        computation_delay_s=0.0, output_min=-row["umax"], output_max=row["umax"],
    )  # fmt: skip
    n, memory, y = numbers(law), Memory(fresh=False), 0.0
    count = round(length / ts)
    reading, output = np.empty(count), np.empty(count)
    for k in range(count):
        memory = scan(n, memory, 1.0, y, 0.0, False, 0.0)
        reading[k], output[k] = y, memory.output
        y += ts * memory.output
    return reading, output


@pytest.mark.parametrize("row", WINDUP.rows, ids=lambda row: f"{row['K']:g}-{row['Tt'] or 'none'}")
def test_back_calculation_against_windup(row: dict[str, Any], validation: Validation) -> None:
    ts = 1e-3
    reading, output = limited_run(row, ts, max(1.2 * row["t_settle_2pct"], 30.0))
    time, error = np.arange(reading.size) * ts, np.abs(1.0 - reading)
    first_free = np.argmax(np.abs(output) < row["umax"] * (1.0 - 1e-12))
    validation.check(
        WINDUP, "windup: time at the limit", row["t_leave_sat"], time[first_free], rel=1e-3
    )
    if row["t_leave_closed_form"] is not None:
        wanted = row["t_leave_closed_form"]
        validation.check(WINDUP, "windup: closed form", wanted, time[first_free], rel=1e-3)
    for quantity, wanted, got in (
        ("peak", row["y_max"], reading.max()),
        ("time of the peak", row["t_peak"], time[reading.argmax()]),
        ("IAE", row["IAE"], ts * error.sum()),
        ("settling time", row["t_settle_2pct"], time[np.flatnonzero(error > 0.02)[-1]]),
    ):
        validation.check(WINDUP, f"windup: {quantity}", wanted, got, rel=0.01)


@pytest.mark.parametrize("row", RAMPS.rows, ids=lambda row: f"{row['T']:g}-{row['t']:g}")
def test_a_ramp_through_chamber_gauge_and_dead_time(
    row: dict[str, Any], validation: Validation
) -> None:
    """The drive's ramp, its command a step; steps of the input halved, and their limit."""
    none = np.empty((0, 2))
    drive = DriveNumbers(row["rate"], row["rate"], math.inf, 0.0, 0.0, -9.0, 9.0, none)
    lags = np.polymul([row["T"], 1.0], [row["Tg"], 1.0]) if row["Tg"] else [row["T"], 1.0]
    model = plant([-1.0], [float(c) for c in lags], row["L"])
    found = []
    for parts in (200, 400):
        ts = row["t"] / parts
        moving = SampledPlant(model, settings(1.0, scan_time_s=ts))
        x = np.zeros(moving.whole.shape[0])
        past = [0.0] * (moving.scans + 2)
        for k in range(parts):
            # the speed in the middle of a step, by the drive's own equation
            past.insert(0, speed_after(0.0, row["du"], drive, (k + 0.5) * ts))
            past.pop()
            x = moving.whole @ x
            x += moving.now * past[moving.scans] + moving.late * past[moving.scans + 1]
        found.append(float(moving.out[0] @ x) * moving.scale)
    limit = (4.0 * found[1] - found[0]) / 3.0
    validation.check(RAMPS, "ramp, lags and dead time", row["y"], limit, rel=1e-4)
