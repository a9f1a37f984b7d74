"""First tuning: gains from the duty point that asks for the calmest loop, checked at all others."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal, NamedTuple

import numpy as np

from chamberctl.control.controller import PidSettings
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
from chamberctl.control.margins import margins, scan_time_finding
from chamberctl.control.notations import all_notations, manual_check
from chamberctl.control.rules import ReducedModel, reduce_loop, simc, time_constants
from chamberctl.control.tuned import TunedPoint, Tuning
from chamberctl.control.tuning_findings import (
    authority_findings,
    drive_step_findings,
    hold_band_findings,
    lag_findings,
    log_form_costs,
    ramp_findings,
)
from chamberctl.display import number
from chamberctl.errors import Infeasible
from chamberctl.findings import Finding
from chamberctl.plant.linearize import linearize
from chamberctl.plant.window import duty_points, loop_gauge

if TYPE_CHECKING:
    from chamberctl.plant.linear import LoopModel
    from chamberctl.plant.point import OperatingPoint
    from chamberctl.study import Study

__all__ = ["TunedPoint", "Tuning", "tune"]

TIED = 1e-6
"""Loops closer in gain x delay/lag than this differ by rounding alone [relative]."""

_ORDER = {"no": 0, "caution": 1, "note": 2}


def tune(study: Study) -> Tuning:
    """Tune the loop of a study and check it over the whole duty.

    The SIMC rule with the half rule is applied at the duty point whose loop has the largest gain
    times delay over lag, because there the rule gives the smallest gain. Every other duty point is
    then checked with the numbers as they will be typed in.

    Parameters
    ----------
    study : Study
        System, duty and controller.

    Returns
    -------
    Tuning
        Settings, margins and findings; `holds` is the answer.

    Raises
    ------
    Infeasible
        If no duty point has a steady state where speed acts.
    FormError
        If the controller's form cannot express the settings.

    References
    ----------
    S. Skogestad, Simple analytic rules for model reduction and PID controller tuning, J. Process
    Control 13 (2003) 291-309 (from memory).
    """
    duty = duty_points(study)
    loops, refused = _loops(study, duty)
    design = _hardest(loops)
    gains = simc(loops[design].reduced, study.controller.simc_tau_c_s)
    settings = replace(_frame(study), kc=gains.kc, ti_s=gains.ti_s, td_s=gains.td_s)
    unrounded, order = _worse_order(study, [loop.model for loop in loops], settings)
    typed, rounding = _as_typed(study, unrounded)
    settings = from_typed(typed)
    return _checked(
        _Draft(study, duty, loops, refused, design, gains.tau_c_s, unrounded, typed, settings),
        (*order, *rounding),
    )


class _Loop(NamedTuple):
    point: OperatingPoint
    model: LoopModel
    reduced: ReducedModel

    @property
    def hardness(self) -> float:
        """Gain times delay over lag [reading per speed fraction]."""
        model = self.reduced
        lag = 1.0 if model.integrating else model.lag1_s
        return abs(model.gain) * model.dead_time_s / lag


def _hardest(loops: Sequence[_Loop]) -> int:
    """Where loops are equally hard but for rounding, the slowest: its integral action is least."""
    limit = max(loop.hardness for loop in loops) * (1.0 - TIED)
    tied = [i for i, loop in enumerate(loops) if loop.hardness >= limit]
    return max(tied, key=lambda i: loops[i].reduced.lag1_s)


class _Refused(NamedTuple):
    point: OperatingPoint
    reason: str


@dataclass(frozen=True)
class _Draft:
    """Settings before they are checked over the duty."""

    study: Study
    duty: tuple[OperatingPoint, ...]
    loops: list[_Loop]
    refused: list[_Refused]
    design: int
    tau_c_s: float
    unrounded: PidSettings
    typed: TypedSettings
    settings: PidSettings


def _loops(study: Study, duty: Sequence[OperatingPoint]) -> tuple[list[_Loop], list[_Refused]]:
    """Duty points with their models, and those without a loop; Infeasible if all are."""
    gauge, frame = loop_gauge(study), _frame(study)
    loops, refused = [], []
    for point in duty:
        try:
            model = linearize(study.system, point, gauge)
            reduced = reduce_loop(model, frame)
        except Infeasible as error:
            refused.append(_Refused(point, str(error)))
            continue
        if reduced.gain < 0.0:
            loops.append(_Loop(point, model, reduced))
        else:
            refused.append(
                _Refused(
                    point,
                    "More speed does not lower the reading here: the plant has the wrong sign. "
                    "Check the gauge's position and the map from output to speeds.",
                )
            )
    if not loops:
        reasons = " ".join(f"{point.where}: {reason}" for point, reason in refused)
        nearest = " ".join(dict.fromkeys(point.nearest for point in duty if point.nearest))
        raise Infeasible(f"No duty point can be held by speed. {reasons}", nearest)
    return loops, refused


def _refusals(refused: Sequence[_Refused]) -> Iterator[Finding]:
    for point, reason in refused:
        subject = point.limited_by or ("speed does not act" if point.feasible else "not reachable")
        yield Finding(
            "no", subject, f"{point.where}: {reason} No gains or margins from this point."
        )


def _frame(study: Study) -> PidSettings:
    """What the study fixes of the settings; the gains are put in later."""
    controller, drive = study.controller, study.system.drive
    low, high = controller.output_min, controller.output_max
    return PidSettings(
        kc=1.0,
        reading=controller.reading,
        scan_time_s=controller.scan_time_s,
        computation_delay_s=controller.computation_delay_s,
        integral="before" if controller.integral == "before" else "after",
        output_min=drive.minimum_speed if low is None else low,
        output_max=drive.maximum_speed if high is None else high,
    )


def _worse_order(
    study: Study, models: Sequence[LoopModel], settings: PidSettings
) -> tuple[PidSettings, tuple[Finding, ...]]:
    """Settings with the integral's order; where it is unknown, the one with the smaller margins."""
    if study.controller.integral != "unknown":
        return settings, ()
    orders: tuple[Literal["after", "before"], ...] = ("after", "before")
    peaks = {}
    for order in orders:
        found = margins(models, replace(settings, integral=order))
        peaks[order] = float(max(found.ms)) if all(found.stable) else math.inf
    worse = max(orders, key=lambda order: peaks[order])
    text = (
        "It is not known whether the controller renews its integral before or after using it. "
        f"Worst Ms is {number(peaks['after'])} after and {number(peaks['before'])} before; all "
        f"margins shown are for the worse, {worse}."
    )
    return replace(settings, integral=worse), (Finding("note", "order of the integral", text),)


