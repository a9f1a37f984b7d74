"""One simulated run in numbers and words."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from chamberctl.display import number
from chamberctl.report.tables import Column, Row, Table, numbers
from chamberctl.simulation.judging import UNSETTLED
from chamberctl.simulation.metrics import LIMITS, LimitOn, Metrics

if TYPE_CHECKING:
    from chamberctl.simulation.days import Day
    from chamberctl.simulation.scenarios import ScenarioRun
    from chamberctl.study import Study

UNFIT = (
    "These settings do not keep the margins that the duty asks for, or the duty cannot be met: "
    "they must not be used as they are. `chamberctl tune` says why."
)

_UNLIMITED = (
    LimitOn("peak_time_s", "time of the peak", "s", 1.0),
    LimitOn("iae_relative_s", "integral of the relative deviation's size", "s", 1.0),
    LimitOn("reversals_per_h", "drive reversals", "per hour", 1.0),
    LimitOn("time_on_ramp_s", "time on a ramp", "s", 1.0),
    LimitOn("time_on_limits_s", "time at a limit", "s", 1.0),
    LimitOn("booster_difference_time_s", "time of that difference", "s", 1.0),
)


@dataclass(frozen=True)
class Measure:
    """How a metric is shown.

    Parameters
    ----------
    what : LimitOn
        The metric, its name and its unit.
    limit : str
        Name of the limit that the duty may state on it; empty where there is none.
    """

    what: LimitOn
    limit: str = ""


def _measures() -> dict[str, Measure]:
    found = {what.metric: Measure(what, limit) for limit, what in LIMITS.items()}
    found |= {what.metric: Measure(what) for what in _UNLIMITED}
    return {name: found[name] for name in Metrics.__dataclass_fields__ if name in found}


MEASURES: dict[str, Measure] = _measures()
"""Every metric that is a number, in the order of `Metrics`."""


def value_text(name: str, value: float) -> str:
    """Return a metric in the unit it is shown in.

    Parameters
    ----------
    name : str
        Field of `Metrics`.
    value : float
        Its value there.
    """
    if math.isnan(value):
        return "not reached" if name in ("overshoot", "undershoot") else "none"
    if math.isinf(value):
        return "not in the run"
    return number(value * MEASURES[name].what.factor)


def label(name: str) -> str:
    """Return a metric's name as it heads a row."""
    text = MEASURES[name].what.name
    return f"{text[:1].upper()}{text[1:]}"


def shown(study: Study) -> list[str]:
    """Return the metrics of a study, without those of a booster where there is none."""
    without = () if study.system.booster is not None else (
        "largest_booster_difference_pa", "booster_difference_time_s",
    )  # fmt: skip
    return [name for name in MEASURES if name not in without]


def answer(days: Sequence[Day], good: bool) -> str:
    """Return the answer to whether scenarios keep the duty's limits, in a word or two.

    Parameters
    ----------
    days : sequence of Day
    good : bool
        Whether nothing says no.
    """
    if not good:
        return "NO"
    judged = any(day.run is not None and day.run.verdict.judged for day in days)
    return "YES" if judged else "no verdict, because nothing was judged"


def small_print(title: str, legend: str) -> str:
    """Return the lines that stand under a picture outside a report."""
    return (
        f"{title}. {legend}\nComputed from a model, not measured. A control loop, not a safety "
        "function: see the cautions."
    )


def table(study: Study, run: ScenarioRun) -> Table:
    """Return every metric of a run with the duty's limit on it.

    Parameters
    ----------
    study : Study
        What was simulated.
    run : ScenarioRun
        The run.
    """
    rows = []
    for name in shown(study):
        limit, broken = limit_on(study, run, name)
        value = value_text(name, getattr(run.metrics, name))
        rows.append(
            Row((label(name), value, MEASURES[name].what.unit, limit), "strong" if broken else "")
        )
    rows.append(Row(("Limit cycle", *_cycle(run), "")))
    columns = (Column("Metric"), numbers("Value"), Column("Unit"), Column("Limit of the duty"))
    return Table("", columns, rows)


def limit_on(study: Study, run: ScenarioRun, name: str) -> tuple[str, bool]:
    """The duty's limit on a metric in words, and whether the run breaks it."""
    measure = MEASURES[name]
    limit = getattr(study.duty.limits, measure.limit) if measure.limit else None
    if limit is None:
        return "", False
    bound = "at least" if measure.what.at_least else "at most"
    text = f"{bound} {number(limit * measure.what.factor)}"
    if measure.what.name not in run.verdict.judged:
        return f"{text}, not judged", False
    broken = measure.what.name in run.verdict.broken
    return f"{text}, {'BROKEN' if broken else 'kept'}", broken


def _cycle(run: ScenarioRun) -> tuple[str, str]:
    cycle = run.metrics.limit_cycle
    if cycle is None:
        short = any(finding.subject == UNSETTLED for finding in run.findings)
        return "too short to tell" if short else "none", ""
    what = f"% of setpoint, period {number(cycle.period_s)} s"
    return number(100.0 * cycle.amplitude), f"{what}, growing" if cycle.grows else what


def run_json(run: ScenarioRun) -> dict[str, Any]:
    """Return a run for machines: metrics under their own names, SI units and fractions."""
    metrics = {name: getattr(run.metrics, name) for name in MEASURES}
    return {
        "complete": run.metrics.complete,
        "metrics": {**metrics, "limit_cycle": _plain(run.metrics.limit_cycle)},
        "limits_judged": list(run.verdict.judged),
        "limits_broken": list(run.verdict.broken),
        "reasons": list(run.verdict.reasons),
        "findings": [vars(finding) for finding in run.findings],
    }


def _plain(thing: Any) -> dict[str, Any] | None:
    return None if thing is None else vars(thing)
