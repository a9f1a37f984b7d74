"""One operating point along the system, as a table beside its sketch."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from chamberctl.display import Display, number
from chamberctl.report.tables import Column, Row, Table, numbers

if TYPE_CHECKING:
    from chamberctl.plant.point import OperatingPoint
    from chamberctl.study import Study


def along(study: Study, point: OperatingPoint) -> Table:
    """Return the pressure at every node from chamber to backing pump; empty where there is none."""
    unit = Display.of(study)
    columns = (Column("Place"), numbers("Pressure", unit.pressure), Column("Flow to there"))
    regimes = dict(point.regimes)
    rows = []
    before = ("", *study.system.line_names, "booster")
    places = zip(point.node_names, point.node_pressures_pa, before, strict=False)
    for name, pressure, part in places:
        rows.append(Row([name, number(unit.to_pressure(pressure)), regimes.get(part, "")]))
    return Table("", columns, rows)


def facts(study: Study, point: OperatingPoint) -> list[tuple[str, str]]:
    """Return what the loop has to do with at a point, as (name, value)."""
    unit = Display.of(study)
    if math.isnan(point.speed):
        return [("Cannot be held", f"{point.reason} {point.nearest}".strip())]
    return [
        ("Indicated", unit.pressure_text(point.indicated_pa)),
        ("True, chamber", unit.pressure_text(point.pressure_pa)),
        ("Gas load with leak", unit.gas_load_text(point.gas_load_pa_m3_s)),
        ("Output", unit.speed_text(point.speed)),
        ("Pumping speed at the chamber", f"{number(1000 * point.effective_speed_m3_s)} L/s"),
        ("Authority of speed", number(point.authority_gauge)),
    ]