def _as_typed(study: Study, unrounded: PidSettings) -> tuple[TypedSettings, tuple[Finding, ...]]:
    """Settings in the controller's language; unrounded where its decimals would lose a term."""
    exact = to_typed(unrounded, study.controller, study.system.drive)
    typed = rounded(exact)
    findings = rounding_findings(exact, typed)
    if any(finding.severity == "no" for finding in findings):
        return exact, findings
    return typed, findings


def _checked(draft: _Draft, notes: tuple[Finding, ...]) -> Tuning:
    study, settings = draft.study, draft.settings
    models = [loop.model for loop in draft.loops]
    points = tuple(
        TunedPoint(loop.point, loop.model, margins(loop.model, settings)) for loop in draft.loops
    )
    before = tuple(margins(model, draft.unrounded) for model in models)
    found = [point.margins for point in points]
    crossover = found[draft.design].crossover_rad_s
    fast = crossover if math.isfinite(crossover) else 1.0 / draft.tau_c_s
    spread = gain_spread(models, fast)
    findings = (
        *_refusals(draft.refused),
        *missed_limits([point.where for point in points], found, study.duty.limits),
        *notes,
        *_plant_findings(draft, points),
        *([rounding_effect(found, before)] if draft.typed.is_rounded else []),
        spread_finding(spread, settings.reading),
    )
    start, start_point = _start(draft)
    low, high = settings.output_min, settings.output_max
    return Tuning(
        study=study,
        settings=settings,
        unrounded=draft.unrounded,
        typed=draft.typed,
        notations=all_notations(settings, study.controller, study.system.drive),
        points=points,
        unrounded_points_margins=before,
        refused=tuple(item.point for item in draft.refused),
        design_index=draft.design,
        reduced=tuple(loop.reduced for loop in draft.loops),
        tau_c_s=draft.tau_c_s,
        why=_why(draft),
        worst=worst_margins(found),
        holds=not any(finding.severity == "no" for finding in findings),
        findings=tuple(sorted(findings, key=lambda f: _ORDER[f.severity])),
        gain_spread=spread,
        start_output=start,
        check_steps=manual_check(draft.typed.language, start_point, low, high),
        log_form_costs=log_form_costs(study, loop_gauge(study), settings, start_point),
    )


