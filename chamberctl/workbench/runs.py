"""One scenario tried with several settings: runs, their numbers, and what the linear loop says."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from chamberctl.display import number
from chamberctl.errors import Infeasible
from chamberctl.findings import Finding
from chamberctl.report import behavior_text, run_text
from chamberctl.report.tables import Column, Row, Table, numbers
from chamberctl.simulation.days import Day
from chamberctl.simulation.parting import linear_prediction, parting
from chamberctl.simulation.scenarios import SCENARIOS, corners, simulate

if TYPE_CHECKING:
    from chamberctl.control.tuned import Tuning
    from chamberctl.simulation.parting import Parting, Prediction
    from chamberctl.study import Study
    from chamberctl.workbench.candidates import Shown


@dataclass(frozen=True)
class Trial:
    """A scenario tried with one set of settings.

    Parameters
    ----------
    shown : Shown
        The settings.
    day : Day
        The run, or why it cannot happen.
    compared : tuple of (Prediction, Parting), optional
        What the linear loop predicts, where it predicts anything, and where the run leaves it.
    """

    shown: Shown
    day: Day
    compared: tuple[Prediction, Parting] | None = None


def places(tuning: Tuning) -> dict[str, str]:
    """Return the duty points where a loop can be tried: label as in the study, and in words."""
    study = tuning.study
    at_corner = {point.where for point in corners(study, _every_point(tuning))}
    return {
        point.where: f"{behavior_text.label(study, point.where)}: {point.where}"
        + (", a corner of the duty" if point.where in at_corner else "")
        for point in tuning.points
    }


def _every_point(tuning: Tuning) -> list:
    """All points of the duty in the study's order, those without a loop among them."""
    known = {point.where: point.point for point in tuning.points}
    known |= {point.where: point for point in tuning.refused}
    return [known[where] for _, _, where in tuning.study.duty_points()]


def attempt(shown: Sequence[Shown], name: str, where: str, seed: int | None) -> list[Trial]:
    """Run a scenario at one duty point with each of some settings.

    Parameters
    ----------
    shown : sequence of Shown
        Settings.
    name : str
        One of `scenarios.SCENARIOS`.
    where : str
        Label of the duty point.
    seed : int or None
        Seed of the gauge's noise, the same for all; None for none.
    """
    return [_one(one, name, where, seed) for one in shown]


def _one(shown: Shown, name: str, where: str, seed: int | None) -> Trial:
    tuning, scenario = shown.tuning, SCENARIOS[name]
    point = next(point for point in tuning.points if point.where == where)
    try:
        run = simulate(tuning.study, tuning, name, point=point.point, seed=seed)
    except Infeasible as refusal:
        return Trial(shown, Day(scenario, point.point, None, str(refusal)))
    day = Day(scenario, point.point, run)
    if not (point.margins.stable and run.trace.complete):
        return Trial(shown, day)
    predicted = linear_prediction(run.prepared, point.model, run.trace)
    if predicted is None:
        return Trial(shown, day)
    return Trial(shown, day, (predicted, parting(run.prepared, run.trace, predicted)))


def metrics_table(study: Study, trials: Sequence[Trial]) -> Table:
    """Return every metric of the runs, one column for each of the settings, beside the limits."""
    ran = [trial for trial in trials if trial.day.run is not None]
    heads = [Column("Metric", "", "part"), *(numbers(trial.shown.name) for trial in ran)]
    rows = []
    for name in run_text.shown(study):
        cells, limits, broken = [], "", False
        for trial in ran:
            assert trial.day.run is not None
            limit, bad = run_text.limit_on(study, trial.day.run, name)
            cells.append(run_text.value_text(name, getattr(trial.day.run.metrics, name)))
            if bad:
                cells[-1] += ", BROKEN"
            limits, broken = limits or limit.partition(",")[0], broken or bad
        unit = run_text.MEASURES[name].what.unit
        rows.append(
            Row([f"{run_text.label(name)} [{unit}]", *cells, limits], "strong" if broken else "")
        )
    band = number(100.0 * study.duty.hold_band)
    caption = f"{trials[0].day.scenario.title}; hold band \u00b1{band} %"
    return Table(caption, [*heads, Column("Limit of the duty")], rows)


def verdicts(study: Study, trials: Sequence[Trial]) -> list[Finding]:
    """Return for each of the settings whether the run keeps the duty's limits, and why not."""
    found = []
    for trial in trials:
        run, name = trial.day.run, trial.shown.name
        if run is None:
            found.append(Finding("note", name, f"This cannot happen here. {trial.day.refusal}"))
        elif not trial.day.holds:
            reasons = run.verdict.reasons or tuple(
                finding.text for finding in run.findings if finding.severity == "no"
            )
            found.append(Finding("no", name, " ".join(reasons)))
        elif run.verdict.judged:
            judged = ", ".join(run.verdict.judged)
            found.append(Finding("note", name, f"\u2713 keeps the duty's limits on {judged}."))
        else:
            text = "nothing is judged: the duty states no limit that applies here."
            found.append(Finding("note", name, text))
    return found


def file_name(study: Study, trial: Trial) -> str:
    """Return a name for the file of a run: scenario, point and settings."""
    where = behavior_text.label(study, trial.day.point.where)
    plain = re.sub(r"[^A-Za-z0-9]+", "-", trial.shown.name).strip("-").lower() or "settings"
    return f"{trial.day.scenario.name}-point-{where}-{plain}.csv"


def remarks(study: Study, trials: Sequence[Trial]) -> list[str]:
    """Return where run and linear prediction part company, for each of the settings."""
    found = []
    for trial in trials:
        day = trial.day
        if trial.compared is not None and day.run is not None:
            said = behavior_text.parting_sentence(
                study, day.point.where, day.run, trial.compared[1]
            )
            found.append(f"{trial.shown.name}: {said}")
    return found
