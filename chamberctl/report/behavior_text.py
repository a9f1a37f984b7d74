"""How the loop behaves on the days it is tried on, in words, numbers and pictures."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from chamberctl.display import Display, number
from chamberctl.findings import Finding, Severity
from chamberctl.report.drawings import Drawing, drawing, join_words
from chamberctl.report.tables import Column, Row, Table, numbers

if TYPE_CHECKING:
    from chamberctl.control.tuned import TunedPoint, Tuning
    from chamberctl.figures import TraceCurve
    from chamberctl.simulation.days import Day
    from chamberctl.simulation.metrics import Metrics
    from chamberctl.simulation.parting import Parting, Prediction
    from chamberctl.simulation.scenarios import ScenarioRun
    from chamberctl.study import Study

CORNERS = "Every scenario at the corners of the duty"
LEGEND = "Dashed: setpoint; dotted: hold band, and limits of speed. Thin below: the output."

#: Pairs of scenarios that one picture shows side by side.
SHOWN = (("setpoint-step-down", "gas-step"), ("pump-down", "return-from-standby"))

COUNTED = (
    "Every number is defined in the documentation's page on metrics. Overshoot and undershoot, "
    "above and below the setpoint, count from where the setpoint is first reached; settled is the "
    "time of the last exit from the hold band; peak is the largest deviation from what happens on."
)


def section(study: Study, tuning: Tuning, days: Sequence[Day]) -> dict[str, Any]:
    """Return text, table and pictures of all scenarios at the envelope's corners."""
    worst = worst_corner(tuning, days)
    compared = _compared(tuning, days, worst)
    return {
        "text": [
            "The sampled controller ran on the nonlinear plant, scan by scan, with the drive's "
            "ramps, limits, rounding and bands and the gauge's range and counts, through every "
            "scenario at the corners of the duty: lowest and highest setpoint, least and most gas.",
            judgment(study, days),
            COUNTED,
        ],
        "refusals": refusals(days),
        "parting": [parting_sentence(study, day, apart) for day, (_, apart) in compared],
        "findings": findings(study, days),
        "pictures": _pictures(
            study, days, worst, {day.scenario.name: found for day, found in compared}
        ),
        "table": table(study, days),
    }


def label(study: Study, where: str) -> str:
    """Return a duty point's number as in the tables of the window."""
    names = [name for _, _, name in study.duty_points()]
    return str(names.index(where) + 1) if where in names else where


def worst_corner(tuning: Tuning, days: Sequence[Day]) -> str:
    """Return the corner whose loop is unstable or has the largest Ms."""
    margins = {point.where: point.margins for point in tuning.points}
    places = list(dict.fromkeys(day.point.where for day in days))

    def badness(where: str) -> float:
        found = margins.get(where)
        if found is None:
            return -1.0
        return found.ms if found.stable and math.isfinite(found.ms) else math.inf

    return max(places, key=badness, default="")


def broken(study: Study, days: Sequence[Day]) -> list[str]:
    """Return one sentence for every scenario that does not keep a limit, naming its points."""
    found: dict[tuple[str, str], list[str]] = {}
    for day in days:
        if day.run is None or day.holds:
            continue
        reasons = day.run.verdict.reasons or [
            finding.text for finding in day.run.findings if finding.severity == "no"
        ]
        key = (day.scenario.title, reasons[0])
        found.setdefault(key, []).append(label(study, day.point.where))
    return [
        f"{title} at point{'s' if len(places) > 1 else ''} {join_words(places)}: {reason}"
        for (title, reason), places in found.items()
    ]


def judgment(study: Study, days: Sequence[Day]) -> str:
    """Return how many runs keep the duty's limits, and which those are."""
    asked = asked_for(study)
    if not asked:
        return (
            "The duty states no limits on overshoot, undershoot, settling or the like, and none "
            "are built in: the numbers stand without a verdict."
        )
    failing = [day for day in days if not day.holds]
    ran = [day for day in days if day.run is not None]
    kept = f"{len(ran) - len(failing)} of {len(ran)} runs keep the duty's limits"
    return f"{kept}: {join_words(asked)}."


def asked_for(study: Study) -> list[str]:
    """Return the duty's limits on large signals in words."""
    from chamberctl.simulation.metrics import LIMITS

    words = []
    for name, what in LIMITS.items():
        value = getattr(study.duty.limits, name)
        if value is not None:
            bound = "at least" if what.at_least else "at most"
            words.append(f"{what.name} {bound} {number(value * what.factor)} {what.unit}")
    return words


