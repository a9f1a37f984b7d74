"""The sampled loop in time: scan by scan, event by event. Plain functions, run compiled."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

from chamberctl.control.controller import Memory, carried, scan
from chamberctl.control.gain_steps import GainNumbers, first_entry, law_of, next_entry
from chamberctl.simulation.advance import (
    DONE,
    STATES,
    STUCK,
    Options,
    Scratch,
    advance,
    begin_run,
)
from chamberctl.simulation.drive import (
    DriveNumbers,
    given_command,
    ramp_ends_after,
    risen,
    speed_after,
)
from chamberctl.simulation.signal import (
    FAILS_FULL,
    FAILS_LAST,
    FAILS_ZERO,
    GaugeNumbers,
    reading,
    signal_pa,
)
from chamberctl.simulation.stepping import PlantNumbers, Surroundings

__all__ = ["COLUMNS", "DONE", "HOLD_OUTPUT", "STUCK", "Options", "Schedule", "run"]

AUTO, HELD = 0, 1
"""Modes of a scan: automatic, or the output is given from outside."""

HOLD_OUTPUT = -1.0
"""Action on a bad reading: hold the output; a number from 0 to 1 is the output to go to."""

COLUMNS = (
    "speed",
    "command",
    "output",
    "unlimited",
    "integral",
    "derivative",
    "filtered",
    "reading",
    "indicated_pa",
    "gauge_pa",
    "setpoint",
    "gas_load_pa_m3_s",
    "bad",
    "held",
    "openness",
    "booster_share",
    "entry",
)
"""Columns of the record before the node pressures; one row per scan."""

FIRST_NODE = len(COLUMNS)
"""Column of the chamber's pressure."""


class Schedule(NamedTuple):
    """What happens from outside, all arrays.

    Per scan: `setpoint` [decades or Pa], `mode`, `applied` [speed fraction; NaN holds the output],
    `feed_forward` [speed fraction], `fault`, `noise` [-], `factor` (true over indicated pressure),
    `sampled_s` when the gauge value was taken, `arrives_s` when the scan's command reaches the
    drive. Corners of straight lines: `load_s`, `load` [Pa m3/s], `open_s`, `open` [-] of element
    `moving`.

    Scans held end for good when the indicated pressure first falls below `switch_pa` (negative:
    they do not). The booster, element `booster`, turns at `standby` of what the map says until
    `booster_from_s` is over and its inlet is below `booster_below_pa`; -1: it follows the map.
    From `power_off_s` to `power_on_s` the drive coasts with `coast_per_s` [1/s].
    """

    setpoint: Any
    mode: Any
    applied: Any
    feed_forward: Any
    fault: Any
    noise: Any
    factor: Any
    sampled_s: Any
    arrives_s: Any
    load_s: Any
    load: Any
    open_s: Any
    open: Any
    moving: int
    switch_pa: float
    booster: int
    booster_from_s: float
    booster_below_pa: float
    standby: float
    power_off_s: float
    power_on_s: float
    coast_per_s: float


def between(times: Any, values: Any, place: int, t: float) -> float:
    """Value of a polyline at time t, whose corner `place` is the last one at or before t."""
    last = times.shape[0] - 1
    if place >= last:
        return values[last]
    width = times[place + 1] - times[place]
    if width <= 0.0:
        return values[place + 1]
    share = (t - times[place]) / width
    return values[place] + share * (values[place + 1] - values[place])


def next_corner(times: Any, place: int, t: float) -> int:
    """Index of the last corner at or before t, looking on from `place`."""
    while place + 1 < times.shape[0] and times[place + 1] <= t:
        place += 1
    return place


