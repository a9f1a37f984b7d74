"""What a run is worth in numbers, and whether it keeps the limits that the duty states."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from chamberctl.display import number
from chamberctl.findings import Finding
from chamberctl.plant.chain import build_chain
from chamberctl.simulation.oscillation import LimitCycle, limit_cycle, turning_points

if TYPE_CHECKING:
    from chamberctl.control.controller import PidSettings
    from chamberctl.simulation.engine import Trace
    from chamberctl.study import Drive, Limits, System

Array = NDArray[np.float64]

TURN = 1e-3
"""Speed that a movement must exceed to count as a reversal [-], or the drive's resolution where it
is coarser (assumed: less cannot be told from rounding)."""

_ROUNDING = 1e-9


@dataclass(frozen=True)
class Metrics:
    """Metrics of one run; see docs/reference/metrics.md for every formula.

    Parameters
    ----------
    overshoot, undershoot : float
        Highest and deepest indicated pressure after the setpoint was reached, above and below it
        [fraction of setpoint]; nan where it was never reached.
    settling_s : float
        Time until the last exit from the hold band [s]; inf where it is left at the end.
    time_in_band : float
        Share of the time within the hold band [-].
    peak_deviation, peak_time_s : float
        Largest deviation to either side [fraction of setpoint] and when it was [s].
    recovery_s : float
        Time from there to the last exit from the band [s]; inf where it is left at the end.
    iae_relative_s : float
        Integral of the relative deviation's size over time [s].
    drive_travel_per_h : float
        Way that the drive's speed went [rated speeds per hour].
    reversals_per_h : float
        How often the drive turned back [1/h].
    time_on_ramp_s, time_on_limits_s : float
        Time for which a ramp held the speed back, and for which the loop's output stood at a limit
        [s].
    largest_booster_difference_pa, booster_difference_time_s : float
        Largest pressure difference across the booster [Pa] and when it was [s]; nan without one.
    limit_cycle : LimitCycle or None
        An oscillation that does not die out; amplitude as a fraction of the setpoint.
    complete : bool
        Whether the record has no gaps; without it every number is nan.
    findings : tuple of Finding
        What else is to be said of the numbers.
    """

    overshoot: float
    undershoot: float
    settling_s: float
    time_in_band: float
    peak_deviation: float
    peak_time_s: float
    recovery_s: float
    iae_relative_s: float
    drive_travel_per_h: float
    reversals_per_h: float
    time_on_ramp_s: float
    time_on_limits_s: float
    largest_booster_difference_pa: float
    booster_difference_time_s: float
    limit_cycle: LimitCycle | None
    complete: bool
    findings: tuple[Finding, ...]


@dataclass(frozen=True)
class Verdict:
    """Whether a run keeps the limits that the duty states.

    Parameters
    ----------
    holds : bool
        False where a limit is not kept, or cannot be judged because the run is incomplete.
    judged : tuple of str
        The limits that were looked at; empty where the duty states none.
    reasons : tuple of str
        What is not kept, one sentence each.
    broken : mapping of str to float
        The limits that are not kept, named as in `judged`, and what the run shows instead.
    """

    holds: bool
    judged: tuple[str, ...]
    reasons: tuple[str, ...]
    broken: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True)
class LimitOn:
    """A limit of the duty: the metric it is on, its name, and how it is shown."""

    metric: str
    name: str
    unit: str
    factor: float
    at_least: bool = False


LIMITS: dict[str, LimitOn] = {
    "overshoot": LimitOn("overshoot", "overshoot", "% of setpoint", 100.0),
    "undershoot": LimitOn("undershoot", "undershoot", "% of setpoint", 100.0),
    "peak_deviation": LimitOn("peak_deviation", "peak deviation", "% of setpoint", 100.0),
    "settling_s": LimitOn("settling_s", "settling time", "s", 1.0),
    "recovery_s": LimitOn("recovery_s", "recovery time", "s", 1.0),
    "time_in_band": LimitOn("time_in_band", "time in the hold band", "%", 100.0, at_least=True),
    "drive_travel_per_h": LimitOn(
        "drive_travel_per_h", "drive travel", "rated speeds per hour", 1.0
    ),
    "booster_difference_pa": LimitOn(
        "largest_booster_difference_pa", "pressure difference across the booster", "mbar", 0.01
    ),
}
"""Limits on large signals, by their names in `study.Limits`."""


def metrics(
    trace: Trace,
    setpoint_pa: Any,
    hold_band: float,
    system: System,
    *,
    event_s: float = 0.0,
    settled_s: float | None = None,
    counted_from_s: float | None = None,
    watched_pa: Array | None = None,
) -> Metrics:
    """Return the metrics of a run.

    Parameters
    ----------
    trace : Trace
        The run, scan by scan.
    setpoint_pa : float or array
        Indicated setpoint [Pa].
    hold_band : float
        Half width of the hold band [fraction of setpoint].
    system : study.System
        The system, for the drive's ramps and limits and the booster.
    event_s : float
        When it begins to happen [s]; peak, recovery, travel and times count from here.
    settled_s : float, optional
        When all has happened [s]; an oscillation is looked for in the last half of what follows.
    counted_from_s : float, optional
        From when overshoot, undershoot, settling and time in band count [s]; `event_s` if not
        given.
    watched_pa : array, optional
        Indicated pressure to judge in place of what the gauge sent [Pa].

    Returns
    -------
    Metrics
        NaN throughout, with a finding, where the record has gaps.
    """
    shown = trace.columns["indicated_pa"] if watched_pa is None else watched_pa
    relative = np.asarray(shown / np.broadcast_to(setpoint_pa, shown.shape) - 1.0)
    gap = _first_gap(trace, relative)
    if gap is not None:
        return _nothing(gap)
    time = trace.time_s
    counted_s = event_s if counted_from_s is None else counted_from_s
    event, counted = _scan_at(time, event_s), _scan_at(time, counted_s)
    over, under = _excursions(relative[counted:], hold_band)
    peak, size, recovery = _peak(relative, event, hold_band)
    last = _last_outside(relative[counted:], hold_band)
    settling = _time_after(time[counted:], last, float(time[counted]))
    speed, watched_s = trace.columns["speed"][event:], float(time[-1] - time[event])
    per_h = 3600.0 / watched_s if watched_s > 0.0 else math.nan
    turn = max(TURN, 1.5 * system.drive.resolution)
    difference, when = booster_difference(trace, system)
    tail = (time.size + _scan_at(time, counted_s if settled_s is None else settled_s)) // 2
    return Metrics(
        overshoot=over,
        undershoot=under,
        settling_s=settling,
        time_in_band=float(np.mean(np.abs(relative[counted:]) <= hold_band)),
        peak_deviation=size,
        peak_time_s=float(time[peak]),
        recovery_s=_time_after(time, recovery, float(time[peak])),
        iae_relative_s=float(np.trapezoid(np.abs(relative[event:]), time[event:])),
        drive_travel_per_h=float(np.abs(np.diff(speed)).sum()) * per_h,
        reversals_per_h=turning_points(speed, turn) * per_h,
        time_on_ramp_s=_on_ramps(trace, system.drive, event),
        time_on_limits_s=_on_limits(trace, system.drive, event),
        largest_booster_difference_pa=difference,
        booster_difference_time_s=when,
        limit_cycle=limit_cycle(time[tail:], relative[tail:]),
        complete=True,
        findings=_arrival(over, hold_band),
    )


def verdict(found: Metrics, limits: Limits) -> Verdict:
    """Return whether a run keeps the limits that the duty states.

    Parameters
    ----------
    found : Metrics
        The run's metrics.
    limits : study.Limits
        The duty's limits; those that are not stated are not looked at.

    Returns
    -------
    Verdict
        Holds where nothing that was asked for is broken.
    """
    if not found.complete:
        return Verdict(False, (), tuple(finding.text for finding in found.findings))
    judged, reasons, broken = [], [], {}
    for name, what in LIMITS.items():
        limit = getattr(limits, name)
        value = getattr(found, what.metric)
        if limit is None or (name == "booster_difference_pa" and math.isnan(value)):
            continue
        judged.append(what.name)
        kept = value >= limit if what.at_least else value <= limit
        if not kept:
            reasons.append(_broken(what, value, limit))
            broken[what.name] = value
    return Verdict(not reasons, tuple(judged), tuple(reasons), broken)


def _broken(what: LimitOn, value: float, limit: float) -> str:
    bound = "at least" if what.at_least else "at most"
    asked = f"the duty asks for {bound} {number(limit * what.factor)} {what.unit}"
    name = f"{what.name[:1].upper()}{what.name[1:]}"
    if math.isnan(value):
        return f"{name}: the pressure never came to the setpoint; {asked}."
    if math.isinf(value):
        return f"{name}: out of the band at the end of the run; {asked}."
    return f"{name} {number(value * what.factor, 4)} {what.unit}; {asked}."


def booster_difference(trace: Trace, system: System) -> tuple[float, float]:
    """Return the largest pressure difference across the booster [Pa] and when it was [s]."""
    chain = build_chain(system)
    if chain.booster_node is None:
        return math.nan, math.nan
    inlet, outlet = (
        trace.columns[f"p_{chain.node_names[node].replace(' ', '_')}_pa"]
        for node in (chain.booster_node, chain.booster_node + 1)
    )
    index = int(np.nanargmax(outlet - inlet))
    return float(outlet[index] - inlet[index]), float(trace.time_s[index])


def ramp_share(trace: Trace, drive: Drive) -> Array:
    """Return for each scan the share of the time until the next for which a ramp held it back."""
    scan_s = float(trace.time_s[1] - trace.time_s[0])
    moves = np.diff(trace.columns["speed"])
    share = np.zeros(moves.shape)
    for full_s, way in ((drive.rise_time_s, moves), (drive.fall_time_s, -moves)):
        if full_s > 0.0:
            share = np.maximum(share, _share_at(way, scan_s / full_s, exact=drive.lag_s == 0.0))
    commands = np.abs(np.diff(trace.columns["command"]))
    if drive.second_ramp_s > 0.0:
        share = np.maximum(share, _share_at(commands, scan_s / drive.second_ramp_s, exact=False))
    return share


def _share_at(way: Array, most: float, *, exact: bool) -> Array:
    """Share of a scan spent at the largest rate; without a lag nothing else moves the speed."""
    if exact:
        return np.clip(way / most, 0.0, 1.0)
    return np.where(way >= most * (1.0 - 1e-6), 1.0, 0.0)


def at_limits(trace: Trace, drive: Drive) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Return the scans in automatic at which output or command stands at its low, high limit."""
    settings: PidSettings = trace.settings
    free = (trace.columns["held"] == 0.0) & (trace.columns["bad"] == 0.0)
    output = trace.columns["output"]
    low = max(settings.output_min, drive.minimum_speed) + _ROUNDING
    high = min(settings.output_max, drive.maximum_speed) - _ROUNDING
    return free & (output <= low), free & (output >= high)


