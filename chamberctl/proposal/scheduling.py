"""A gain schedule for a study that asks for one, complete and tried on the plant."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from chamberctl.control.calmness import slowest
from chamberctl.control.designs import Design
from chamberctl.control.margins import margins
from chamberctl.control.pace import LEAST_USUAL_MS
from chamberctl.control.schedule import gain_schedule
from chamberctl.control.scheduled import scheduled
from chamberctl.control.tuning import assessed
from chamberctl.control.worth import nearest_usual
from chamberctl.display import number
from chamberctl.errors import Infeasible
from chamberctl.findings import Finding, gravest_first
from chamberctl.proposal.choices import choose

if TYPE_CHECKING:
    from chamberctl.control.controller import PidSettings
    from chamberctl.control.duty_loops import DutyLoop, DutyLoops
    from chamberctl.control.schedule_parts import GainSchedule
    from chamberctl.control.scheduled import Scheduled
    from chamberctl.control.tuned import Tuning


def with_schedule(
    loops: DutyLoops, one_set: Tuning | None, refusal: Infeasible | None, ms: float
) -> Tuning:
    """Propose the gain schedule that the study asks for, or one set where that is enough.

    Parameters
    ----------
    loops : DutyLoops
        The duty's loops.
    one_set : Tuning or None
        The best one set for the whole duty; None where no one set keeps the limits.
    refusal : Infeasible or None
        Why there is no one set.
    ms : float
        Largest Ms, and largest Mt, at every plant [-].

    Returns
    -------
    Tuning
        Of the schedule, with the one set beside it, where it has more than one entry; of the one
        set otherwise. A finding says which, and why.

    Raises
    ------
    Infeasible
        If neither is found: the refusal of one set.
    """
    study = loops.study
    key = study.controller.schedule
    assert key != "none"
    fixed = None if one_set is None else one_set.design.optimum
    try:
        found = gain_schedule(study, ms, key=key, points=loops.duty, fixed=fixed)
        _require_worth(found)
    except Infeasible as none:
        if one_set is None:
            raise (refusal or none) from none
        text = f"There is no schedule, one set of gains is proposed. {none}"
        return _with(one_set, [Finding("caution", "gain schedule", text)])
    if len(found.entries) == 1:
        if one_set is None:
            assert refusal is not None
            raise refusal
        return _with(one_set, found.findings)
    typed = scheduled(study, found, _complete(loops, found), loops.models)
    said = [replace(finding, subject="gain schedule") for finding in typed.findings]
    typed = replace(typed, findings=tuple(said))
    why_not = () if refusal is None else (_why_not(refusal),)
    tuning = assessed(loops, _design(typed, why_not), typed)
    return replace(tuning, one_set=one_set)


def _require_worth(found: GainSchedule) -> None:
    """Refuse an unusually small Ms with which an entry is slower than its plants, as of one set."""
    if found.limits.ms_bound >= LEAST_USUAL_MS:
        return
    for entry in found.entries:
        own = [plant for plant in entry.plants if plant.at in entry.points]
        if not own:
            continue
        worst = slowest(own, entry.settings.reading, entry.integral_action)
        if worst.ratio > 1.0:
            raise Infeasible(
                f"With Ms held to {number(found.limits.ms_bound)} even the loop of a schedule is "
                f"slower than the plant by itself at {worst.where}.",
                nearest_usual(found.limits),
            )


def _why_not(refusal: Infeasible) -> Finding:
    text = f"One set of gains will not do for the whole duty: {refusal.reason}"
    return Finding("note", "gain schedule", text)


def _design(typed: Scheduled, more: tuple[Finding, ...]) -> Design:
    """Return the schedule as a design; the duty point with the largest Ms stands for it."""

    def peak(index: int) -> float:
        found = typed.points[index].margins
        return found.ms if found.stable else math.inf

    index = max(range(len(typed.points)), key=peak)
    point = typed.points[index]
    settings, crossover = typed.entries[point.entry].unrounded, point.margins.crossover_rad_s
    known = math.isfinite(crossover) and crossover > 0.0
    return Design(
        settings=settings,
        index=index,
        tau_c_s=1.0 / crossover if known else settings.delay_s,
        why=tuple(f"Entry {n}: {one.entry.why}" for n, one in enumerate(typed.entries, start=1)),
        findings=(*typed.schedule.findings, *more),
    )


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
                entry.plants,
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
