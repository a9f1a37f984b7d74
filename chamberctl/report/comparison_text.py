"""Two studies compared, as tables and for machines."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from chamberctl.display import Display, number
from chamberctl.report import handle_text
from chamberctl.report.tables import Column, Row, Table, numbers

if TYPE_CHECKING:
    from chamberctl.plant.comparison import Comparison, PointPair
    from chamberctl.plant.point import OperatingPoint
    from chamberctl.study import Study


def changes(found: Comparison) -> Table:
    """Return the fields in which the studies differ."""
    rows = [Row([change.name, change.first, change.second]) for change in found.changes]
    columns = (Column("Field"), Column("First"), Column("Second"))
    return Table("What differs", columns, rows)


def reach(study: Study, found: Comparison) -> Table:
    """Return the pressures that can be held, in both studies."""
    unit = Display.of(study)
    columns = (
        numbers("Gas load", f"{unit.gas_load}, first"),
        numbers("Gas load", "second"),
        numbers("Lowest true", f"{unit.pressure}, first"),
        numbers("Lowest true", "second"),
        numbers("Highest true", f"{unit.pressure}, first"),
        numbers("Highest true", "second"),
    )
    rows = [
        Row(
            [
                *(number(unit.to_gas_load(value)) for value in pair.gas_load_pa_m3_s),
                *(number(unit.to_pressure(value)) for value in pair.lowest_pa),
                *(number(unit.to_pressure(value)) for value in pair.highest_pa),
            ]
        )
        for pair in found.reach
    ]
    return Table("Pressures that can be held", columns, rows)


def points(study: Study, found: Comparison) -> Table:
    """Return speed, authority and response at each duty point, in both studies."""
    columns = (
        Column("Point", "", "mid"),
        Column("Duty as typed"),
        numbers("Speed", "%, first"),
        numbers("Speed", "second"),
        numbers("Authority", "at gauge, first"),
        numbers("Authority", "second"),
        numbers("Time constant", "s, first"),
        numbers("Time constant", "second"),
    )
    rows = [_row(pair) for pair in found.points]
    return Table("Duty points of the first study in both", columns, rows)


def _row(pair: PointPair) -> Row:
    both = (pair.first, pair.second)
    cells = [str(pair.label), pair.first.where]
    cells += [_speed(point) for point in both]
    cells += [number(point.authority_gauge) for point in both]
    cells += [number(point.time_constant_s) for point in both]
    return Row(cells, "" if pair.second.feasible else "strong")


def _speed(point: OperatingPoint) -> str:
    return number(100.0 * point.speed) if point.feasible else "not held"


def as_json(found: Comparison) -> dict[str, Any]:
    """Return a comparison for machines: SI units in the names, null where there is no number."""
    names = (
        "feasible", "reason", "speed", "authority_gauge", "authority_chamber", "pressure_pa",
        "indicated_pa", "gas_load_pa_m3_s", "time_constant_s", "slew_down_pa_s", "slew_up_pa_s",
        "limited_by",
    )  # fmt: skip
    return {
        "titles": list(found.titles),
        "changes": [vars(change) for change in found.changes],
        "reach": [
            {name: list(values) for name, values in vars(pair).items()} for pair in found.reach
        ],
        "points": [
            {
                "point": pair.label,
                "where": pair.first.where,
                "first": {name: getattr(pair.first, name) for name in names},
                "second": {name: getattr(pair.second, name) for name in names},
            }
            for pair in found.points
        ],
        "handles": [handle_text.as_json(one) for one in found.handles],
        "text": list(found.text),
    }
