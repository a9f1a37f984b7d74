"""Gains that change with the reading or with the output: as few sets as do, found and not given.

One set of gains for a whole duty is as calm as its hardest point asks for. Where that leaves a duty
point too little of what it could have alone, gains are scheduled.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from itertools import pairwise
from typing import TYPE_CHECKING

from chamberctl.control.duty_loops import settings_frame
from chamberctl.control.envelope import envelope
from chamberctl.control.pace import LoopLimits
from chamberctl.control.problem import Problem, limits_of
from chamberctl.control.robust import robust_settings
from chamberctl.control.schedule_cells import (
    LEAST_OUTPUT,
    SIGMAS,
    WIDTH,
    Key,
    reading_half_width,
)
from chamberctl.control.schedule_parts import GainSchedule, PointWorth, ScheduleEntry, Threshold
from chamberctl.control.schedule_search import enough, fewest_entries
from chamberctl.display import Display, number
from chamberctl.errors import Infeasible
from chamberctl.findings import Finding
from chamberctl.plant.window import duty_points

if TYPE_CHECKING:
    from chamberctl.control.robust import RobustOptimum
    from chamberctl.plant.point import OperatingPoint
    from chamberctl.study import Study

LEAST_SHARE = 0.5
"""A duty point keeps at least this share of the integral action that it could have alone (assumed,
because twice the deviation after a step of gas is seen, and less hardly is)."""

CHECKED_BESIDE = (WIDTH - 1.0) / (WIDTH + 1.0)
"""Most half hysteresis in the output, as a share of the threshold: beyond it two could overlap, and
entries be used beyond the plants beside them."""


def gain_schedule(
    study: Study,
    ms: float,
    *,
    key: Key = "reading",
    points: Sequence[OperatingPoint] | None = None,
    fixed: RobustOptimum | None = None,
    least_share: float = LEAST_SHARE,
) -> GainSchedule:
    """Find as few sets of gains as leave every duty point its share of integral action.

    Parameters
    ----------
    study : Study
        System, duty and controller.
    ms : float
        Largest Ms, and largest Mt, at every plant [-]; the margins that the duty asks for are kept
        besides.
    key : {"reading", "output"}
        What chooses the entry.
    points : sequence of OperatingPoint, optional
        The study's duty points from `duty_points`, where they are known already.
    fixed : RobustOptimum, optional
        The one set for the whole duty within the same limits, where it is known already.
    least_share : float
        Share of the integral action that it could have alone that each duty point keeps [-].

    Returns
    -------
    GainSchedule
        One entry where one set leaves each point its share: then it is that of `robust_settings`.

    Raises
    ------
    Infeasible
        If no gain keeps the limits somewhere on the way through the duty.

    Notes
    -----
    The range of the key is divided into narrow cells; an entry is a run of them. Its settings have
    the most integral action that keeps the limits at the plants in these cells, all tolerances
    included, and in the next cell to either side, so that both neighbors' settings hold around each
    threshold. A run is good where that leaves each of its duty points the share. Every part of a
    good run is good: it has fewer plants, which can only raise the integral action, and no other
    duty points. So taking each run as long as it may be, from the lowest on, gives as few as
    possible (see `fewest_runs`). Of all schedules with that many entries the thresholds are then
    those with which the least share is largest. Last, every entry is checked at many more plants in
    its range, as `robust_settings` is; those that break a limit join.
    """
    duty = tuple(duty_points(study) if points is None else points)
    limits = limits_of(study, ms)
    frame = settings_frame(study)
    if fixed is not None:
        frame = replace(frame, tf_s=fixed.settings.tf_s)
    problem = Problem(study, duty, study.controller.terms, frame)
    alone = _alone(problem, limits)
    fixed = _fixed(problem, limits) if fixed is None else fixed
    if fixed is not None and enough(fixed.integral_action, alone, least_share):
        entries = [_whole(problem, fixed)]
    else:
        entries = fewest_entries(problem, limits, key, alone, least_share)
    thresholds = tuple(_threshold(study, key, *pair) for pair in pairwise(entries))
    worth = _worth(alone, entries, fixed)
    return GainSchedule(
        key=key,
        limits=limits,
        least_share=least_share,
        entries=tuple(entries),
        thresholds=thresholds,
        fixed=fixed,
        worth=worth,
        findings=_findings(study, key, least_share, entries, thresholds, worth),
    )


def _fixed(problem: Problem, limits: LoopLimits) -> RobustOptimum | None:
    """Return the one set for the whole duty; None where no gain does for all of it."""
    try:
        return robust_settings(
            problem.study,
            problem.points,
            limits=limits,
            structure=problem.structure,
            frame=problem.frame,
            explain=False,
        )
    except Infeasible:
        return None


def _alone(problem: Problem, limits: LoopLimits) -> dict[str, float]:
    """Return the integral action that each duty point could have alone, with its tolerances."""
    plants = envelope(problem.study, problem.points).plants
    finder = problem.finder(plants)
    found: dict[str, float] = {}
    for name in dict.fromkeys(plant.at for plant in plants):
        own = [i for i, plant in enumerate(plants) if plant.at == name]
        found[name] = finder.only(own).solve(limits).integral_action
    return found


def _whole(problem: Problem, fixed: RobustOptimum) -> ScheduleEntry:
    """Return the one set for the whole duty as an entry."""
    points = [p.where for p in problem.points if any(p.where == one.at for one in fixed.plants)]
    return ScheduleEntry(
        low=0.0,
        high=math.inf,
        settings=fixed.settings,
        integral_action=fixed.integral_action,
        plants=fixed.plants,
        margins=fixed.margins,
        noise_gain=fixed.noise_gain,
        points=tuple(points),
        why=fixed.why[-1],
    )


def _threshold(study: Study, key: Key, below: ScheduleEntry, above: ScheduleEntry) -> Threshold:
    """Return where one entry takes over from the other, clear of noise and steps."""
    at, gauge = above.low, study.loop_gauge()
    if key == "reading":
        half = at * reading_half_width(gauge, at)
    else:
        noise = SIGMAS * gauge.noise * max(below.noise_gain, above.noise_gain)
        half = max(noise + study.system.drive.resolution, LEAST_OUTPUT)
        half = min(half, at * CHECKED_BESIDE)
    return Threshold(at, at + half, at - half)


def _worth(
    alone: Mapping[str, float], entries: Sequence[ScheduleEntry], fixed: RobustOptimum | None
) -> tuple[PointWorth, ...]:
    found = []
    one = math.nan if fixed is None else fixed.integral_action
    for name, most in alone.items():
        used = tuple(i for i, entry in enumerate(entries) if name in entry.points)
        least = min(entries[i].integral_action for i in used)
        found.append(PointWorth(name, used, most, one, least))
    return tuple(found)


def _findings(
    study: Study,
    key: Key,
    least_share: float,
    entries: Sequence[ScheduleEntry],
    thresholds: Sequence[Threshold],
    worth: Sequence[PointWorth],
) -> tuple[Finding, ...]:
    share = number(100.0 * least_share)
    if len(entries) == 1:
        least = min(worth, key=lambda one: one.scheduled / one.alone)
        text = (
            "One set of gains is enough, no schedule is needed: it leaves every duty point at "
            f"least {number(100.0 * least.scheduled / least.alone)} % of the integral action that "
            f"the point could have alone, with its tolerances (least at {least.where}; {share} % "
            "is asked for)."
        )
        return (Finding("note", "gain schedule", text),)
    most = max(worth, key=lambda one: one.scheduled / one.fixed)
    gain = (
        f"At {most.where} it has {number(most.scheduled / most.fixed)} times the integral action "
        "of one set for all."
        if math.isfinite(most.fixed)
        else "No one set of gains keeps the limits over the whole duty."
    )
    found = [
        Finding(
            "note",
            "gain schedule",
            f"{len(entries)} entries are as few as leave every duty point {share} % of the "
            f"integral action that it could have alone. {gain} Settings hold on both sides of "
            "every threshold. On a change of entry the integral must be set so that the output "
            "does not jump; below the first and above the last threshold gains are held.",
        )
    ]
    show = Display.of(study)
    for index, one in enumerate(thresholds):
        if key == "output" and one.up - one.at >= one.at * CHECKED_BESIDE:
            found.append(
                Finding(
                    "caution",
                    "gain schedule",
                    f"At {show.speed_text(one.at)} the gauge's noise moves the output by more than "
                    f"{number(100.0 * (one.up - one.at))} % of rated: entries {index + 1} and "
                    f"{index + 2} change places by noise alone, for a wider hysteresis would use "
                    "them where they were not checked. Filter the reading, or schedule over it.",
                )
            )
    return tuple(found)
