"""The days a loop is tried on: each scenario by name, prepared from a study and run."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from types import MappingProxyType
from typing import TYPE_CHECKING

from chamberctl.control.controller import PidSettings
from chamberctl.control.duty_margins import worst_margins
from chamberctl.control.gain_steps import GainSteps
from chamberctl.control.tuned import Tuning
from chamberctl.control.tuning import assess
from chamberctl.errors import Infeasible, InputError
from chamberctl.findings import Finding
from chamberctl.plant.compiled import cache_findings
from chamberctl.plant.floor import floor_pa
from chamberctl.plant.window import duty_points
from chamberctl.simulation import disturbances, handovers
from chamberctl.simulation.engine import TOLERANCE
from chamberctl.simulation.judging import (
    judged,
    measured,
    measured_findings,
    unsettled_findings,
)
from chamberctl.simulation.prepared import Plan, Prepared, Situation, bad_action
from chamberctl.simulation.sightings import band_notes, shown
from chamberctl.simulation.signal import FAILS_FULL, FAILS_LAST, FAILS_ZERO
from chamberctl.study.messages import nearest

if TYPE_CHECKING:
    from chamberctl.plant.point import OperatingPoint
    from chamberctl.simulation.engine import Trace
    from chamberctl.simulation.metrics import Metrics, Verdict
    from chamberctl.study import Study


@dataclass(frozen=True)
class Scenario:
    """One scenario.

    Parameters
    ----------
    name, title : str
        Its name on the command line, and what it is in a few words.
    sentence : str
        What happens, in one sentence.
    builder : callable
        From a situation to the plan of the run.
    """

    name: str
    title: str
    sentence: str
    builder: Callable[[Situation], Plan]


@dataclass(frozen=True)
class ScenarioRun:
    """A scenario that was run.

    Parameters
    ----------
    trace : Trace
        The run, scan by scan.
    prepared : Prepared
        What was run.
    findings : tuple of Finding
        What was known before the run and what it showed.
    metrics : Metrics
        The run in numbers.
    verdict : Verdict
        Whether it keeps the limits that the duty states.
    """

    trace: Trace
    prepared: Prepared
    findings: tuple[Finding, ...]
    metrics: Metrics
    verdict: Verdict


def _fault(fault: int) -> Callable[[Situation], Plan]:
    return partial(handovers.gauge_fault, fault=fault)


_ALL = (
    Scenario("setpoint-step-up", "Setpoint step up",
             "The setpoint rises at once by duty.setpoint_step; only gas lifts the pressure.",
             partial(disturbances.setpoint_step, sign=1.0)),
    Scenario("setpoint-step-down", "Setpoint step down",
             "The setpoint falls at once by duty.setpoint_step.",
             partial(disturbances.setpoint_step, sign=-1.0)),
    Scenario("setpoint-ramp", "Setpoint ramp",
             "The setpoint runs to another one at a constant rate.",
             disturbances.setpoint_ramp),
    Scenario("gas-step", "Gas step",
             "The metered gas flow rises at once by duty.gas_load_step.",
             partial(disturbances.gas_step, feed_forward=False)),
    Scenario("gas-step-feed-forward", "Gas step with a flow signal",
             "The same step, with the metered flow wired to the output as feed-forward.",
             partial(disturbances.gas_step, feed_forward=True)),
    Scenario("gas-burst", "Gas burst",
             "A burst of gas comes at once and decays.",
             disturbances.gas_burst),
    Scenario("pump-down", "Pump-down into the hold",
             "From atmosphere at a fixed output until the reading falls below the switch pressure, "
             "then in automatic.",
             handovers.pump_down),
    Scenario("return-from-standby", "Return from standby",
             "The inlet valve is closed and the pumps idle; the valve opens and the loop takes "
             "over.",
             handovers.return_from_standby),
    Scenario("speed-override", "Speed override",
             "The pump overrides its loop for some minutes and releases it.",
             handovers.speed_override),
    Scenario("clogging-line", "Clogging line",
             "A part of the line narrows slowly.",
             disturbances.clogging_line),
    Scenario("gauge-fault-zero", "Gauge sends zero",
             "The gauge fails and sends zero for a while.", _fault(FAILS_ZERO)),
    Scenario("gauge-fault-full", "Gauge sends full scale",
             "The gauge fails and sends full scale for a while.", _fault(FAILS_FULL)),
    Scenario("gauge-fault-last", "Gauge freezes",
             "The gauge fails and sends its last value for a while, during which the setpoint "
             "stays.",
             _fault(FAILS_LAST)),
    Scenario("gas-change", "Change of gas",
             "Another gas flows, which line and pumps carry or the gauge reads otherwise.",
             handovers.gas_change),
    Scenario("power-dip", "Power dip",
             "The drive is without power for a moment and coasts.",
             handovers.power_dip),
    Scenario("venting-leak", "Growing leak",
             "A leak to the outside grows and stays.",
             disturbances.venting_leak),
    Scenario("wrong-sense", "Wrong action",
             "The controller's action has the wrong sign, and the setpoint steps.",
             handovers.wrong_sense),
)  # fmt: skip

SCENARIOS: Mapping[str, Scenario] = MappingProxyType({item.name: item for item in _ALL})
"""Every scenario by its name."""


def build(
    study: Study,
    settings: PidSettings | GainSteps,
    point: OperatingPoint,
    name: str,
    *,
    start_output: float | None = None,
) -> Prepared:
    """Prepare a scenario.

    Parameters
    ----------
    study : Study
        System, duty and controller; its tables [scenario.NAME] hold the parameters.
    settings : PidSettings or GainSteps
        The controller's settings, one set or several by reading or output; with a scan time.
    point : OperatingPoint
        The steady state that the loop holds.
    name : str
        One of `SCENARIOS`.
    start_output : float, optional
        Output that a bad reading may lead to [-]; the study's, or that of the point.

    Returns
    -------
    Prepared
        Ready to run.

    Raises
    ------
    InputError
        If there is no such scenario, or a parameter does not fit the study.
    Infeasible
        If there is no steady state to start from, or nothing that this scenario could happen to.
    """
    if name not in SCENARIOS:
        raise InputError(
            f"no such scenario{nearest(name, SCENARIOS)}", given=repr(name), field="scenario"
        )
    if not point.feasible:
        raise Infeasible(point.reason, point.nearest)
    if start_output is None:
        given = study.controller.start_output
        start_output = point.speed if given is None else given
    steps = settings if isinstance(settings, GainSteps) else None
    if isinstance(settings, GainSteps):
        place = point.indicated_pa if settings.key == "reading" else point.speed
        settings = settings.settings[settings.entry_at(place)]
    situation = Situation(study, settings, point, start_output)
    scenario = SCENARIOS[name]
    plan = scenario.builder(situation)
    return Prepared(
        name=name,
        title=scenario.title,
        system=plan.system or situation.system,
        gauge=situation.gauge,
        settings=plan.settings or settings,
        start=plan.start or situation.rest(),
        happenings=plan.happenings,
        event_s=plan.event_s,
        settled_s=plan.settled_s,
        detects_faults=plan.detects_faults,
        bad_action=bad_action(situation),
        notes=(*plan.notes, *band_notes(situation)),
        hold_band=study.duty.hold_band,
        limits=study.duty.limits,
        floor_pa=floor_pa(study),
        point=point,
        steps=None if steps is None else _as_planned(steps, plan, settings),
    )


def _as_planned(steps: GainSteps, plan: Plan, usual: PidSettings) -> GainSteps:
    """Return a schedule as a scenario runs it: all a plan changes of settings is their sign."""
    if plan.settings is None:
        return steps
    sign = math.copysign(1.0, plan.settings.kc / usual.kc)
    return replace(steps, settings=tuple(replace(one, kc=sign * one.kc) for one in steps.settings))


def simulate(
    study: Study,
    settings: PidSettings | Tuning | GainSteps,
    scenario: str = "setpoint-step-down",
    *,
    point: OperatingPoint | None = None,
    seed: int | None = None,
) -> ScenarioRun:
    """Run a scenario of a study on the nonlinear plant, as the sampled loop will run.

    Parameters
    ----------
    study : Study
        System, duty and controller; its tables [scenario.NAME] hold the parameters.
    settings : PidSettings, Tuning or GainSteps
        What to try, such as from `tune`, whose schedule runs where it has one; several sets by
        reading or output alone need a `point`.
    scenario : str
        One of `SCENARIOS`, such as "gas-step" or "pump-down".
    point : OperatingPoint, optional
        Where the loop holds; the duty point with the worst margins if not given.
    seed : int, optional
        Seed of the gauge's noise; no noise if not given.

    Returns
    -------
    ScenarioRun
        The run in time, and what it showed.

    Raises
    ------
    InputError
        If there is no such scenario, or the settings have no scan time.
    Infeasible
        If no duty point can be held, or there is nothing that this scenario could happen to.
    """
    return run(prepare(study, settings, scenario, point=point), seed=seed)


def prepare(
    study: Study,
    settings: PidSettings | Tuning | GainSteps,
    scenario: str,
    *,
    point: OperatingPoint | None = None,
) -> Prepared:
    """Prepare a scenario, at the worst duty point where no point is given.

    Parameters
    ----------
    study, settings, scenario, point
        As of `simulate`.

    Returns
    -------
    Prepared
        Ready to run.
    """
    if isinstance(settings, GainSteps):
        if point is None:
            raise InputError(
                "settings by reading or output are tried at a given point", field="point"
            )
        return build(study, settings, point, scenario)
    chosen = settings if isinstance(settings, PidSettings) else settings.runs
    start_output = None if isinstance(settings, PidSettings) else settings.start_output
    if point is None:
        tuning = assess(study, settings) if isinstance(settings, PidSettings) else settings
        point = worst_point(tuning)
    return build(study, chosen, point, scenario, start_output=start_output)


def run(
    prepared: Prepared, *, seed: int | None = None, tolerance: float = TOLERANCE
) -> ScenarioRun:
    """Run a prepared scenario.

    Parameters
    ----------
    prepared : Prepared
        What to run.
    seed : int, optional
        Seed of the gauge's noise; no noise if not given.
    tolerance : float
        Error of ln p allowed per step [-].

    Returns
    -------
    ScenarioRun
        The run, and what it showed.
    """
    trace = prepared.run(seed=seed, tolerance=tolerance)
    found = measured(prepared, trace)
    findings = (
        *prepared.notes,
        *shown(prepared, trace),
        *measured_findings(found, prepared.hold_band, float(trace.time_s[-1]) - prepared.event_s),
        *unsettled_findings(prepared, found),
        *cache_findings(),
    )
    return ScenarioRun(trace, prepared, findings, found, judged(prepared, found))


def worst_point(tuning: Tuning) -> OperatingPoint:
    """Duty point whose loop has the highest peak of the sensitivity, or is unstable.

    Parameters
    ----------
    tuning : Tuning
        Duty points with their margins.

    Returns
    -------
    OperatingPoint
        The point.
    """
    found = [point.margins for point in tuning.points]
    return tuning.points[worst_margins(found)["ms"][1]].point


def corners(
    study: Study, points: Sequence[OperatingPoint] | None = None
) -> tuple[OperatingPoint, ...]:
    """Duty points at the corners of the envelope: lowest and highest setpoint and load.

    Parameters
    ----------
    study : Study
        System, duty and controller.
    points : sequence of OperatingPoint, optional
        Every point of its duty in order, where they are known already.

    Returns
    -------
    tuple of OperatingPoint
        One to four points: at the lowest and at the highest setpoint that can be held, the least
        and the most gas; points without a steady state, or where speed does not act, are left out.
    """
    asked = [setpoint for setpoint, _, _ in study.duty_points()]
    held = [
        (setpoint, point)
        for setpoint, point in zip(
            asked, duty_points(study) if points is None else points, strict=True
        )
        if point.feasible and not point.limited_by
    ]
    setpoints = sorted({setpoint for setpoint, _ in held})
    found: list[OperatingPoint] = []
    for wanted in dict.fromkeys(setpoints[:1] + setpoints[-1:]):
        here = [point for setpoint, point in held if setpoint == wanted]
        here.sort(key=lambda point: point.gas_load_pa_m3_s)
        found += here[:1] if len(here) == 1 else [here[0], here[-1]]
    return tuple(found)
