"""Settings for a study: gains that its whole envelope bears, and all else chosen on the plant."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from chamberctl.control.duty_loops import duty_loops
from chamberctl.control.found import found_settings
from chamberctl.control.margins import margins
from chamberctl.control.pace import PACES, pace_name
from chamberctl.control.robust_design import robust_design
from chamberctl.control.tuning import assess, assessed, rule_tuning
from chamberctl.display import number
from chamberctl.errors import Infeasible
from chamberctl.findings import Finding, gravest_first
from chamberctl.proposal.breaches import (
    Breach,
    asks_large_signals,
    breaches,
    farthest,
    nearest_limits,
    overshoot_breaches,
)
from chamberctl.proposal.choices import choose
from chamberctl.proposal.effective_delay import effective_delay
from chamberctl.proposal.scheduling import with_schedule
from chamberctl.simulation.scenarios import corners

if TYPE_CHECKING:
    from chamberctl.control.duty_loops import DutyLoops
    from chamberctl.control.found import FoundSettings
    from chamberctl.control.tuning import Tuning
    from chamberctl.study import Study

CALMER = 0.1
"""Step in Ms in which settings are backed off."""

CALMEST = 1.2
"""Ms below which they are not backed off further (1.2 to 2.0 is usual: Astrom and Hagglund, PID
Controllers, 1995, from memory)."""


def tune(study: Study, *, progress: Callable[[str], None] = lambda text: None) -> Tuning:
    """Propose settings for a study and check them over its whole duty.

    Parameters
    ----------
    study : Study
        System, duty and controller; `controller.rule` says how.
    progress : callable, optional
        Told in a few words what begins.

    Returns
    -------
    Tuning
        Settings as typed in, margins and findings; `holds` is the answer.

    Raises
    ------
    Infeasible
        If no duty point has a steady state where speed acts, or nothing bears the pace asked for.
    FormError
        If the controller's form cannot express the settings.

    Notes
    -----
    With the rule "robust" the gains are those with the most integral action that every plant of the
    envelope bears. Setpoint weight, setpoint ramp and tracking time are then chosen by trying them
    on the plant. Where the duty states limits that only a run can judge, the settings are tried on
    steps of setpoint and gas, on pump-down and on the return from standby, and are made calmer
    until the limits hold too. Where the study asks for a schedule and one set is not enough, all
    this is said and tried of the schedule. With the rule "simc" the published rule is taken as it
    stands. Where the study states settings that a person chose, these are checked and nothing is
    looked for.
    """
    progress("duty points and their loops")
    chosen = found_settings(study, "settings")
    if chosen is not None:
        return _as_chosen(study, chosen)
    if study.controller.rule == "simc":
        return rule_tuning(study)
    loops = duty_loops(study)
    asked = asked_ms(study)
    best: tuple[Tuning, tuple[Breach, ...], float] | None = None
    first: tuple[Breach, ...] = ()
    nearest = math.inf, 0
    paces = _paces(study, asked)
    for tried, ms in enumerate(paces):
        progress(f"gains for {pace_name(ms)}")
        try:
            tuning = _at_pace(loops, ms, progress)
        except Infeasible:
            if best is None:
                raise
            paces = paces[:tried]  # nothing as calm as that holds, and nothing calmer does
            break
        progress(f"trials on the plant at {pace_name(ms)}")
        broken = (
            *breaches(study, tuning.runs, corners(study, loops.duty)),
            *_overshoots(study, tuning),
        )
        first = first or broken
        away = farthest(study, broken), len(broken)
        if best is None or away < nearest:
            best, nearest = (tuning, broken, ms), away
        if not broken:
            break
    assert best is not None
    return _with_trials(*best, paces, first)


def _at_pace(loops: DutyLoops, ms: float, progress: Callable[[str], None]) -> Tuning:
    """Return the schedule where the study asks for one and needs it, otherwise one set."""
    key = loops.study.controller.schedule
    if key == "none":
        return _proposed(loops, ms)
    one_set, refusal = None, None
    try:
        one_set = _proposed(loops, ms)
    except Infeasible as none:
        refusal = none
    progress(f"a schedule over the {key} for {pace_name(ms)}")
    return with_schedule(loops, one_set, refusal, ms)


def _as_chosen(study: Study, chosen: FoundSettings) -> Tuning:
    """Check the settings that a person chose."""
    named = (study.controller.settings or {}).get("name", "")
    origin = "These settings were chosen by a person"
    said = "; ".join((f"{origin}: {named}" if named else origin, *chosen.assumed))
    return assess(study, chosen.settings, origin=f"{said}.")


def asked_ms(study: Study) -> float:
    """Return the largest Ms that the robust settings may have: as asked, within the duty's limit.

    Parameters
    ----------
    study : Study
    """
    controller = study.controller
    wanted = PACES[controller.pace] if controller.pace_ms is None else controller.pace_ms
    return min(wanted, study.duty.limits.ms)


def _paces(study: Study, asked: float) -> list[float]:
    """The Ms asked for and, where runs are judged, calmer ones."""
    if not asks_large_signals(study):
        return [asked]
    steps = max(math.ceil((asked - CALMEST) / CALMER - 1e-9), 0)
    return [asked, *(asked - CALMER * (step + 1) for step in range(steps))]


def _proposed(loops: DutyLoops, ms: float) -> Tuning:
    design = robust_design(loops, ms)
    study = loops.study
    found = margins(loops.models, design.settings)
    known = [w for w in found.crossover_rad_s if math.isfinite(w) and w > 0.0]
    loop_time = 1.0 / min(known, default=1.0 / design.tau_c_s)
    plants = design.optimum.plants if design.optimum else ()
    chosen = choose(study, design.settings, corners(study, loops.duty), loop_time, plants)
    late = effective_delay(study, chosen.settings, loops.points[design.index])
    why = (*design.why, late.text, *(choice.text for choice in chosen.made))
    return assessed(loops, replace(design, settings=chosen.settings, choices=chosen.made, why=why))


def _overshoots(study: Study, tuning: Tuning) -> Iterator[Breach]:
    """Yield where the linear loop goes too far within the tolerances, each entry at its plants."""
    if tuning.schedule is None:
        optimum = tuning.design.optimum
        yield from overshoot_breaches(study, tuning.settings, optimum.plants if optimum else ())
        return
    for one in tuning.schedule.entries:
        if one.entry.points:  # no setpoint lies in an entry that only leads between two
            yield from overshoot_breaches(study, one.settings, one.entry.plants)


def _with_trials(
    tuning: Tuning,
    broken: tuple[Breach, ...],
    ms: float,
    paces: Sequence[float],
    first: tuple[Breach, ...],
) -> Tuning:
    """Say what the trials changed, and what they still break; without an end all were tried."""
    asked = paces[0]
    findings = list(tuning.findings)
    if ms < asked:
        findings.append(
            Finding(
                "note",
                "backed off",
                f"The settings are calmer than asked for, {pace_name(ms)} in place of "
                f"{pace_name(asked)}: with that, the duty's limits do not hold on the plant. "
                f"{first[0].text}",
            )
        )
    findings += [Finding("no", "limits on the plant", breach.text) for breach in broken]
    if broken:
        tried = number(asked) if len(paces) == 1 else f"{number(asked)} to {number(paces[-1])}"
        least = ", ".join(nearest_limits(broken))
        text = (
            f"No Ms of {tried} keeps all limits. Nearest, with {pace_name(ms)}: {least}. Or ramp "
            "setpoints and openings more slowly, or change what binds (drive ramps, gas load, "
            "volume)."
        )
        findings.append(Finding("note", "limits on the plant", text))
    return replace(tuning, findings=gravest_first(findings), holds=tuning.holds and not broken)
