"""The operating window in words and tables, for the report and for the command line."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from chamberctl.display import Display, number
from chamberctl.findings import Finding, gravest_first
from chamberctl.report.drawings import join_words
from chamberctl.report.tables import Column, Row, Table, numbers

if TYPE_CHECKING:
    from chamberctl.plant.point import OperatingPoint
    from chamberctl.plant.window import OperatingWindow
    from chamberctl.study import Study

CANNOT_RISE = "cannot rise"
CANNOT_FALL = "cannot fall"


def reach(study: Study, window: OperatingWindow) -> Table:
    """Return the pressures each gas load can be held at, true and indicated."""
    unit = Display.of(study)
    columns = (
        numbers("Gas load", unit.gas_load),
        numbers("Lowest true", f"{unit.pressure}, {_at_the_lowest(window)}"),
        numbers("Highest true", f"{unit.pressure}, lowest speed"),
        numbers("Lowest indicated", unit.pressure),
        numbers("Highest indicated", unit.pressure),
    )
    values = zip(
        window.lowest_pa,
        window.highest_pa,
        window.lowest_indicated_pa,
        window.highest_indicated_pa,
        strict=True,
    )
    rows = []
    for load, pressures in zip(window.gas_loads_pa_m3_s, values, strict=True):
        cells = [number(unit.to_gas_load(float(load)))]
        cells += [number(unit.to_pressure(float(p))) for p in pressures]
        rows.append(Row(cells))
    return Table("Pressures that can be held, for each gas load", columns, rows)


def _at_the_lowest(window: OperatingWindow) -> str:
    """Return what holds the lowest pressures: full speed, or the floor that the duty states."""
    ruled = np.asarray(window.lowest_pa) <= window.floor_pa
    return "highest speed or floor" if np.any(ruled) else "highest speed"


def points(study: Study, window: OperatingWindow) -> Table:
    """Return where each duty point lies: indicated and true pressure, gas load, speeds."""
    unit = Display.of(study)
    drive = study.system.drive
    rated, name = (drive.rated_hz, "Hz") if drive.rated_hz else (drive.rated_rpm, "rpm")
    columns = (
        Column("Point", "", "mid"),
        Column("Duty as typed"),
        numbers("Indicated", unit.pressure),
        numbers("True", unit.pressure),
        numbers("Gas load", unit.gas_load),
        numbers("Speed", "% of rated"),
        *([numbers("Speed", name)] if rated else []),
        numbers("Gauge offset", f"{unit.pressure}, gauge less chamber"),
        Column("Remark"),
    )
    rows = []
    for index, point in enumerate(window.duty_points, start=1):
        cells = [
            str(index),
            point.where,
            number(unit.to_pressure(point.indicated_pa)),
            number(unit.to_pressure(point.pressure_pa)),
            number(unit.to_gas_load(point.gas_load_pa_m3_s)),
        ]
        if point.feasible:
            cells.append(number(100 * point.speed))
            cells += [number(rated * point.speed)] if rated else []
            cells += [number(unit.to_pressure(point.gauge_offset_pa)), remark(study, point)]
        else:
            word = "below the minimum controllable pressure" if point.below_floor else ""
            cells += ["none"] * (3 if rated else 2) + [word or "not reachable"]
        rows.append(Row(cells, "" if point.feasible else "strong"))
    return Table("Where each duty point lies", columns, rows)


def remark(study: Study, point: OperatingPoint) -> str:
    """Return what is peculiar about one point, in a few words."""
    words = []
    if point.limited_by:
        words.append(f"limited by the {point.limited_by}")
    if point.extrapolated:
        words.append("pump data extrapolated")
    for low, high in study.system.drive.avoid_bands:
        if low < point.speed < high:
            words.append("inside a band to avoid")
    regimes = {regime for _, regime in point.regimes}
    if regimes:
        words.append(f"{' and '.join(sorted(regimes))} flow")
    return "; ".join(words)


def _slew(unit: Display, rate_pa_s: float, refusal: str) -> str:
    if math.isnan(rate_pa_s):
        return "none"
    return number(unit.to_pressure(rate_pa_s)) if rate_pa_s > 0 else refusal


def _one_way(window: OperatingWindow, point: OperatingPoint) -> tuple[str, str]:
    """Return fall and rise of a point that speed cannot hold: which of the two is impossible."""
    loads = np.asarray(window.gas_loads_pa_m3_s)
    row = int(np.argmin(np.abs(loads - point.gas_load_pa_m3_s)))
    if point.below_floor:
        return "none", "none"
    if point.indicated_pa > window.highest_indicated_pa[row]:
        return "none", CANNOT_RISE
    if point.indicated_pa < window.lowest_indicated_pa[row]:
        return CANNOT_FALL, "none"
    return "none", "none"


def answers(study: Study, window: OperatingWindow) -> Table:
    """Return how each duty point answers speed: authority, gain, time, slew both ways."""
    unit = Display.of(study)
    columns = (
        Column("Point", "", "mid"),
        numbers("Authority", "at chamber"),
        numbers("Authority", "at gauge"),
        numbers("Gain", "decade per % speed"),
        numbers("Gain", f"{unit.pressure} per % speed"),
        numbers("Time constant", "s"),
        numbers("Fastest fall", unit.pressure_rate),
        numbers("Fastest rise", unit.pressure_rate),
    )
    rows = []
    for index, point in enumerate(window.duty_points, start=1):
        if not point.feasible:
            rows.append(Row([str(index), *["none"] * 5, *_one_way(window, point)], "strong"))
            continue
        cells = (
            str(index),
            number(point.authority_chamber),
            number(point.authority_gauge),
            number(point.gain_decades_per_fraction / 100),
            number(unit.to_pressure(point.gain_pa_per_fraction) / 100),
            number(point.time_constant_s),
            _slew(unit, point.slew_down_pa_s, CANNOT_FALL),
            _slew(unit, point.slew_up_pa_s, CANNOT_RISE),
        )
        rows.append(Row(cells))
    return Table("How each duty point answers speed and gas", columns, rows)


def booster(study: Study, window: OperatingWindow) -> Table:
    """Return ratio and difference over the booster at each duty point; empty without one."""
    unit = Display.of(study)
    columns = (
        Column("Point", "", "mid"),
        numbers("Booster speed", "% of its rated"),
        numbers("Backing speed", "% of its rated"),
        numbers("Inlet", unit.pressure),
        numbers("Between pumps", unit.pressure),
        numbers("Ratio", "outlet : inlet"),
        numbers("Difference", unit.pressure),
        numbers("Limit", unit.pressure),
    )
    part = study.system.booster
    rows: list[Row] = []
    if part is None:
        return Table("", columns, rows)
    limits = [x for x in (part.overflow_difference_pa, part.difference_limit_pa) if x is not None]
    for index, point in enumerate(window.duty_points, start=1):
        if not point.feasible:
            continue
        over = bool(limits) and point.booster_difference_pa >= min(limits)
        inlet = point.booster_difference_pa / (point.booster_ratio - 1)
        cells = (
            str(index),
            number(100 * point.booster_speed),
            number(100 * point.backing_speed),
            number(unit.to_pressure(inlet)),
            number(unit.to_pressure(inlet + point.booster_difference_pa)),
            number(point.booster_ratio),
            number(unit.to_pressure(point.booster_difference_pa)),
            number(unit.to_pressure(min(limits))) if limits else "not stated",
        )
        rows.append(Row(cells, "strong" if over else ""))
    return Table("Booster at each duty point", columns, rows)


def same_everywhere(window: OperatingWindow) -> bool:
    """Return whether true and indicated pressure agree to half a percent over the window."""
    good = np.asarray(window.feasible, dtype=bool)
    true, indicated = np.asarray(window.pressure_pa)[good], np.asarray(window.indicated_pa)[good]
    return bool(np.all(np.abs(indicated - true) <= 5e-3 * np.abs(true)))


def text(study: Study, window: OperatingWindow) -> list[str]:
    """Return the window in two or three sentences."""
    unit = Display.of(study)
    drive = study.system.drive
    total = len(window.duty_points)
    good = sum(point.feasible for point in window.duty_points)
    reason = f" ({drive.minimum_reason})" if drive.minimum_reason else ""
    floor = (
        f" The duty takes pressures below {unit.pressure_text(window.floor_pa)} in the chamber as "
        "not controllable, whatever the model says; they are left out."
        if window.floor_pa
        else ""
    )
    return [
        f"Speed may move from {unit.speed_text(drive.minimum_speed)}{reason} to "
        f"{unit.speed_text(drive.maximum_speed)}. {good} of {total} duty points can be held "
        f"steadily inside these limits.{floor}",
        "Setpoints are indicated pressures. In this study the gauge shows the true chamber "
        "pressure."
        if same_everywhere(window)
        else "Setpoints are indicated pressures; the true chamber pressure differs and stands "
        "beside each.",
    ]


def gathered(findings: Iterable[Finding]) -> list[Finding]:
    """Return findings without repetition, the gravest first."""
    return list(gravest_first(dict.fromkeys(findings)))


def point_findings(points: Sequence[OperatingPoint]) -> list[Finding]:
    """Return the findings of the points that exist, each once, with the points it belongs to."""
    where: dict[Finding, list[str]] = {}
    for index, point in enumerate(points, start=1):
        for finding in point.findings if point.feasible else ():
            where.setdefault(finding, []).append(str(index))
    merged = []
    for finding, labels in where.items():
        every = len(labels) == len(points) and len(points) > 1
        places = (
            "At every point"
            if every
            else (f"Point{'s' if len(labels) > 1 else ''} {join_words(labels)}")
        )
        merged.append(Finding(finding.severity, finding.subject, f"{places}: {finding.text}"))
    return gathered(merged)


def as_json(study: Study, window: OperatingWindow) -> dict[str, Any]:
    """Return the window for machines: SI units in the names, null where a number does not exist."""
    names = (
        "pressure_pa", "indicated_pa", "gas_load_pa_m3_s", "speed", "booster_speed",
        "backing_speed", "authority_chamber", "authority_gauge", "gain_decades_per_fraction",
        "gain_pa_per_fraction", "time_constant_s", "slew_down_pa_s", "slew_up_pa_s",
        "gauge_offset_pa", "booster_ratio", "booster_difference_pa", "effective_speed_m3_s",
    )  # fmt: skip
    found = []
    for index, point in enumerate(window.duty_points, start=1):
        entry: dict[str, Any] = {"point": index, "feasible": point.feasible}
        entry["below_minimum_controllable"] = point.below_floor
        entry |= {"where": point.where, "reason": point.reason, "nearest": point.nearest}
        entry |= {name: getattr(point, name) for name in names}
        entry |= {"limited_by": point.limited_by, "extrapolated": point.extrapolated}
        entry["regimes"] = [list(pair) for pair in point.regimes]
        found.append(entry)
    rows = zip(
        window.gas_loads_pa_m3_s, window.lowest_pa, window.highest_pa,
        window.lowest_indicated_pa, window.highest_indicated_pa, strict=True,
    )  # fmt: skip
    keys = ("gas_load_pa_m3_s", "lowest_pa", "highest_pa", "lowest_indicated_pa",
            "highest_indicated_pa")  # fmt: skip
    return {
        "title": study.title,
        "minimum_controllable_pa": window.floor_pa or None,
        "reachable": [dict(zip(keys, map(float, row), strict=True)) for row in rows],
        "duty_points": found,
        "findings": [vars(f) for f in window.findings],
    }
