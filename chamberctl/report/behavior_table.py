"""Scenarios at points as one table: every metric, with the limits that the duty states."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

from chamberctl.display import number
from chamberctl.report.drawings import join_words
from chamberctl.report.tables import Column, Row, Table, numbers
from chamberctl.simulation.metrics import LIMITS

if TYPE_CHECKING:
    from chamberctl.simulation.days import Day
    from chamberctl.simulation.scenarios import ScenarioRun
    from chamberctl.study import Study

CORNERS = "Every scenario at the corners of the duty"

_SHORT = {
    "peak deviation": "peak",
    "settling time": "settling",
    "recovery time": "recovery",
    "time in the hold band": "band",
    "drive travel": "travel",
    "pressure difference across the booster": "booster",
}

LEAST_SHOWN = 5e-4
"""Smallest share of the setpoint that is shown as a number (assumed: no gauge tells less)."""


def label(study: Study, where: str) -> str:
    """Return a duty point's number as in the tables of the window."""
    names = [name for _, _, name in study.duty_points()]
    return str(names.index(where) + 1) if where in names else where


def asked_for(study: Study) -> list[str]:
    """Return the duty's limits on large signals in words."""
    words = []
    for name, what in LIMITS.items():
        value = getattr(study.duty.limits, name)
        if value is not None:
            bound = "at least" if what.at_least else "at most"
            words.append(f"{what.name} {bound} {number(value * what.factor)} {what.unit}")
    return words


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
    if asked_for(study):
        found.append(Column("Limits"))
    return tuple(found)


def cells(study: Study, run: ScenarioRun) -> list[str]:
    """Return one run's numbers, for `columns` from the overshoot on."""
    m = run.metrics
    found = [
        percent(m.overshoot),
        percent(m.undershoot),
        _seconds(m.settling_s),
        percent(m.time_in_band),
        percent(m.peak_deviation),
        _seconds(m.recovery_s),
        number(m.drive_travel_per_h),
        number(m.time_on_ramp_s),
        number(m.time_on_limits_s),
    ]
    if study.system.booster is not None:
        found.append(number(m.largest_booster_difference_pa / 100.0))
    return [*found, _verdict(run)] if asked_for(study) else found


def percent(value: float) -> str:
    """Return a share of the setpoint in percent, not finer than any gauge shows it.

    Parameters
    ----------
    value : float
        The share; nan where the setpoint was never reached.
    """
    if math.isnan(value):
        return "not reached"
    if 0.0 < value < LEAST_SHOWN:
        return f"< {number(100.0 * LEAST_SHOWN)}"
    return number(round(100.0 * value, 2))


def _seconds(value: float) -> str:
    return "not" if math.isinf(value) else number(value)


def _verdict(run: ScenarioRun) -> str:
    if not run.metrics.complete:
        return "incomplete"
    if not run.verdict.judged:
        return "not judged"
    if run.verdict.holds:
        return "kept"
    return f"broken: {join_words([_SHORT.get(name, name) for name in run.verdict.broken])}"


def table(study: Study, days: Sequence[Day], caption: str = CORNERS) -> Table:
    """Return every run's metrics, scenario by scenario, with the duty's limits at the head."""
    rows = [Row(_limits_row(study), "strong")] if asked_for(study) else []
    last = ""
    for day in _in_order(study, days):
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


def _in_order(study: Study, days: Sequence[Day]) -> list[Day]:
    """Scenario by scenario, the points as they are numbered."""
    places = [name for _, _, name in study.duty_points()]
    scenarios = list(dict.fromkeys(day.scenario.name for day in days))

    def order(day: Day) -> tuple[int, int]:
        where = day.point.where
        return scenarios.index(day.scenario.name), places.index(where) if where in places else -1

    return sorted(days, key=order)


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
