"""What a gain schedule is made of: entries, thresholds, and what each duty point gets."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from chamberctl.control.controller import PidSettings
    from chamberctl.control.envelope import EnvelopePlant
    from chamberctl.control.margins import EnvelopeMargins
    from chamberctl.control.pace import LoopLimits
    from chamberctl.control.robust import RobustOptimum
    from chamberctl.control.schedule_cells import Key
    from chamberctl.findings import Finding


@dataclass(frozen=True)
class ScheduleEntry:
    """One set of gains and where it is used.

    Parameters
    ----------
    low, high : float
        From where to where [Pa indicated, or speed fraction]; 0 and inf at the ends, where the
        gains are held.
    settings : PidSettings
        Gain, times and filters with all digits.
    integral_action : float
        ki = Kc/Ti [speed fraction per decade and s, or per Pa and s].
    plants : tuple of EnvelopePlant
        What the settings are for: all in the range, and those next to it on either side.
    margins : EnvelopeMargins
        Margins of `settings` at `plants`.
    noise_gain : float
        Largest |K S| over `plants` [speed fraction per fraction of reading].
    points : tuple of str
        Duty points in the range; none where it only leads from one entry to another.
    why : str
        What the settings are for and where they end.
    """

    low: float
    high: float
    settings: PidSettings
    integral_action: float
    plants: tuple[EnvelopePlant, ...]
    margins: EnvelopeMargins
    noise_gain: float
    points: tuple[str, ...]
    why: str


@dataclass(frozen=True)
class Threshold:
    """Where one entry takes over from another.

    Parameters
    ----------
    at : float
        The threshold [Pa indicated, or speed fraction].
    up, down : float
        Where to switch on the way up and on the way down, a hysteresis apart.
    """

    at: float
    up: float
    down: float


@dataclass(frozen=True)
class PointWorth:
    """What a schedule gives a duty point; ki in the unit of `ScheduleEntry.integral_action`.

    Parameters
    ----------
    where : str
        The duty point.
    entries : tuple of int
        Entries that it may be in, counted from 0.
    alone, fixed, scheduled : float
        ki of settings for this point and its tolerances only, of the one set for all, and of the
        entry with the least; fixed is nan where no one set does for all.
    """

    where: str
    entries: tuple[int, ...]
    alone: float
    fixed: float
    scheduled: float


@dataclass(frozen=True)
class GainSchedule:
    """Gains over the reading or the output, and what they are worth.

    Parameters
    ----------
    key : {"reading", "output"}
        What chooses the entry: the indicated pressure or the loop's output.
    limits : LoopLimits
        What every plant keeps.
    least_share : float
        Share of the integral action that it could have alone that each duty point keeps [-].
    entries : tuple of ScheduleEntry
        In rising order of the key.
    thresholds : tuple of Threshold
        Between them, one less.
    fixed : RobustOptimum or None
        The one set for the whole duty; None where no gain does for all of it.
    worth : tuple of PointWorth
        In the order of the duty, those where speed acts.
    findings : tuple of Finding
        What an engineer should know.
    """

    key: Key
    limits: LoopLimits
    least_share: float
    entries: tuple[ScheduleEntry, ...]
    thresholds: tuple[Threshold, ...]
    fixed: RobustOptimum | None
    worth: tuple[PointWorth, ...]
    findings: tuple[Finding, ...]
