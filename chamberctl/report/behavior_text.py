"""How the loop behaves on the days it is tried on, in words, numbers and pictures."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from chamberctl.display import Display, number
from chamberctl.findings import Finding, Severity
from chamberctl.report.behavior_table import asked_for, label, percent, table
from chamberctl.report.drawings import Drawing, drawing, join_words

if TYPE_CHECKING:
    from chamberctl.control.tuned import TunedPoint, Tuning
    from chamberctl.figures import TraceCurve
    from chamberctl.simulation.days import Day
    from chamberctl.simulation.metrics import Metrics
    from chamberctl.simulation.parting import Parting, Prediction
    from chamberctl.simulation.scenarios import ScenarioRun
    from chamberctl.study import Study

__all__ = [
    "COUNTED", "LEGEND", "Corner", "broken", "corner", "curve", "findings", "judgment", "label",
    "parting_sentence", "pictures", "refusals", "section", "table", "worst_corner",
]  # fmt: skip

LEGEND = (
    "Thick: the run; thin below: the output. Dashed: setpoint; dotted: hold band, and limits of "
    "speed."
)

#: Pairs of scenarios that one picture shows side by side.
SHOWN = (("setpoint-step-down", "gas-step"), ("pump-down", "return-from-standby"))

COUNTED = (
    "Every number is defined in the documentation's page on metrics. Overshoot and undershoot, "
    "above and below the setpoint, count from where the setpoint is first reached; settled is the "
    "time of the last exit from the hold band; peak is the largest deviation from what happens on."
)


class Corner(NamedTuple):
    """The days at one corner of the duty, beside what the linear loop predicts.

    Parameters
    ----------
    where : str
        The operating point.
    runs : dict of str to ScenarioRun
        By scenario.
    compared : dict of str to (Prediction, Parting)
        Those of them that have a linear prediction, with it and where the run leaves it.
    """

    where: str
    runs: dict[str, ScenarioRun]
    compared: dict[str, tuple[Prediction, Parting]]


def corner(tuning: Tuning, days: Sequence[Day]) -> Corner:
    """Return the days at the corner with the worst margins."""
    where = worst_corner(tuning, days)
    runs = {day.scenario.name: day.run for day in days if day.run and day.point.where == where}
    return Corner(where, runs, _compared(tuning, where, runs))


def section(study: Study, days: Sequence[Day], worst: Corner) -> dict[str, Any]:
    """Return text and table of all scenarios at the envelope's corners.

    Parameters
    ----------
    study : Study
    days : sequence of Day
        Scenarios that were run.
    worst : Corner
        From `corner`.
    """
    return {
        "text": [
            "The sampled controller ran on the nonlinear plant, scan by scan, with the drive's "
            "ramps, limits, rounding and bands and the gauge's range and counts, through every "
            "scenario at the corners of the duty: lowest and highest setpoint, least and most gas.",
            judgment(study, days),
            COUNTED,
        ],
        "refusals": refusals(days),
        "parting": [
            parting_sentence(study, worst.where, worst.runs[name], apart)
            for name, (_, apart) in worst.compared.items()
        ],
        "findings": findings(study, days),
        "table": table(study, days),
    }


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
    ran = [day for day in days if day.run is not None]
    judged = [day for day in ran if day.run and (day.run.verdict.judged or not day.holds)]
    kept = sum(day.holds for day in judged)
    text = f"{kept} of {len(judged)} runs keep the duty's limits: {join_words(asked)}."
    aside = len(ran) - len(judged)
    if aside:
        which = "1 run is" if aside == 1 else f"{aside} runs are"
        text += (
            f" {which} shown and not judged: a wrong action, or a fault that this gauge has not."
        )
    return text


def refusals(days: Sequence[Day]) -> list[str]:
    """Return what cannot happen to this plant, and why."""
    found = {(day.scenario.title, day.refusal): None for day in days if day.run is None}
    return [f"{title}: {why}" for title, why in found]


def findings(study: Study, days: Sequence[Day]) -> list[Finding]:
    """Return what the runs showed beyond their numbers: scenario by scenario, each text once."""
    places: dict[str, dict[str, list[str]]] = {}
    worst: dict[str, Severity] = {}
    for day in days:
        title = day.scenario.title
        for finding in day.run.findings if day.run else ():
            told = day.scenario.name == "wrong-sense" and finding.subject == "never reached"
            if finding.severity == "note" or told:
                continue
            where = label(study, day.point.where)
            places.setdefault(title, {}).setdefault(finding.text, []).append(where)
            if worst.get(title) != "no":
                worst[title] = finding.severity
    return [Finding(worst[title], title, _gathered(texts)) for title, texts in places.items()]


def _gathered(texts: dict[str, list[str]]) -> str:
    """Texts with the points that each holds for, those for the same points together."""
    together: dict[tuple[str, ...], list[str]] = {}
    for text, where in texts.items():
        points = sorted(set(where), key=lambda name: (len(name), name))
        together.setdefault(tuple(points), []).append(text)
    return " ".join(
        f"Point{'s' if len(where) > 1 else ''} {join_words(where)}: {' '.join(found)}"
        for where, found in together.items()
    )


# Linear prediction


def _compared(
    tuning: Tuning, where: str, runs: dict[str, ScenarioRun]
) -> dict[str, tuple[Prediction, Parting]]:
    """Return the linear prediction of the runs at one corner that have one."""
    from chamberctl.simulation.parting import linear_prediction, parting

    tuned: dict[str, TunedPoint] = {point.where: point for point in tuning.points}
    if where not in tuned or not tuned[where].margins.stable:
        return {}
    found = {}
    for name, run in runs.items():
        if not run.trace.complete:
            continue
        predicted = linear_prediction(run.prepared, tuned[where].model, run.trace)
        if predicted is not None:
            found[name] = (predicted, parting(run.prepared, run.trace, predicted))
    return found


def parting_sentence(study: Study, at: str, run: ScenarioRun, apart: Parting) -> str:
    """Return where a run at a point and its linear prediction part company, and why."""
    band = number(100 * study.duty.hold_band)
    where = f"{run.prepared.title} at point {label(study, at)}"
    if math.isinf(apart.after_s):
        return (
            f"{where}: linear prediction and run stay together; they differ by at most "
            f"{number(100 * apart.largest, 2)} % of the setpoint, less than the hold band of "
            f"\u00b1{band} %."
        )
    metrics: Metrics = run.metrics
    return (
        f"{where}: linear prediction and run part company {number(apart.after_s)} s after the "
        f"step, where they first differ by more than the hold band of \u00b1{band} %: by then "
        f"{join_words(apart.reasons)}. They differ by up to {number(100 * apart.largest)} % of "
        f"the setpoint; the run overshoots by {percent(metrics.overshoot)} % and undershoots by "
        f"{percent(metrics.undershoot)} %."
    )


# Pictures


def pictures(study: Study, worst: Corner) -> list[Drawing]:
    """Return the pictures of the runs at the corner with the worst margins."""
    from chamberctl import figures

    found = []
    for number_, names in enumerate(SHOWN, start=1):
        curves = [
            curve(study, worst.runs[name], worst.compared.get(name))
            for name in names
            if name in worst.runs
        ]
        if not curves:
            continue
        predicted = any(shown.predicted is not None for shown in curves)
        caption = f"Point {label(study, worst.where)}, the corner with the worst margins. " + (
            "Long dashes of gray: what the linear loop predicts, without ramps and limits; dotted "
            "upright: where they part company. "
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