def _on_ramps(trace: Trace, drive: Drive, event: int) -> float:
    scan_s = float(trace.time_s[1] - trace.time_s[0])
    return float(ramp_share(trace, drive)[event:].sum()) * scan_s


def _on_limits(trace: Trace, drive: Drive, event: int) -> float:
    scan_s = float(trace.time_s[1] - trace.time_s[0])
    low, high = at_limits(trace, drive)
    return float((low | high)[event:-1].sum()) * scan_s


def _scan_at(time: Array, moment_s: float) -> int:
    """First scan at or after a moment, at most the last but one."""
    return min(int(np.searchsorted(time, moment_s - 1e-9)), time.size - 2)


def _first_gap(trace: Trace, relative: Array) -> float | None:
    """Time of the first row that is not known [s]; None where all are."""
    if relative.size < 2:
        return 0.0
    known = np.isfinite(relative) & np.isfinite(trace.columns["speed"])
    if known.all():
        return None if trace.complete else float(trace.time_s[-1])
    return float(trace.time_s[int(np.argmin(known))])


def _nothing(gap_s: float) -> Metrics:
    text = (
        f"The record is incomplete: there are no values at {number(gap_s, 4)} s. None of its "
        "metrics exist, and no limit can be judged."
    )
    unknown = dict.fromkeys(
        [name for name in Metrics.__dataclass_fields__
         if name not in ("limit_cycle", "complete", "findings")], math.nan
    )  # fmt: skip
    return Metrics(
        **unknown, limit_cycle=None, complete=False, findings=(Finding("no", "metrics", text),)
    )


