"""The room that ramps and limits leave to a loop's output at one operating point."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import accumulate
from typing import TYPE_CHECKING, Literal

import numpy as np

from chamberctl.control.answers import Array
from chamberctl.plant.chain import gauge_node
from chamberctl.plant.gauge import reading
from chamberctl.plant.steady import load_for_pressure, steady_pressures

if TYPE_CHECKING:
    from chamberctl.control.controller import PidSettings
    from chamberctl.plant.chain import Chain
    from chamberctl.plant.point import OperatingPoint
    from chamberctl.study import Drive, Study

Bound = Literal[
    "rise ramp", "fall ramp", "second ramp", "output rate", "highest output", "lowest output", ""
]

#: Speeds between lowest and highest output at which resting states are looked up.
SPEEDS = 13


@dataclass(frozen=True)
class Room:
    """What limits and ramps leave from one resting speed.

    Parameters
    ----------
    speed, low, high : float
        Where the output rests, and its limits there [speed fraction].
    rise_per_s, fall_per_s, second_per_s, output_per_s : float
        Ramps of the drive, of a second device, and limit of the output's rate [1/s]; inf for none.
    lag_s : float
        Lag of the drive [s].
    """

    speed: float
    low: float
    high: float
    rise_per_s: float
    fall_per_s: float
    second_per_s: float
    output_per_s: float
    lag_s: float

    @classmethod
    def of(cls, drive: Drive, settings: PidSettings, speed: float) -> Room:
        """Return the room at a speed: the nearer of the controller's and the drive's limits."""
        rise, fall, second = (
            1.0 / ramp if ramp > 0.0 else math.inf
            for ramp in (drive.rise_time_s, drive.fall_time_s, drive.second_ramp_s)
        )
        low = max(settings.output_min, drive.minimum_speed)
        high = min(settings.output_max, drive.maximum_speed)
        rate = settings.output_rate_per_s
        return cls(speed, low, high, rise, fall, second, rate, drive.lag_s)

    def used(self, moving: Array, reaching: Array, scan_time_s: float) -> dict[Bound, float]:
        """Return the share of each room that an output takes [1]; above 1 it is left.

        Parameters
        ----------
        moving, reaching : array, shape (K,)
            Deviation of the output at the scans, to be held against ramps and against limits
            [speed fraction].
        scan_time_s : float
            Scan time [s].
        """
        moves = np.diff(moving, prepend=0.0)
        fastest = float(np.abs(moves).max()) / scan_time_s
        up, down = self._pull(moves, scan_time_s)
        return {
            "rise ramp": up / self.rise_per_s,
            "fall ramp": down / self.fall_per_s,
            "second ramp": fastest / self.second_per_s,
            "output rate": fastest / self.output_per_s,
            "highest output": _share(float(reaching.max(initial=0.0)), self.high - self.speed),
            "lowest output": _share(-float(reaching.min(initial=0.0)), self.speed - self.low),
        }

    def _pull(self, moves: Array, scan_time_s: float) -> tuple[float, float]:
        """Fastest rise and fall [1/s] that the output asks of a drive without ramps."""
        if self.lag_s <= 0.0:
            asked = moves / scan_time_s
        else:
            # what a command is ahead of the speed when it arrives, from scan to scan
            left = math.exp(-scan_time_s / self.lag_s)
            ahead = accumulate(moves.tolist(), lambda before, move: left * before + move)
            asked = np.array(list(ahead)) / self.lag_s
        return float(asked.max(initial=0.0)), -float(asked.min(initial=0.0))


def _share(move: float, room: float) -> float:
    if move <= 0.0:
        return 0.0
    return move / room if room > 0.0 else math.inf


@dataclass(frozen=True)
class Resting:
    """Where speeds come to rest around one operating point.

    Parameters
    ----------
    speeds : array, shape (SPEEDS,)
        Outputs between the limits [speed fraction].
    loads : array, shape (SPEEDS,)
        Gas loads that hold the point's chamber pressure [Pa m3/s]; nan where none does.
    readings : array, shape (SPEEDS,)
        Readings that belong to the point's gas load [Pa]; nan where nothing rests.
    """

    speeds: Array
    loads: Array
    readings: Array

    def moved(self, at: Literal["loads", "readings"], before: float, after: float) -> float:
        """Return how far the speed moves from one gas load or reading to another.

        Interpolated between logarithms, in which an ideal pump is a straight line; nan beyond the
        limits, 0 where nothing is known.
        """
        places = getattr(self, at)
        known = np.isfinite(places) & (places > 0.0)
        if known.sum() < 2:
            return 0.0
        if before <= 0.0 or after <= 0.0:
            return math.nan
        order = np.argsort(places[known])
        x, y = np.log(places[known][order]), np.log(self.speeds[known][order])
        ends = np.interp(np.log([before, after]), x, y, left=math.nan, right=math.nan)
        return float(np.exp(ends[1]) - np.exp(ends[0]))


def resting(
    study: Study, chain: Chain, points: Sequence[OperatingPoint], low: float, high: float
) -> list[Resting]:
    """Return where speeds between two limits come to rest around each point.

    Parameters
    ----------
    study : Study
        For the loop's gauge.
    chain : Chain
        Its system.
    points : sequence of OperatingPoint
    low, high : float
        Limits of the output [speed fraction].
    """
    speeds, count = np.geomspace(max(low, 1e-3), high, SPEEDS), len(points)
    every = np.tile(speeds, count)
    held = np.repeat([point.pressure_pa for point in points], SPEEDS)
    load = np.repeat([point.gas_load_pa_m3_s for point in points], SPEEDS)
    loads = load_for_pressure(chain, held, every).reshape(count, SPEEDS)
    gauge = study.loop_gauge()
    pressures = steady_pressures(chain, every, load)[gauge_node(chain, gauge)]
    with np.errstate(invalid="ignore"):
        shown = np.asarray(reading(study.system, gauge, pressures), dtype=float)
    return [
        Resting(speeds, one, two)
        for one, two in zip(loads, shown.reshape(count, SPEEDS), strict=True)
    ]