def run(
    plant: PlantNumbers, drive: DriveNumbers, gauge: GaugeNumbers, gains: GainNumbers,
    schedule: Schedule, options: Options, scan_time_s: float, start_x: Any, start_speed: float,
    start_memory: Memory, record: Any,
) -> int:  # fmt: skip
    """Run the loop scan by scan.

    Parameters
    ----------
    plant, drive, gauge, gains, schedule, options
        The loop as plain numbers, and what happens to it.
    scan_time_s : float
        Scan time [s].
    start_x : array, shape (N,)
        ln p at the start [ln Pa].
    start_speed : float
        Speed of the drive at the start [-].
    start_memory : Memory
        The controller's memory at the start.
    record : array, shape (scans, len(COLUMNS) + N)
        Filled row by row: the state at each scan.

    Returns
    -------
    int
        DONE, or STUCK where the rest of the record is not filled.
    """
    count = start_x.shape[0]
    # every array is made here: what is called from here borrows them
    scratch = Scratch(
        np.zeros((count, count)), np.zeros((count, count)), np.zeros(count, dtype=np.int64),
        np.zeros((4, count)), np.zeros(count), np.zeros(count), np.zeros(count), np.zeros(count),
        np.zeros(count), np.zeros(count + 1), np.zeros(STATES),
    )  # fmt: skip
    begin_run(scratch.state, options.longest_step_s)
    together_s = 1e-9 * scan_time_s
    seen = scratch.seen
    rows = plant.rows.copy()
    x = start_x.copy()
    memory = start_memory
    scans = schedule.setpoint.shape[0]
    samples = np.empty(scans)
    gauge_pa = np.exp(x[gauge.node])
    speed_start, target, turned_s, ramped_s = start_speed, start_speed, 0.0, 0.0
    command, wanted = start_speed, start_speed
    commands = np.empty(scans)
    coasting = DriveNumbers(
        np.inf, schedule.coast_per_s, np.inf, 0.0, 0.0, drive.minimum, drive.maximum, drive.bands
    )
    driving, powered, switched = drive, True, False
    woken_s = 0.0 if schedule.booster < 0 else np.inf
    sample, arrival, load_place, open_place = 0, 0, 0, 0
    shown_before = signal_pa(gauge_pa, 0.0, schedule.factor[0], gauge)
    entry = first_entry(gains, memory.output if gains.by_output else shown_before)
    numbers = law_of(gains, entry)
    while sample < scans and schedule.sampled_s[sample] <= 0.0:
        samples[sample] = gauge_pa
        sample += 1
    # the plant is carried from corner to corner, at `t`, and looked at on the way when a scan falls
    # in between
    t = 0.0
    speed, load, openness = start_speed, schedule.load[0], schedule.open[0]
    stuck = False
    for k in range(scans):
        now = k * scan_time_s
        if t <= now:
            for i in range(count):
                seen[i] = x[i]
            seen[count] = gauge_pa
            load_place = next_corner(schedule.load_s, load_place, now)
            open_place = next_corner(schedule.open_s, open_place, now)
            speed = speed_after(speed_start, target, driving, now - turned_s)
            load = between(schedule.load_s, schedule.load, load_place, now)
            openness = between(schedule.open_s, schedule.open, open_place, now)
        shown = signal_pa(samples[k], schedule.noise[k], schedule.factor[k], gauge)
        if schedule.fault[k] == FAILS_ZERO:
            shown = 0.0
        elif schedule.fault[k] == FAILS_FULL:
            shown = gauge.range_high_pa
        elif schedule.fault[k] == FAILS_LAST:
            shown = shown_before
        else:
            shown_before = shown
        y = reading(shown, gauge)
        bad = (options.detects_faults and schedule.fault[k] > 0) or not np.isfinite(y)
        r = schedule.setpoint[k]
        place = memory.output if gains.by_output else shown
        following = entry if bad else next_entry(gains, entry, place)
        if following != entry:
            before, numbers, entry = numbers, law_of(gains, following), following
            memory = carried(
                memory, before.kc, before.b, before.derivative_gain,
                numbers.kc, numbers.b, numbers.derivative_gain,
            )  # fmt: skip
        switched = switched or (shown < schedule.switch_pa and not bad)
        held = schedule.mode[k] == HELD and not switched
        applied = memory.output if np.isnan(schedule.applied[k]) else schedule.applied[k]
        if bad and not (held and np.isfinite(y)):
            if not held:
                applied = memory.output if options.bad_action == HOLD_OUTPUT else options.bad_action
            blind = memory.filtered
            memory = scan(numbers, memory, r, blind, schedule.feed_forward[k], True, applied)
            memory = Memory(
                memory.integral, memory.derivative, memory.filtered, r, memory.output, True,
                memory.unlimited,
            )  # fmt: skip
        else:
            memory = scan(numbers, memory, r, y, schedule.feed_forward[k], held, applied)
        command = given_command(memory.output, command, drive, scan_time_s)
        commands[k] = command
        asleep = woken_s > now and now >= schedule.booster_from_s
        if asleep and np.exp(seen[schedule.booster]) < schedule.booster_below_pa:
            woken_s = now
        awake_s = woken_s + (1.0 - schedule.standby) / drive.rise_per_s
        row = record[k]
        row[0] = speed
        row[1], row[2], row[3] = command, memory.output, memory.unlimited
        row[4], row[5], row[6] = memory.integral, memory.derivative, memory.filtered
        row[7], row[8], row[9], row[10] = y, shown, seen[count], r
        row[11] = load
        row[12], row[13] = 1.0 if bad else 0.0, 1.0 if held else 0.0
        row[14] = openness
        row[15] = schedule.standby
        if woken_s < now:
            row[15] = risen(schedule.standby, drive.rise_per_s, now - woken_s)
        row[16] = entry
        for i in range(count):
            row[FIRST_NODE + i] = np.exp(seen[i])
        if stuck:  # on the way from the scan before, behind this one
            return STUCK
        if k + 1 == scans:
            break
        # what a scan commands acts later: up to then the next scan does not come into it, unless it
        # is to wake the booster
        next_scan = (k + 1) * scan_time_s
        end = next_scan if woken_s > now else (k + 2) * scan_time_s
        while t < next_scan:
            stop = end
            if arrival < scans:
                stop = min(stop, schedule.arrives_s[arrival])
            later = sample
            while later < scans and abs(schedule.sampled_s[later] - next_scan) <= together_s:
                later += 1
            if later < scans:
                stop = min(stop, schedule.sampled_s[later])
            if load_place + 1 < schedule.load_s.shape[0]:
                stop = min(stop, schedule.load_s[load_place + 1])
            if open_place + 1 < schedule.open_s.shape[0]:
                stop = min(stop, schedule.open_s[open_place + 1])
            for corner_s in (schedule.power_off_s, schedule.power_on_s, awake_s, ramped_s):
                if corner_s > t:
                    stop = min(stop, corner_s)
            # what falls together but for rounding is one moment
            if abs(next_scan - stop) < together_s:
                stop = next_scan
            elif end - stop < together_s:
                stop = end
            moves = between(schedule.open_s, schedule.open, open_place, t) != between(
                schedule.open_s, schedule.open, open_place, stop
            )
            if moves:  # small volumes beside a valve that moves are known less well in mid-step
                stop = min(stop, next_scan)
            looks = stop > next_scan
            if looks:
                speed = speed_after(speed_start, target, driving, next_scan - turned_s)
                load = between(schedule.load_s, schedule.load, load_place, next_scan)
                openness = between(schedule.open_s, schedule.open, open_place, next_scan)
                seen[count] = np.nan
            if stop - t > together_s:
                around = Surroundings(
                    stop - t,
                    between(schedule.load_s, schedule.load, load_place, t),
                    between(schedule.load_s, schedule.load, load_place, stop),
                    schedule.moving,
                    between(schedule.open_s, schedule.open, open_place, t),
                    between(schedule.open_s, schedule.open, open_place, stop),
                    speed_start,
                    target,
                    t - turned_s,
                    schedule.booster,
                    risen(schedule.standby, drive.rise_per_s, t - woken_s),
                    risen(schedule.standby, drive.rise_per_s, stop - woken_s),
                )
                gauge_pa, status = advance(
                    plant, rows, around, driving, gauge, x, gauge_pa,
                    next_scan - t if looks else np.inf, options, scratch,
                )  # fmt: skip
                stuck = status == STUCK
                if stuck and not (looks and np.isfinite(seen[count])):
                    return STUCK
            t = stop
            while looks and sample < scans and schedule.sampled_s[sample] <= next_scan + together_s:
                samples[sample] = seen[count]
                sample += 1
            while arrival <= k and schedule.arrives_s[arrival] <= t:
                wanted = commands[arrival]
                arrival += 1
            was_powered, powered = powered, not schedule.power_off_s <= t < schedule.power_on_s
            heading = wanted if powered else 0.0
            if heading != target or powered != was_powered:
                speed_start = speed_after(speed_start, target, driving, t - turned_s)
                target, turned_s = heading, t
                driving = drive if powered else coasting
                ramped_s = t + ramp_ends_after(speed_start, target, driving)
            while sample < scans and schedule.sampled_s[sample] <= t + together_s:
                samples[sample] = gauge_pa
                sample += 1
            load_place = next_corner(schedule.load_s, load_place, t)
            open_place = next_corner(schedule.open_s, open_place, t)
    return DONE
