"""How a drive follows its command: ramps, lag, resolution, bands to avoid.

Plain functions of numbers, so that they also compile.
"""

from __future__ import annotations

import math
from typing import Any, NamedTuple


class DriveNumbers(NamedTuple):
    """The drive as plain numbers.

    `rise_per_s`, `fall_per_s`, `second_per_s` are rates of the speed fraction [1/s], inf without
    a ramp; `resolution` is a speed fraction, 0 for none; `bands` has shape (B, 2).
    """

    rise_per_s: float
    fall_per_s: float
    second_per_s: float
    lag_s: float
    resolution: float
    minimum: float
    maximum: float
    bands: Any


def speed_after(start: float, target: float, drive: DriveNumbers, elapsed_s: float) -> float:
    """Speed a while after it began to follow a constant target.

    Parameters
    ----------
    start, target : float
        Speed at the beginning and target [-].
    drive : DriveNumbers
        The drive.
    elapsed_s : float
        Time since the beginning [s].

    Returns
    -------
    float
        Speed [-], exactly: n' = (target - n)/lag, held within the ramps.
    """
    gap = target - start
    rate = drive.rise_per_s if gap > 0.0 else drive.fall_per_s
    sign = 1.0 if gap > 0.0 else -1.0
    lagging = rate * drive.lag_s if drive.lag_s > 0.0 else 0.0
    ramped = abs(gap) - lagging
    if ramped > 0.0 and elapsed_s * rate < ramped:
        return start + sign * rate * elapsed_s
    if drive.lag_s <= 0.0:
        return target
    ramp_time = max(ramped, 0.0) / rate
    left = min(abs(gap), lagging)
    return target - sign * left * math.exp(-(elapsed_s - ramp_time) / drive.lag_s)


def ramp_ends_after(start: float, target: float, drive: DriveNumbers) -> float:
    """Time that the drive is on its ramp on the way to a constant target [s]; inf: for ever."""
    gap = target - start
    rate = drive.rise_per_s if gap > 0.0 else drive.fall_per_s
    if rate <= 0.0:
        return math.inf
    lag_s = drive.lag_s if drive.lag_s > 0.0 else 0.0
    return max(abs(gap) / rate - lag_s, 0.0)


def risen(start: float, per_s: float, elapsed_s: float) -> float:
    """Share that rises from `start` to 1 at a rate [1/s], a while after it began to [-].

    At an infinite rate it is 1 from the beginning.
    """
    if elapsed_s < 0.0:
        return start
    if per_s == math.inf:
        return 1.0
    return min(1.0, start + per_s * elapsed_s)


def given_command(output: float, before: float, drive: DriveNumbers, scan_time_s: float) -> float:
    """Command that reaches the drive for a controller output.

    Parameters
    ----------
    output : float
        Controller output, before rounding [-].
    before : float
        Command of the scan before [-].
    drive : DriveNumbers
        The drive.
    scan_time_s : float
        Scan time [s].

    Returns
    -------
    float
        Command after a second ramp, rounding to the resolution, and bands to avoid, which are
        crossed only when the output lies beyond them [-].
    """
    move = drive.second_per_s * scan_time_s
    command = min(max(output, before - move), before + move)
    if drive.resolution > 0.0:
        command = math.floor(command / drive.resolution + 0.5) * drive.resolution
    for k in range(len(drive.bands)):
        low, high = drive.bands[k][0], drive.bands[k][1]
        if low < command < high:
            command = high if before >= high else low
    return min(max(command, drive.minimum), drive.maximum)
