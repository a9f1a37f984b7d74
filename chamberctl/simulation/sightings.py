"""What is to be seen in a run beside its metrics: hunting, hand-over, the booster's load."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from chamberctl.findings import Finding
from chamberctl.physics.constants import STANDARD_ATMOSPHERE_PA
from chamberctl.plant.floor import SUBJECT as FLOOR
from chamberctl.plant.floor import controllable
from chamberctl.plant.operating import operating_point
from chamberctl.quantities import format_quantity
from chamberctl.simulation.metrics import booster_difference

if TYPE_CHECKING:
    from chamberctl.simulation.engine import Trace
    from chamberctl.simulation.prepared import Prepared, Situation

STANDSTILL = 0.02
"""Speed below which a run that cannot go on is put down to the pumps standing still [-]."""

HUNTING_SHARE = 0.5
"""Share of a run, from its end, in which hunting around a band to avoid is measured."""

LEAPS = 2
"""Leaps over a band to avoid from which a loop hunts: going through it once is none."""

_AT_END = 1e-6


def band_notes(situation: Situation) -> tuple[Finding, ...]:
    """Warn where the steady speed lies in a band to avoid; its edges as pressures."""
    point, system = situation.point, situation.system
    for low, high in system.drive.avoid_bands:
        if low < point.speed < high:
            unit = situation.study.controller.reading_unit
            edges = [
                operating_point(
                    system,
                    speed=edge,
                    gas_load_pa_m3_s=point.gas_load_pa_m3_s,
                    gauge=situation.gauge,
                ).indicated_pa
                for edge in (low, high)
            ]
            shown = [format_quantity(edge, unit, 4) for edge in edges]
            text = (
                f"The speed that holds the setpoint, {100 * point.speed:.3g} %, lies in a band to "
                f"avoid, {100 * low:.3g} to {100 * high:.3g} %. At rest its edges hold {shown[0]} "
                f"and {shown[1]}; the loop hunts between them instead of parking."
            )
            return (Finding("caution", "band to avoid", text),)
    return ()


def _booster_finding(prepared: Prepared, trace: Trace) -> tuple[Finding, ...]:
    """Largest difference across the booster: after a pump-down, else only where it is too much."""
    booster, largest = prepared.system.booster, booster_difference(trace, prepared.system)
    if booster is None:
        return ()
    limit = booster.difference_limit_pa
    over = limit is not None and largest[0] > limit
    if not over and prepared.name != "pump-down":
        return ()
    text = (
        f"Largest pressure difference across the booster: {format_quantity(largest[0], 'mbar', 3)} "
        f"at {largest[1]:.4g} s"
    )
    if limit is not None:
        word = "above" if over else "within"
        text += f", {word} the stated {format_quantity(limit, 'mbar', 3)}"
    ending = ". The model is no overload protection." if over else "."
    return (Finding("caution" if over else "note", "booster", text + ending),)


def _floor_finding(prepared: Prepared, trace: Trace) -> tuple[Finding, ...]:
    """Say where the run leaves the pressures that the duty takes as controllable."""
    known = ~np.isnan(trace.pressure_pa)
    below = np.flatnonzero(known & ~controllable(trace.pressure_pa, prepared.floor_pa))
    if not below.size:
        return ()
    lowest = format_quantity(float(np.min(trace.pressure_pa[below])), "mbar", 3)
    text = (
        f"From {trace.time_s[below[0]]:.4g} s the chamber is below the minimum controllable "
        f"pressure of {format_quantity(prepared.floor_pa, 'mbar', 3)}, down to {lowest}: there the "
        "run shows the model and not the plant."
    )
    return (Finding("caution", FLOOR, text),)


def shown(prepared: Prepared, trace: Trace) -> tuple[Finding, ...]:
    """What a run showed that its metrics do not say."""
    found = []
    if not trace.complete:
        found.append(_end(prepared, trace))
    if prepared.happenings.switch_below_pa is not None and trace.held[-1]:
        text = "The switch pressure was not reached within the run: never in automatic."
        found.append(Finding("caution", "hand-over", text))
    return (
        *found,
        *_hunting_findings(prepared, trace),
        *_range_finding(prepared, trace),
        *_overpressure_finding(trace),
        *_booster_finding(prepared, trace),
        *_floor_finding(prepared, trace),
    )


def _end(prepared: Prepared, trace: Trace) -> Finding:
    """Say where a run ended early, and that pumps which stand still are not described."""
    known = np.flatnonzero(np.isfinite(trace.pressure_pa))
    if not known.size:
        return Finding("no", "run", "The integration could not begin.")
    last = int(known[-1])
    text = f"The integration could not go on behind {trace.time_s[last]:.4g} s; the run ends early."
    speed = trace.columns["speed"][: last + 1]
    next_speed = float(speed[-1] - max(speed[-2] - speed[-1], 0.0)) if last else float(speed[-1])
    dip = prepared.happenings.power_dip
    dark = dip is not None and dip.off_s <= trace.time_s[last] <= dip.on_s
    if min(next_speed, float(speed[-1])) < STANDSTILL or dark:
        text += (
            f" The drive has slowed to {100 * speed[-1]:.2g} % there and comes to a stop. Slip "
            "that is stated to grow as speed falls has no end at a standstill: the model holds for "
            "pumps that turn, and what comes through pumps that stand still is not known."
        )
    return Finding("no", "run", text)


def _overpressure_finding(trace: Trace) -> tuple[Finding, ...]:
    """Say where the chamber rises above atmosphere, and above where the run began."""
    pressure = trace.pressure_pa
    most = max(STANDARD_ATMOSPHERE_PA, float(pressure[0])) * (1.0 + 1e-6)
    above = np.flatnonzero(pressure > most)
    if not above.size:
        return ()
    highest = format_quantity(float(np.nanmax(pressure)), "mbar", 3)
    text = (
        f"From {trace.time_s[above[0]]:.4g} s the chamber is above atmosphere, up to {highest} by "
        "the model. A leak from outside ends there, and a chamber that is fed beyond it opens its "
        "relief device or bursts: none of this is in the model."
    )
    return (Finding("caution", "overpressure", text),)


def _hunting_findings(prepared: Prepared, trace: Trace) -> tuple[Finding, ...]:
    """Say where the loop ends up hunting around a band to avoid, with its swing."""
    first = max(0, trace.time_s.size - max(2, int(HUNTING_SHARE * trace.time_s.size)))
    wanted, sent = (trace.columns[name][first:] for name in ("output", "command"))
    for low, high in prepared.system.drive.avoid_bands:
        above = sent[(sent <= low) | (sent >= high)] >= high
        leaps = int(np.count_nonzero(above[1:] != above[:-1]))
        inside = np.count_nonzero((wanted > low) & (wanted < high))
        if not trace.complete or leaps < LEAPS or not inside:
            continue
        tail = trace.columns["indicated_pa"][first:]
        text = (
            f"Hunting: the output is wanted within the band to avoid, {100 * low:.3g} to "
            f"{100 * high:.3g} %, and leaps over it {leaps} times in the last "
            f"{trace.time_s[-1] - trace.time_s[first]:.3g} s; the reading swings by "
            f"+-{format_quantity(0.5 * float(np.ptp(tail)), 'mbar', 3)} around "
            f"{format_quantity(float(np.mean(tail)), 'mbar', 4)}."
        )
        return (Finding("caution", "hunting", text),)
    return ()


def _range_finding(prepared: Prepared, trace: Trace) -> tuple[Finding, ...]:
    """Say where a gauge that had come into its range is at its end: the metrics count that end."""
    gauge = prepared.gauge
    shown, reads = trace.columns["indicated_pa"], trace.columns["bad"] == 0.0
    high = gauge.range_high_pa * (1.0 - _AT_END)
    low = gauge.range_low_pa * (1.0 + _AT_END) if gauge.range_low_pa else -1.0
    good = np.flatnonzero((shown < high) & (shown > low))
    if not good.size:
        return ()
    ended = np.flatnonzero(reads & ((shown >= high) | (shown <= low)))
    ended = ended[ended > good[0]]
    if not ended.size:
        return ()
    end = gauge.range_high_pa if shown[ended[0]] >= high else gauge.range_low_pa
    text = (
        f"From {trace.time_s[ended[0]]:.4g} s the pressure is beyond the range of {gauge.tag}, "
        f"which ends at {format_quantity(end, 'mbar', 3)}: deviations are counted on what it shows."
    )
    return (Finding("caution", "gauge range", text),)