def refusals(days: Sequence[Day]) -> list[str]:
    """Return what cannot happen to this plant, and why."""
    found = {(day.scenario.title, day.refusal): None for day in days if day.run is None}
    return [f"{title}: {why}" for title, why in found]


def findings(study: Study, days: Sequence[Day]) -> list[Finding]:
    """Return what the runs showed beyond their numbers, said once for all points it holds for."""
    found: dict[tuple[Severity, str, str], list[str]] = {}
    for day in days:
        for finding in day.run.findings if day.run else ():
            if finding.severity == "note":
                continue
            key = (finding.severity, f"{day.scenario.title}, {finding.subject}", finding.text)
            found.setdefault(key, []).append(label(study, day.point.where))
    gathered: dict[tuple[Severity, str], list[str]] = {}
    for (severity, subject, text), places in found.items():
        where = f"point{'s' if len(places) > 1 else ''} {join_words(places)}"
        gathered.setdefault((severity, subject), []).append(f"At {where}: {text}")
    return [Finding(s, subject, " ".join(texts)) for (s, subject), texts in gathered.items()]


# The table


def columns(study: Study) -> tuple[Column, ...]:
    """Return the heads of the table of metrics."""
    found = [
        Column("Scenario", "", "part"),
        Column("Point", "", "mid"),
        numbers("Overshoot", "% of setpoint"),
        numbers("Undershoot", "% of setpoint"),
        numbers("Settled", "s"),
        numbers("In the band", "% of time"),
        numbers("Peak", "% of setpoint"),
        numbers("Recovered", "s"),
        numbers("Drive travel", "rated speeds/h"),
        numbers("On a ramp", "s"),
        numbers("At a limit", "s"),
    ]
    if study.system.booster is not None:
        found.append(numbers("Booster difference", "mbar"))
    return (*found, Column("Limits"))


def cells(study: Study, run: ScenarioRun) -> list[str]:
    """Return one run's numbers, for `columns` from the overshoot on."""
    m = run.metrics
    found = [
        _percent(m.overshoot),
        _percent(m.undershoot),
        _seconds(m.settling_s),
        _percent(m.time_in_band),
        _percent(m.peak_deviation),
        _seconds(m.recovery_s),
        number(m.drive_travel_per_h),
        number(m.time_on_ramp_s),
        number(m.time_on_limits_s),
    ]
    if study.system.booster is not None:
        found.append(number(m.largest_booster_difference_pa / 100.0))
    return [*found, _verdict(run)]


def _percent(value: float) -> str:
    return "not reached" if math.isnan(value) else number(round(100.0 * value, 4), 3)


def _seconds(value: float) -> str:
    return "not" if math.isinf(value) else number(value)


def _verdict(run: ScenarioRun) -> str:
    if not run.metrics.complete:
        return "incomplete"
    if not run.verdict.judged:
        return "not judged"
    if run.verdict.holds:
        return "kept"
    return f"broken: {join_words(run.verdict.broken)}"


def table(study: Study, days: Sequence[Day], caption: str = CORNERS) -> Table:
    """Return every run's metrics, scenario by scenario, with the duty's limits at the head."""
    rows = [Row(_limits_row(study), "strong")] if asked_for(study) else []
    last = ""
    for day in days:
        if day.run is None:
            continue
        title = day.scenario.title
        first = title != last
        rows.append(
            Row(
                (title if first else "", label(study, day.point.where), *cells(study, day.run)),
                "starts" if first else "",
            )
        )
        last = title
    band = number(100 * study.duty.hold_band)
    return Table(f"{caption}; hold band \u00b1{band} %", columns(study), rows)


def _limits_row(study: Study) -> list[str]:
    given = study.duty.limits

    def at(value: float | None, factor: float, sign: str = "\u2264") -> str:
        return "" if value is None else f"{sign} {number(value * factor)}"

    found = [
        "Limits of the duty", "", at(given.overshoot, 100), at(given.undershoot, 100),
        at(given.settling_s, 1), at(given.time_in_band, 100, "\u2265"),
        at(given.peak_deviation, 100), at(given.recovery_s, 1), at(given.drive_travel_per_h, 1),
        "", "",
    ]  # fmt: skip
    if study.system.booster is not None:
        found.append(at(given.booster_difference_pa, 0.01))
    return [*found, ""]


