"""Settings assessed over a whole duty: as they are typed in, with margins, findings and answer."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from chamberctl.control.designs import Design, given_design, simc_design
from chamberctl.control.duty_loops import DutyLoops, RefusedPoint, duty_loops
from chamberctl.control.duty_margins import (
    gain_spread,
    missed_limits,
    rounding_effect,
    spread_finding,
    worst_margins,
)
from chamberctl.control.forms import (
    TypedSettings,
    from_typed,
    rounded,
    rounding_findings,
    to_typed,
)
from chamberctl.control.margins import each_margins, scan_time_finding
from chamberctl.control.noise_gain import missed_noise_gain
from chamberctl.control.notations import all_notations, manual_check
from chamberctl.control.tuned import TunedPoint, Tuning
from chamberctl.control.tuning_findings import (
    authority_findings,
    drive_step_findings,
    hold_band_findings,
    lag_findings,
    log_form_costs,
    ramp_findings,
)
from chamberctl.findings import Finding, gravest_first
from chamberctl.plant.window import loop_gauge

if TYPE_CHECKING:
    from chamberctl.control.controller import PidSettings
    from chamberctl.control.scheduled import Scheduled
    from chamberctl.plant.point import OperatingPoint
    from chamberctl.study import Study

__all__ = ["TunedPoint", "Tuning", "assess", "assessed", "rule_tuning"]


def rule_tuning(study: Study) -> Tuning:
    """Return what the published rule gives, checked over the whole duty.

    Parameters
    ----------
    study : Study
        System, duty and controller.

    Returns
    -------
    Tuning
        With the SIMC rule at the hardest duty point, nothing else chosen.

    Raises
    ------
    Infeasible
        If no duty point has a steady state where speed acts.
    FormError
        If the controller's form cannot express the settings.
    """
    loops = duty_loops(study)
    return assessed(loops, simc_design(loops))


def assess(
    study: Study,
    settings: PidSettings,
    *,
    origin: str = "The settings are as they were given.",
    loops: DutyLoops | None = None,
) -> Tuning:
    """Check settings that were not computed here over the whole duty, as they will be typed in.

    Parameters
    ----------
    study : Study
        System, duty and controller.
    settings : PidSettings
        Settings to look at, such as those found in the controller.
    origin : str
        Where they come from, as a sentence.
    loops : DutyLoops, optional
        The study's loops from `duty_loops`, where they are known already.

    Returns
    -------
    Tuning
        Margins of the numbers as typed in.

    Raises
    ------
    Infeasible
        If no duty point has a steady state where speed acts.
    FormError
        If the controller's form cannot express the settings.
    """
    loops = duty_loops(study) if loops is None else loops
    return assessed(loops, given_design(loops, settings, origin))


def assessed(loops: DutyLoops, design: Design, schedule: Scheduled | None = None) -> Tuning:
    """Type settings in and check them over the whole duty.

    Parameters
    ----------
    loops : DutyLoops
        The duty's loops.
    design : Design
        Settings with all digits, and where they come from.
    schedule : Scheduled, optional
        Gains by reading or output, made for the same loops; the design's settings are then those
        of its entry at the design's point.

    Returns
    -------
    Tuning
        With the margins of the numbers as typed, at each point those of the settings in force.
    """
    study, models = loops.study, loops.models
    if schedule is None:
        typed, rounding = _as_typed(study, design.settings)
        in_force = [from_typed(typed)] * len(models)
        exact = [design.settings] * len(models)
    else:
        used = [schedule.entries[point.entry] for point in schedule.points]
        typed, rounding = used[design.index].typed, schedule.findings
        in_force = [entry.settings for entry in used]
        exact = [entry.unrounded for entry in used]
    settings = in_force[design.index]
    found = before = each_margins(models, in_force)
    if in_force != exact:
        before = each_margins(models, exact)
    points = tuple(
        TunedPoint(loop.point, loop.model, margins, here)
        for loop, margins, here in zip(loops.loops, found, in_force, strict=True)
    )
    crossover = found[design.index].crossover_rad_s
    fast = crossover if math.isfinite(crossover) else 1.0 / design.tau_c_s
    spread = gain_spread(models, fast)
    findings = (
        *_refusals(loops.refused),
        *missed_limits([point.where for point in points], found, study.duty.limits),
        *missed_noise_gain(
            models, in_force, [point.where for point in points], study.duty.limits.noise_gain
        ),
        *design.findings,
        *rounding,
        *_plant_findings(study, design, points),
        *([rounding_effect(found, before)] if typed.is_rounded else []),
        spread_finding(spread, settings.reading),
    )
    start, start_point = _start(loops, design)
    low, high = settings.output_min, settings.output_max
    return Tuning(
        study=study,
        settings=settings,
        design=design,
        typed=typed,
        notations=all_notations(settings, study.controller, study.system.drive),
        points=points,
        unrounded_points_margins=before,
        refused=tuple(item.point for item in loops.refused),
        reduced=tuple(loop.reduced for loop in loops.loops),
        worst=worst_margins(found),
        holds=not any(finding.severity == "no" for finding in findings),
        findings=gravest_first(findings),
        gain_spread=spread,
        start_output=start,
        check_steps=manual_check(typed.language, start_point, low, high),
        log_form_costs=log_form_costs(study, loop_gauge(study), settings, start_point),
        schedule=schedule,
    )


def _as_typed(study: Study, unrounded: PidSettings) -> tuple[TypedSettings, tuple[Finding, ...]]:
    """Settings in the controller's language; unrounded where its decimals would lose a term."""
    exact = to_typed(unrounded, study.controller, study.system.drive)
    typed = rounded(exact)
    findings = rounding_findings(exact, typed)
    if any(finding.severity == "no" for finding in findings):
        return exact, findings
    return typed, findings