def _plant_findings(draft: _Draft, points: Sequence[TunedPoint]) -> Iterator[Finding]:
    """What gauge, drive and plant say to these settings."""
    study, tau_c = draft.study, draft.tau_c_s
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
    slow_scan = scan_time_finding(study.controller.scan_time_s, tau_c)
    if slow_scan:
        yield slow_scan
    yield from lag_findings(drive, gauge, tau_c)
    fastest = max(points, key=lambda point: np.nan_to_num(point.margins.crossover_rad_s, nan=0.0))
    steps = (study.duty.gas_load_step, study.duty.setpoint_step)
    yield from ramp_findings(
        drive, draft.settings, fastest.point, fastest.margins.crossover_rad_s, steps
    )


def _start(draft: _Draft) -> tuple[float, OperatingPoint]:
    """Start output, and the operating point where the loop's sign is checked."""
    hold = draft.study.duty.holds[0]
    first = draft.duty[: len(hold.gas_loads_pa_m3_s)]
    nominal = sorted(first, key=lambda p: p.gas_load_pa_m3_s)[len(first) // 2]
    usable = [loop.point for loop in draft.loops]
    if nominal not in usable:
        nominal = next((p for p in first if p in usable), usable[draft.design])
    given = draft.study.controller.start_output
    if given is None:
        return nominal.speed, nominal
    return given, min(usable, key=lambda p: abs(p.speed - given))


def _why(draft: _Draft) -> tuple[str, ...]:
    """Say in words how the settings came about."""
    study, loop = draft.study, draft.loops[draft.design]
    reduced = loop.reduced
    gain, constants, zeros, _ = time_constants(loop.model, draft.settings.reading)
    scan, delay = study.controller.scan_time_s, draft.settings.delay_s
    unit = "decades" if study.controller.reading == "log10" else "Pa"
    given = study.controller.simc_tau_c_s is not None
    chosen = "as the study asks" if given else "equal to the delay, the rule's own choice"
    lags = ", ".join(f"{number(lag)} s" for lag in constants)
    ahead = [number(zero) for zero in zeros if abs(zero) > 1e-3 * reduced.dead_time_s]
    if ahead:
        lags += f" (zeros {', '.join(ahead)} s)"
    return (
        f"The gains come from {loop.point.where}: of the {len(draft.loops)} duty points where "
        "speed acts its loop has the largest gain times delay over lag, so the rule gives the "
        "smallest gain there. Every other point is checked with the same settings.",
        f"There the reading answers the speed with {number(gain)} {unit} per speed "
        f"fraction and lags of {lags}. The half rule makes of them one lag of "
        f"{number(reduced.lag1_s)} s and a delay of {number(reduced.dead_time_s)} s, which holds "
        f"{number(loop.model.dead_time_s)} s of dead time in drive and gauge, {number(delay)} s "
        f"from reading to output and half of the {number(scan)} s scan.",
        f"SIMC rule (Skogestad 2003) with a closed-loop time constant of {number(draft.tau_c_s)} "
        f"s, {chosen}: gain = lag/(plant gain x (time constant + delay)), integral time = the "
        "smaller of the lag and four times (time constant + delay).",
        "No derivative and no filter: the rule needs neither on a plant with one dominant lag, and "
        "both move the drive with the gauge's noise.",
        "Setpoint weight 1: the rule assumes it and every controller can do it; margins do not "
        "depend on it. Ramp the setpoint where its steps undershoot, for only gas lifts pressure.",
        f"Tracking time {number(draft.settings.tracking_time_s)} s, the integral time, but at "
        "least one scan.",
    )
