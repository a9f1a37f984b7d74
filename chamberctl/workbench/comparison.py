"""Settings side by side, in numbers."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np

from chamberctl.display import number
from chamberctl.report.margins_text import NAMES, labels, limits
from chamberctl.report.tables import Column, Row, Table, numbers

if TYPE_CHECKING:
    from chamberctl.control.tuned import Tuning
    from chamberctl.study import Study
    from chamberctl.workbench.answers import Answer, Compared, Step
    from chamberctl.workbench.candidates import Shown

ALWAYS = ("Kc", "Ti")
"""Settings that are listed also where all candidates have the same."""

MARGINS = ("ms", "gain_margin", "phase_margin_deg", "delay_margin_s")


def side_by_side(
    study: Study, shown: Sequence[Shown], compared: Mapping[Step, Compared]
) -> Table:  # fmt: skip
    """Return settings, their worst margins over the duty and their answers, one column each.

    Parameters
    ----------
    study : Study
    shown : sequence of Shown
        The settings in use first, then those beside them.
    compared : mapping of str to Compared
        Their answers.
    """
    tunings = [one.tuning for one in shown]
    rows = [*_settings(tunings), *_margins(study, tunings), *_answers(study, compared)]
    rows.append(Row(["Holds the whole duty", *map(_verdict, tunings)], "strong"))
    heads = (Column("Settings", "", "part"), *(numbers(one.name) for one in shown))
    return Table("Settings side by side", heads, rows)


def _settings(tunings: Sequence[Tuning]) -> list[Row]:
    found = []
    for row in tunings[0].typed.rows:
        cells = [
            f"{other.text} {other.shown_unit}".strip()
            for other in (tuning.typed[row.key] for tuning in tunings)
        ]
        if row.key in ALWAYS or len(set(cells)) > 1:
            found.append(Row([row.label, *cells], "strong" if row.key in ALWAYS else ""))
    return found


def _margins(study: Study, tunings: Sequence[Tuning]) -> list[Row]:
    given = limits(study)
    names = [labels(tuning) for tuning in tunings]
    found = []
    for name in MARGINS:
        title, unit, _ = NAMES[name]
        limit = f", limit {number(given[name])}" if name in given else ""
        unit = "" if unit == "ratio" else f" [{unit}]"
        cells = [_worst(t, name, points) for t, points in zip(tunings, names, strict=True)]
        found.append(Row([f"Worst {title[:1].lower() + title[1:]}{unit}{limit}"
                          .replace("Worst ms", "Worst Ms"), *cells]))  # fmt: skip
    return found


def _worst(tuning: Tuning, name: str, points: Sequence[str]) -> str:
    value, index = tuning.worst[name]
    where = points[index]
    if not tuning.points[index].margins.stable:
        return f"{tuning.points[index].margins.reason or 'unstable'} at point {where}"
    if math.isnan(value) or math.isinf(value):
        return number(value)
    return f"{number(value)} at point {where}"


def _answers(study: Study, compared: Mapping[Step, Compared]) -> list[Row]:
    point = next(iter(compared.values())).point
    setpoint, gas = compared["setpoint"], compared["gas flow"]
    band = 100.0 * study.duty.hold_band
    steps = (number(100.0 * study.duty.setpoint_step), number(100.0 * study.duty.gas_load_step))
    up, more = f"Setpoint +{steps[0]} %", f"Gas +{steps[1]} %"
    at = f"at point {point}"
    return [
        Row([f"{up} {at}: beyond it [% of setpoint]", *_each(setpoint, _beyond)]),
        Row([f"{up} {at}: largest speed change [% of rated]", *_each(setpoint, _effort)]),
        Row([f"{more} {at}: largest deviation [% of setpoint]", *_each(gas, _deviation)]),
        Row([f"{more} {at}: outside the band of \u00b1{number(band)} % until [s]",
             *_each(gas, lambda answer: _settled(answer, study.duty.hold_band))]),
        Row([f"{more} {at}: largest speed change [% of rated]", *_each(gas, _effort)]),
    ]  # fmt: skip


def _each(compared: Compared, measure: object) -> list[str]:
    assert callable(measure)
    found = []
    for answer, stable in zip(compared.answers, compared.stable, strict=True):
        if answer is None:
            found.append("cannot happen")
        else:
            found.append(measure(answer) if stable else "grows")
    return found


def _beyond(answer: Answer) -> str:
    aim = 100.0 * (answer.aim_pa / answer.before_pa - 1.0)
    return number(max(float(np.max(answer.percent)) - aim, 0.0), 2)


def _deviation(answer: Answer) -> str:
    return number(float(np.max(np.abs(answer.percent))), 2)


def _effort(answer: Answer) -> str:
    return number(float(np.max(np.abs(answer.speed_percent))), 2)


def _settled(answer: Answer, band: float) -> str:
    outside = np.flatnonzero(np.abs(answer.indicated_pa / answer.aim_pa - 1.0) > band)
    if not outside.size:
        return "stays inside"
    if outside[-1] == answer.time_s.size - 1:
        return f"over {number(float(answer.time_s[-1]))}"
    return number(float(answer.time_s[outside[-1] + 1]))


def _verdict(tuning: Tuning) -> str:
    return "\u2713 yes" if tuning.holds else "\u2717 no"