def _refusals(refused: Sequence[RefusedPoint]) -> Iterator[Finding]:
    for point, reason in refused:
        subject = point.limited_by or ("speed does not act" if point.feasible else "not reachable")
        yield Finding(
            "no", subject, f"{point.where}: {reason} No gains or margins from this point."
        )


def _plant_findings(
    study: Study, design: Design, points: Sequence[TunedPoint]
) -> Iterator[Finding]:
    """What gauge, drive and plant say to these settings."""
    gauge, drive = loop_gauge(study), study.system.drive
    usable = [point.point for point in points]
    yield from hold_band_findings(study, gauge)
    yield from drive_step_findings(study, usable)
    yield from authority_findings(usable)
    for steady in usable:
        for finding in steady.findings:
            if finding.severity == "no" or finding.subject == "speed to avoid":
                yield replace(finding, text=f"{steady.where}: {finding.text}")
    for point in points:
        for finding in point.model.findings:
            yield replace(finding, text=f"{point.where}: {finding.text}")
        for finding in point.margins.findings:
            if finding.subject == "gain crossings":
                yield replace(finding, text=f"{point.where}: {finding.text}")
    slow_scan = scan_time_finding(study.controller.scan_time_s, design.tau_c_s)
    if slow_scan:
        yield slow_scan
    yield from lag_findings(drive, gauge, design.tau_c_s)
    fastest = max(points, key=lambda point: np.nan_to_num(point.margins.crossover_rad_s, nan=0.0))
    steps = (study.duty.gas_load_step, study.duty.setpoint_step)
    crossover = fastest.margins.crossover_rad_s
    yield from ramp_findings(drive, fastest.settings, fastest.point, crossover, steps)


def _start(loops: DutyLoops, design: Design) -> tuple[float, OperatingPoint]:
    """Start output, and the operating point where the loop's sign is checked."""
    hold = loops.study.duty.holds[0]
    first = loops.duty[: len(hold.gas_loads_pa_m3_s)]
    nominal = sorted(first, key=lambda p: p.gas_load_pa_m3_s)[len(first) // 2]
    usable = loops.points
    if nominal not in usable:
        nominal = next((p for p in first if p in usable), usable[design.index])
    given = loops.study.controller.start_output
    if given is None:
        return nominal.speed, nominal
    return given, min(usable, key=lambda p: abs(p.speed - given))
