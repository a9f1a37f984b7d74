"""How a scenario is spread over many draws, in numbers and words."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from chamberctl.display import Display, number
from chamberctl.plant.field_names import field_words
from chamberctl.report.drawings import join_words
from chamberctl.report.run_text import MEASURES, label, shown, value_text
from chamberctl.report.tables import Column, Row, Table, numbers
from chamberctl.simulation.runs import QUANTILES

if TYPE_CHECKING:
    from chamberctl.figures import SpreadCurve
    from chamberctl.simulation.days import Day
    from chamberctl.simulation.metrics import Metrics
    from chamberctl.simulation.runs import MonteCarlo, Run
    from chamberctl.study import Study

NAMED_FACTORS = 5
"""So many inputs of the worst draw are named, those that lie farthest out in their tolerance."""

MOMENTS = ("peak_time_s", "booster_difference_time_s")
"""Metrics of which no value is better than another."""


LEGEND = "Dashed: setpoint; dotted: hold band."


def draws_table(study: Study, nominal: Metrics, found: MonteCarlo, *, noise: bool = False) -> Table:
    """Return how every metric is spread over many draws.

    Parameters
    ----------
    study : Study
        What was simulated.
    nominal : Metrics
        The run as described.
    found : MonteCarlo
        The draws.
    noise : bool
        Whether the run as described had noise.
    """
    levels = [f"{number(100 * level)} %" for level in QUANTILES]
    columns = (
        Column("Metric"), Column("Unit"), numbers("As described"), *map(numbers, levels),
        numbers("Worst"), numbers("In draw"),
    )  # fmt: skip
    spread, rows = found.quantiles(), []
    for name in shown(study):
        if name in MOMENTS or not found.runs:
            continue
        worst = _worst_of(found, name)
        same = np.unique(found.values(name)).size == 1
        cells = [getattr(nominal, name), *spread[name], worst.measures[name]]
        values = [value_text(name, float(value)) for value in cells]
        number_ = "all" if same else str(worst.number)
        rows.append(Row((label(name), MEASURES[name].what.unit, *values, number_)))
    caption = (
        f"{len(found.runs)} draws with noise: at or below a number lie as many of them as its head "
        f"says; as described: with{'' if noise else 'out'} noise"
    )
    return Table(caption, columns, rows)


def _worst_of(found: MonteCarlo, name: str) -> Run:
    """The draw in which a metric is worst; one without the number is worse than any."""
    values = found.values(name)
    sign = -1.0 if MEASURES[name].what.at_least else 1.0
    return found.runs[int(np.argmax(np.where(np.isnan(values), np.inf, sign * values)))]


def draws_text(study: Study, found: MonteCarlo) -> list[str]:
    """Return what many draws came to: how many, what they keep, and the worst of them.

    Parameters
    ----------
    study : Study
        What was simulated.
    found : MonteCarlo
        The draws.
    """
    fields = len(found.fields)
    inputs = "1 uncertain input" if fields == 1 else f"{fields} uncertain inputs"
    lines = [
        f"{len(found.runs) + len(found.failures)} draws of {found.asked}, seed {found.seed}: "
        f"{inputs}, each uniform within its tolerance, and the gauge's noise; settings and "
        "setpoint stay."
    ]
    if not found.runs:
        return lines
    kept = found.values("holds")
    if np.isnan(kept).all():
        lines.append("Nothing was judged: the duty states no limit that applies here.")
    else:
        lines.append(f"{int(np.nansum(kept))} of {len(found.runs)} draws keep the duty's limits.")
    worst = found.worst()
    assert worst is not None
    return [*lines, worst_text(study, found, worst)]


def worst_text(study: Study, found: MonteCarlo, worst: Run) -> str:
    """Return the worst draw: what it did, and which plant it is."""
    peak = value_text("peak_deviation", worst.measures["peak_deviation"])
    why = f"its peak deviation is {peak} % of setpoint"
    if worst.measures["holds"] == 0.0:
        why = f"it breaks the duty's limits, and {why}"
    tolerance = {field.path: field.tolerance for field in found.fields}
    order = sorted(
        worst.factors, key=lambda path: -abs(worst.factors[path] - 1.0) / tolerance[path]
    )
    named = [
        f"{field_words(study, path)} {100.0 * (worst.factors[path] - 1.0):+.3g} %"
        for path in order[:NAMED_FACTORS]
    ]
    text = f"Draw {worst.number} is the worst: {why}."
    if not named:
        return text
    return f"{text} Farthest out in their tolerances there: {join_words(named)}."


def draws_json(found: MonteCarlo) -> dict[str, Any]:
    """Return many draws for machines: quantiles of every measure, and the worst draw."""
    worst = found.worst()
    return {
        "asked": found.asked,
        "made": len(found.runs),
        "failed": [vars(failure) for failure in found.failures],
        "cancelled": found.cancelled,
        "seed": found.seed,
        "tolerances": {field.path: field.tolerance for field in found.fields},
        "quantile_levels": list(QUANTILES),
        "quantiles": {name: list(values) for name, values in found.quantiles().items()},
        "kept_limits": _kept(found),
        "worst": None if worst is None else {
            "draw": worst.number, "factors": worst.factors, "measures": worst.measures,
        },
        "findings": [vars(finding) for finding in found.findings],
    }  # fmt: skip


def _kept(found: MonteCarlo) -> int | None:
    """How many draws keep the duty's limits; None where nothing was judged."""
    kept: Sequence[float] = found.values("holds").tolist() if found.runs else []
    return None if all(math.isnan(value) for value in kept) else int(np.nansum(kept))


def spread_curve(study: Study, day: Day, found: MonteCarlo) -> SpreadCurve:
    """Return many draws as a picture's curve, in the study's units.

    Parameters
    ----------
    study : Study
    day : Day
        The run as described, for its setpoint.
    found : MonteCarlo
        Its draws, at least one of them complete.
    """
    from chamberctl.figures import SpreadCurve

    unit, worst = Display.of(study), found.worst()
    assert day.run is not None
    assert worst is not None
    low, middle, high = (unit.to_pressure(values) for values in found.readings())
    trace = day.run.trace
    setpoint = np.interp(found.time_s, trace.time_s, trace.setpoint_pa)
    return SpreadCurve(
        title=day.scenario.title,
        time_s=found.time_s,
        low=low,
        middle=middle,
        high=high,
        levels=QUANTILES,
        worst=unit.to_pressure(worst.indicated_pa),
        worst_number=worst.number,
        setpoint=unit.to_pressure(setpoint),
        band=day.run.prepared.hold_band,
        unit=unit.pressure,
    )