# Linear prediction


def _compared(
    tuning: Tuning, days: Sequence[Day], where: str
) -> list[tuple[Day, tuple[Prediction, Parting]]]:
    """Return the runs at one corner that have a linear prediction, with it."""
    from chamberctl.simulation.parting import linear_prediction, parting

    tuned: dict[str, TunedPoint] = {point.where: point for point in tuning.points}
    found = []
    for day in days:
        if day.run is None or day.point.where != where or where not in tuned:
            continue
        if not tuned[where].margins.stable or not day.run.trace.complete:
            continue
        predicted = linear_prediction(day.run.prepared, tuned[where].model, day.run.trace)
        if predicted is not None:
            apart = parting(day.run.prepared, day.run.trace, predicted)
            found.append((day, (predicted, apart)))
    return found


def parting_sentence(study: Study, day: Day, apart: Parting) -> str:
    """Return where a run and its linear prediction part company, and why."""
    band = number(100 * study.duty.hold_band)
    where = f"{day.scenario.title} at point {label(study, day.point.where)}"
    if math.isinf(apart.after_s):
        return (
            f"{where}: linear prediction and run stay together; they differ by at most "
            f"{number(100 * apart.largest, 2)} % of the setpoint, less than the hold band of "
            f"\u00b1{band} %."
        )
    assert day.run is not None
    metrics: Metrics = day.run.metrics
    return (
        f"{where}: linear prediction and run part company {number(apart.after_s)} s after the "
        f"step, where they first differ by more than the hold band of \u00b1{band} %: by then "
        f"{join_words(apart.reasons)}. They differ by up to {number(100 * apart.largest)} % of "
        f"the setpoint; the run overshoots by {_percent(metrics.overshoot)} % and undershoots by "
        f"{_percent(metrics.undershoot)} %."
    )


# Pictures


def _pictures(
    study: Study,
    days: Sequence[Day],
    where: str,
    compared: dict[str, tuple[Prediction, Parting]],
) -> list[Drawing]:
    from chamberctl import figures

    runs = {day.scenario.name: day.run for day in days if day.run and day.point.where == where}
    found = []
    for number_, names in enumerate(SHOWN, start=1):
        curves = [curve(study, runs[name], compared.get(name)) for name in names if name in runs]
        if not curves:
            continue
        predicted = any(shown.predicted is not None for shown in curves)
        caption = f"Point {label(study, where)}, the corner with the worst margins. " + (
            "Thick: the run; long dashes of gray: what the linear loop predicts, without ramps and "
            "limits; dotted upright: where they part company. "
            if predicted
            else "Shaded: output given from outside. "
        )
        found.append(drawing(figures.traces(curves), f"days{number_}", caption + LEGEND))
    return found


def curve(
    study: Study, run: ScenarioRun, compared: tuple[Prediction, Parting] | None = None
) -> TraceCurve:
    """Return a run as a curve, in the study's units.

    Parameters
    ----------
    study : Study
    run : ScenarioRun
    compared : tuple of (Prediction, Parting), optional
        The linear prediction and where the run leaves it.
    """
    from chamberctl.figures import TraceCurve

    unit, trace, prepared = Display.of(study), run.trace, run.prepared
    predicted, parting_s = None, math.nan
    if compared is not None:
        guess, apart = compared
        predicted = (guess.time_s, unit.to_pressure(guess.indicated_pa), 100.0 * guess.output)
        if math.isfinite(apart.after_s):
            parting_s = float(guess.time_s[0]) + apart.after_s
    return TraceCurve(
        title=prepared.title,
        time_s=trace.time_s,
        reading=unit.to_pressure(trace.columns["indicated_pa"]),
        setpoint=unit.to_pressure(trace.setpoint_pa),
        speed_percent=100.0 * trace.columns["speed"],
        output_percent=100.0 * trace.columns["output"],
        limits_percent=(100.0 * trace.settings.output_min, 100.0 * trace.settings.output_max),
        band=prepared.hold_band,
        unit=unit.pressure,
        event_s=prepared.event_s,
        held=np.asarray((trace.columns["held"] == 1.0) | (trace.columns["bad"] == 1.0)),
        predicted=predicted,
        parting_s=parting_s,
    )
