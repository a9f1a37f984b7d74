"""How far the loop may be moved before ramps and limits act, as a table and for machines."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from chamberctl.control.large_moves import WAYS
from chamberctl.control.move_findings import BOUND_WORDS
from chamberctl.display import number
from chamberctl.report.tables import Column, Row, Table, numbers

if TYPE_CHECKING:
    from chamberctl.control.large_moves import LargestStep, PointMoves
    from chamberctl.study import Study

LEAD = (
    "Margins belong to small changes. These are the largest steps, at each duty point, that stay "
    "clear of the drive's ramps and of the limits of the output, from the sampled linear loop. "
    "Steps of the gas flow are shares of the metered flow, steps of the setpoint shares of the "
    "setpoint; counts, bands to avoid and the drive's resolution are not in them."
)


def table(study: Study, moves: Sequence[PointMoves], labels: Sequence[str] = ()) -> Table:
    """Return the largest steps up and down at each point, what binds, and the rise by gas.

    Parameters
    ----------
    study : Study
        Its duty states the steps that are compared with.
    moves : sequence of PointMoves
        From `large_moves`.
    labels : sequence of str
        Numbers of the points as in the other tables; their names where missing.
    """
    duty = study.duty
    step = f"%, duty {number(100 * duty.setpoint_step)}"
    columns = [Column("Point")]
    for name, unit in (("Gas", f"%, duty {number(100 * duty.gas_load_step)}"), ("Setpoint", step)):
        for way in ("up", "down"):
            columns += [numbers(f"{name} {way}", unit), Column("then meets")]
    columns += [numbers("Rise by gas", "%/s"), numbers("Rise asked", "%/s")]
    columns += [numbers("Step up takes", "s, at least")]
    rows = []
    for index, point in enumerate(moves):
        cells = [labels[index] if labels else point.where]
        for kind in WAYS:
            largest: LargestStep = getattr(point, kind)
            cells += [_size(largest), "" if not largest.bound else BOUND_WORDS[largest.bound]]
        cells += [
            number(100.0 * point.rise_per_s) if point.rise_per_s > 0.0 else "cannot rise",
            number(100.0 * point.asked_rise_per_s),
            number(point.rise_time_s) if math.isfinite(point.rise_time_s) else "for ever",
        ]
        small = any(
            getattr(point, kind).size
            < (duty.gas_load_step if kind.startswith("gas") else duty.setpoint_step)
            for kind in WAYS
        )
        rows.append(Row(cells, "strong" if small or point.gas_limited else ""))
    return Table("Largest steps that stay clear of ramps and limits", columns, rows)


def _size(largest: LargestStep) -> str:
    return "any" if math.isinf(largest.size) else number(100.0 * largest.size)


def as_json(moves: Sequence[PointMoves]) -> list[dict[str, Any]]:
    """Return the largest steps for machines: fractions and seconds; null: nothing binds, never."""
    return [
        {
            "where": point.where,
            **{
                way: {
                    "size": getattr(point, way).size,
                    "then_meets": getattr(point, way).bound,
                    "at_once": getattr(point, way).at_once,
                }
                for way in WAYS
            },
            "rise_per_s": point.rise_per_s,
            "asked_rise_per_s": point.asked_rise_per_s,
            "rise_time_s": point.rise_time_s,
            "gas_limited": point.gas_limited,
        }
        for point in moves
    ]
