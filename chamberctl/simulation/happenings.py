"""What happens to a simulated loop from outside, and the state it starts from."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from chamberctl.control.controller import Memory
from chamberctl.errors import InputError

Array = NDArray[np.float64]

MOST_SCANS = 10_000_000
"""Scans of a run at most: some 3 GB of memory, which common computers have (assumed). Eleven days
at 0.1 s."""


def scan_count(duration_s: float, scan_time_s: float) -> int:
    """Return the number of scans of a run, the first and the last one counted.

    Parameters
    ----------
    duration_s : float
        Length of the run [s].
    scan_time_s : float
        Scan time [s].

    Raises
    ------
    InputError
        If the run has not one whole scan, or more than memory holds.
    """
    periods = duration_s / scan_time_s
    if not periods > 0.0:
        remedy = "a run lasts at least one scan"
    elif not periods < MOST_SCANS:
        remedy = (
            f"a run has at most {MOST_SCANS} scans, here of {scan_time_s:g} s; let what happens in "
            "it take less time, or give a shorter scenario.tail"
        )
    else:
        return math.ceil(periods) + 1
    raise InputError(remedy, given=f"{duration_s:g} s", field="length of the run")


@dataclass(frozen=True)
class BoosterWaits:
    """A booster that turns at a share of what the map says until it may start.

    Parameters
    ----------
    standby : float
        Share of the map's booster speed before the start [-].
    below_pa : float
        Pressure at its inlet below which it starts [Pa].
    from_s : float
        Time from which it may start [s]. It then rises with the drive's ramp.
    """

    standby: float
    below_pa: float = math.inf
    from_s: float = 0.0


@dataclass(frozen=True)
class PowerDip:
    """A while without power, in which the drive coasts; then it follows its command again.

    Parameters
    ----------
    off_s, on_s : float
        When the power goes and comes back [s].
    coast_s : float
        Time from rated speed to standstill without power [s].
    """

    off_s: float
    on_s: float
    coast_s: float


@dataclass(frozen=True)
class Happenings:
    """What happens to the loop from outside during a run.

    Parameters
    ----------
    duration_s : float
        Length of the run [s].
    setpoint_pa : array, shape (scans,)
        Indicated setpoint at each scan [Pa].
    load : array, shape (C, 2)
        Corners (time [s], gas load [Pa m3/s]) of straight lines; a jump is two corners at a time.
    opening : array, shape (C, 2)
        Corners (time [s], openness [-]) of the line part `moving`.
    moving : int
        Index of the line part that opens or closes, -1 for none.
    held : bool array, shape (scans,)
        Scans at which the output is given from outside.
    applied : array, shape (scans,)
        Output applied there, speed fraction [-]; NaN holds the output.
    switch_below_pa : float, optional
        Indicated pressure below which held scans end for good [Pa].
    feed_forward : array, shape (scans,)
        Added to the controller's output [-].
    fault : int array, shape (scans,)
        What the gauge sends: its signal or a fault, see `signal.py`.
    factor : array, shape (scans,)
        True over indicated pressure at each scan [-].
    booster_waits : BoosterWaits, optional
        A booster that starts later; it follows the map if not given.
    power_dip : PowerDip, optional
        A while without power.
    """

    duration_s: float
    setpoint_pa: Array
    load: Array
    opening: Array = field(default_factory=lambda: np.array([[0.0, 1.0]]))
    moving: int = -1
    held: NDArray[np.bool_] | None = None
    applied: Array | None = None
    switch_below_pa: float | None = None
    feed_forward: Array | None = None
    fault: NDArray[np.int64] | None = None
    factor: Array | None = None
    booster_waits: BoosterWaits | None = None
    power_dip: PowerDip | None = None


@dataclass(frozen=True)
class Start:
    """State at the start of a run.

    Parameters
    ----------
    pressures_pa : array, shape (N,)
        Node pressures [Pa].
    speed : float
        Speed of the drive [-].
    memory : Memory
        The controller's memory; `Memory(output=speed)` starts without a bump.
    """

    pressures_pa: Array
    speed: float
    memory: Memory
