"""A gain schedule for a study that asks for one, complete and tried on the plant."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from chamberctl.control.margins import margins
from chamberctl.control.schedule import gain_schedule
from chamberctl.control.scheduled import scheduled
from chamberctl.errors import Infeasible
from chamberctl.findings import Finding, gravest_first
from chamberctl.proposal.breaches import asks_large_signals, breaches
from chamberctl.proposal.choices import choose
from chamberctl.simulation.scenarios import corners

if TYPE_CHECKING:
    from chamberctl.control.controller import PidSettings
    from chamberctl.control.duty_loops import DutyLoop, DutyLoops
    from chamberctl.control.schedule_parts import GainSchedule
    from chamberctl.control.tuned import Tuning


def with_schedule(loops: DutyLoops, tuning: Tuning, ms: float) -> Tuning:
    """Add the gain schedule that the study asks for to the one set of settings.

    Parameters
    ----------
    loops : DutyLoops
        The duty's loops.
    tuning : Tuning
        The one set for the whole duty.
    ms : float
        Largest Ms, and largest Mt, at every plant [-].

    Returns
    -------
    Tuning
        With a schedule where the study asks for one and one set is not enough; a finding says what
        was found.
    """
    study = loops.study
    key = study.controller.schedule
    if key == "none":
        return tuning
    try:
        found = gain_schedule(study, ms, key=key, points=loops.duty, fixed=tuning.design.optimum)
    except Infeasible as refusal:
        text = f"There is no schedule, one set of gains is proposed. {refusal}"
        return _with(tuning, [Finding("caution", "gain schedule", text)])
    if len(found.entries) == 1:
        return _with(tuning, found.findings)
    typed = scheduled(study, found, _complete(loops, found), loops.models)
    findings = [*found.findings, *(replace(f, subject="gain schedule") for f in typed.findings)]
    if asks_large_signals(study):
        findings += [
            Finding(
                "caution",
                "gain schedule",
                f"With the schedule a limit of the duty does not hold on the plant: {breach.text}",
            )
            for breach in breaches(study, typed.steps, corners(study, loops.duty))
        ]
    return _with(replace(tuning, schedule=typed), findings)


def _with(tuning: Tuning, more: Sequence[Finding]) -> Tuning:
    return replace(tuning, findings=gravest_first((*tuning.findings, *more)))


def _complete(loops: DutyLoops, found: GainSchedule) -> list[PidSettings]:
    """Choose weight, ramp and tracking time of each entry by trying them at its duty points.

    An entry that only leads from one to another takes them from the next one with duty points.
    """
    chosen: dict[int, PidSettings] = {}
    for index, entry in enumerate(found.entries):
        own = [loop for loop in loops.loops if loop.point.where in entry.points]
        if own:
            chosen[index] = choose(
                loops.study,
                entry.settings,
                [loop.point for loop in _ends(own)],
                _loop_time(entry.settings, own),
            ).settings
    complete = []
    for index, entry in enumerate(found.entries):
        model = chosen[min((i for i in chosen if i >= index), default=max(chosen))]
        share = model.tracking_time_s / model.ti_s
        tracking = max(share * entry.settings.ti_s, entry.settings.scan_time_s or 0.0)
        complete.append(
            chosen.get(index)
            or replace(
                entry.settings,
                b=model.b,
                tt_s=tracking,
                setpoint_ramp_per_s=model.setpoint_ramp_per_s,
            )
        )
    return complete


def _ends(loops: Sequence[DutyLoop]) -> list[DutyLoop]:
    """Return the loops at the lowest and the highest setpoint with the least and the most gas."""
    ranked = sorted(loops, key=lambda loop: loop.point.indicated_pa)
    picked = []
    for setpoint in (ranked[0].point.indicated_pa, ranked[-1].point.indicated_pa):
        here = [loop for loop in ranked if loop.point.indicated_pa == setpoint]
        here.sort(key=lambda loop: loop.point.gas_load_pa_m3_s)
        picked += [here[0], here[-1]]
    return list({loop.point.where: loop for loop in picked}.values())


def _loop_time(settings: PidSettings, loops: Sequence[DutyLoop]) -> float:
    """Return the time constant of the slowest loop [s]."""
    found = margins([loop.model for loop in loops], settings)
    known = [float(w) for w in found.crossover_rad_s if math.isfinite(w) and w > 0.0]
    return 1.0 / min(known) if known else settings.ti_s