def _arrival(overshoot: float, hold_band: float) -> tuple[Finding, ...]:
    if not math.isnan(overshoot):
        return ()
    text = f"The pressure never came within {number(100 * hold_band)} % of the setpoint."
    return (Finding("caution", "never reached", text),)


def _counted(relative: Array, band: float) -> NDArray[np.bool_] | None:
    """Samples that count after the setpoint was reached; None where it never is.

    A start within the band counts at once. Else all counts from the first sample across the
    setpoint on, and before it what left the band again on the side it came from.
    """
    if abs(relative[0]) <= band:
        return np.ones(relative.shape, dtype=bool)
    near = relative * math.copysign(1.0, relative[0])
    found = [np.flatnonzero(near <= band), np.flatnonzero(near <= 0.0)]
    entry, crossing = (int(k[0]) if k.size else relative.size for k in found)
    if entry == relative.size:
        return None
    scans = np.arange(relative.size)
    return (scans >= crossing) | ((scans >= entry) & (near > band))


def _excursions(relative: Array, band: float) -> tuple[float, float]:
    """Overshoot and undershoot after the setpoint was reached."""
    counted = _counted(relative, band)
    if counted is None:
        return math.nan, math.nan
    found = relative[counted]
    return float(found.max(initial=0.0)), float(abs(found.min(initial=0.0)))


def _peak(relative: Array, event: int, band: float) -> tuple[int, float, int]:
    """Largest deviation that counts: index and size; and index of the last one outside the band."""
    after = relative[event:]
    counted = _counted(after, band)
    sizes = np.abs(after) if counted is None else np.where(counted, np.abs(after), 0.0)
    peak = event + int(np.argmax(sizes))
    size = float(sizes.max())
    last = _last_outside(relative[peak:], band) if size > band else -1
    return peak, size, peak + last if last >= 0 else -1


def _last_outside(relative: Array, band: float) -> int:
    """Index of the last sample outside the band, -1 for none."""
    outside = np.flatnonzero(np.abs(relative) > band)
    return int(outside[-1]) if outside.size else -1


def _time_after(time: Array, last: int, since_s: float) -> float:
    """Time from a moment to the sample behind the last one outside the band [s]."""
    if last < 0:
        return 0.0
    return math.inf if last + 1 >= time.size else float(time[last + 1]) - since_s
