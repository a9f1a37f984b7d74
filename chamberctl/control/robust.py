"""Settings for the envelope of a study: the optimum, why it ends there, and a denser check."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from chamberctl.control.calmness import Recovery, nearest, slowest
from chamberctl.control.dense_check import DenseCheck, Watched, begin_corners, densely
from chamberctl.control.dense_envelope import fine_envelope
from chamberctl.control.duty_loops import settings_frame
from chamberctl.control.envelope import Envelope, EnvelopePlant, LostPlant, envelope
from chamberctl.control.finder import Finder, Structure, require_room_for_noise
from chamberctl.control.optimum import Optimum, optimum_of
from chamberctl.control.pace import (
    DEFAULT_PACE,
    LIMIT_WORDS,
    PACES,
    LoopLimits,
    limit_text,
)
from chamberctl.control.problem import Problem, limits_of
from chamberctl.control.relaxations import Relaxation, relaxations
from chamberctl.control.tolerance_cases import Cases
from chamberctl.control.worth import as_stated, require_worth
from chamberctl.display import number
from chamberctl.errors import Infeasible
from chamberctl.findings import Finding
from chamberctl.plant.window import duty_points

if TYPE_CHECKING:
    from chamberctl.control.controller import PidSettings
    from chamberctl.control.margins import EnvelopeMargins
    from chamberctl.control.optimum import Binding
    from chamberctl.plant.point import OperatingPoint
    from chamberctl.study import Study


CLOSELY = 1.5
"""A limit on noise below so many times what the denser plants ask for is looked at closely."""


@dataclass(frozen=True)
class RobustOptimum:
    """The settings with the most integral action over a study's envelope.

    Parameters
    ----------
    settings : PidSettings
        Gain, times and filters with all digits; where the order of the integral is unknown, the
        worse one.
    structure : {"PI", "PID"}
        Whether derivative action was allowed.
    limits : LoopLimits
        What every plant keeps.
    integral_action : float
        ki = Kc/Ti [speed fraction per decade and s, or per Pa and s].
    plants : tuple of EnvelopePlant
        What the settings are for; plants of the denser check that joined are the last.
    margins : EnvelopeMargins
        Margins of `settings` at `plants`.
    noise_gain : float
        Largest |K S| over `plants` [speed fraction per fraction of reading].
    bindings : tuple of Binding
        Where limits bind, numbered as in `plants`.
    relaxations : tuple of Relaxation
        What would allow more integral action, the most first.
    recovery : Recovery
        The duty point, as stated, whose loop is slowest against the plant itself.
    check : DenseCheck or None
        What the denser check found; None if it was not asked for.
    lost : tuple of LostPlant
        Duty points that are held as stated and lost in a case; no gain holds them.
    why : tuple of str
        How the settings came about.
    findings : tuple of Finding
        What an engineer should know.
    """

    settings: PidSettings
    structure: Structure
    limits: LoopLimits
    integral_action: float
    plants: tuple[EnvelopePlant, ...]
    margins: EnvelopeMargins
    noise_gain: float
    bindings: tuple[Binding, ...]
    relaxations: tuple[Relaxation, ...]
    recovery: Recovery
    check: DenseCheck | None
    lost: tuple[LostPlant, ...]
    why: tuple[str, ...]
    findings: tuple[Finding, ...]


def robust_settings(
    study: Study,
    points: Sequence[OperatingPoint] | None = None,
    *,
    ms_limit: float | None = None,
    limits: LoopLimits | None = None,
    structure: Structure = "PI",
    frame: PidSettings | None = None,
    dense: bool = True,
    explain: bool = True,
) -> RobustOptimum:
    """Return the settings with the most integral action over a study's envelope.

    Parameters
    ----------
    study : Study
        System, duty and controller.
    points : sequence of OperatingPoint, optional
        Its duty points from `duty_points`, where they are known already.
    ms_limit : float, optional
        Largest Ms, and largest Mt [-]; that of the balanced choice if nothing is asked. The margins
        that the duty asks for are kept besides.
    limits : LoopLimits, optional
        All limits, in place of `ms_limit` and of those of the duty.
    structure : {"PI", "PID"}
        Whether derivative action is allowed.
    frame : PidSettings, optional
        Reading, filter on the reading and times of the controller, if not as the study has them.
    dense : bool
        Whether the settings are checked at many more plants and changed until they hold there.
    explain : bool
        Whether it is found what would allow more integral action.

    Returns
    -------
    RobustOptimum
        Settings, where limits bind and what would relax them.

    Raises
    ------
    Infeasible
        If no duty point is held by speed, no gain keeps the limits, or the loop would be too calm
        to be worth having; with the nearest request that can be met.
    """
    points = duty_points(study) if points is None else points
    if limits is None:
        limits = limits_of(study, PACES[DEFAULT_PACE] if ms_limit is None else ms_limit)
    problem = Problem(
        study, tuple(points), structure, settings_frame(study) if frame is None else frame
    )
    at_corners = begin_corners(problem) if dense else None  # long, and wanted for any gains
    found = envelope(study, points)
    if not found.plants:
        raise _nothing_held(points)
    finder = problem.finder(found.plants)
    if limits.noise_gain is not None and dense:
        _require_room_for_noise(problem, finder, limits)
    optimum = _best(finder, limits)
    slow = require_worth(finder, found.plants, limits, optimum)
    plants, check = found.plants, None
    if at_corners is not None:
        plants, optimum, check = densely(problem, plants, limits, optimum, at_corners)
    recovery = slowest(as_stated(plants), optimum.settings.reading, optimum.integral_action)
    eased = relaxations(problem, plants, limits, optimum) if explain else ()
    return RobustOptimum(
        settings=optimum.settings,
        structure=structure,
        limits=limits,
        integral_action=optimum.integral_action,
        plants=plants,
        margins=optimum.margins,
        noise_gain=optimum.noise_gain,
        bindings=optimum.bindings,
        relaxations=eased,
        recovery=recovery,
        check=check,
        lost=found.lost,
        why=_why(plants, limits, optimum, structure),
        findings=(*slow, *_findings(points, found, check)),
    )


def _require_room_for_noise(problem: Problem, finder: Finder, limits: LoopLimits) -> None:
    """Refuse a noise gain that plants between those tuned for cannot keep either."""
    grids = [finder.grid, Watched(problem, problem.dense).grid]
    least = max(float(np.max(grid.lasting)) for grid in grids)
    if limits.noise_gain is not None and limits.noise_gain < CLOSELY * least:
        finely = problem.finely
        every = fine_envelope(finely, list(Cases(finely[0]).tuned_for()))
        grids.append(Watched(problem, every).grid)
    require_room_for_noise(grids, limits)


def _nothing_held(points: Sequence[OperatingPoint]) -> Infeasible:
    reasons = " ".join(f"{point.where}: {_why_no_loop(point)}" for point in points)
    nearest = " ".join(dict.fromkeys(point.nearest for point in points if point.nearest))
    return Infeasible(f"No duty point can be held by speed. {reasons}", nearest)


def _why_no_loop(point: OperatingPoint) -> str:
    if not point.feasible:
        return point.reason
    if point.limited_by:
        return f"the {point.limited_by} rules, speed does not act."
    return (
        "more speed does not lower the reading: the plant has the wrong sign. Check the gauge's "
        "position and the map from output to speeds."
    )


def _best(finder: Finder, limits: LoopLimits) -> Optimum:
    """Return the optimum; where there is none, say which Ms would have one."""
    try:
        return optimum_of(finder, limits)
    except Infeasible as error:
        looser = nearest(limits, "ms", lambda asked: bool(finder.solve(asked)))
        if looser is None:
            raise
        raise Infeasible(error.reason, f"Nearest: Ms {number(looser)}.") from error


def _why(
    plants: Sequence[EnvelopePlant], limits: LoopLimits, optimum: Optimum, structure: Structure
) -> tuple[str, ...]:
    asked = ", ".join(
        limit_text(name, getattr(limits, name))
        for name in LIMIT_WORDS
        if getattr(limits, name) is not None
    )
    points = len({plant.at for plant in plants})
    ends = "; ".join(
        f"{LIMIT_WORDS[one.limit]} at {plants[one.plant].where} "
        f"(at {number(one.omega_rad_s)} rad/s)"
        for one in optimum.bindings[:2]
    )
    return (
        f"{structure} settings with the most integral action, which leave the least integrated "
        f"error after a step of the gas load, within {asked} at {len(plants)} plants: {points} "
        "operating points, each as stated, with everything that is known within a tolerance only "
        "at its ends, and with what the data do not decide settled either way.",
        f"They end where a limit binds: {ends}.",
    )


def _findings(
    points: Sequence[OperatingPoint], found: Envelope, check: DenseCheck | None
) -> tuple[Finding, ...]:
    findings = [
        Finding("no", point.limited_by or "not reachable", f"{point.where}: {_why_no_loop(point)}")
        for point in points
        if point.where not in {plant.at for plant in found.plants}
    ]
    if found.lost:
        names = "; ".join(f"{lost.where} ({lost.reason})" for lost in found.lost[:3])
        more = f"; and {len(found.lost) - 3} more" if len(found.lost) > 3 else ""
        findings.append(
            Finding(
                "caution",
                "duty points at risk",
                f"Within the tolerances {len(found.lost)} of the plants do not hold their duty "
                f"point, whatever the gains: {names}{more}.",
            )
        )
    if check is not None:
        findings.append(Finding("note", "denser check", _checked(check)))
    return tuple(findings)


def _checked(check: DenseCheck) -> str:
    changed = ""
    if check.joined:
        names = "; ".join(check.joined)
        changed = f", after the settings were changed for {len(check.joined)} of them: {names}"
    return (
        f"The limits hold at {check.plants} more plants, with gas loads, setpoints and tolerances "
        f"between those tuned for{changed}. With every tolerance at one of its ends at once the "
        f"loop is stable at all {check.corners} corners; the highest Ms there is "
        f"{number(check.worst_corner_ms)}, at {check.worst_corner}."
    )
