"""How the settings were found: what they are for, where they end, what would let them do more."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from chamberctl.control.pace import LIMIT_WORDS, pace_name
from chamberctl.display import number
from chamberctl.report.tables import Column, Row, Table, numbers

if TYPE_CHECKING:
    from chamberctl.control.designs import Choice
    from chamberctl.control.robust import RobustOptimum
    from chamberctl.control.tuned import Tuning
    from chamberctl.study import Study

TITLES = {"b": "Setpoint weight", "ramp": "Setpoint ramp", "Tt": "Tracking time"}


def section(tuning: Tuning) -> dict[str, Any] | None:
    """Return text and tables of an optimum over the envelope; None for another design."""
    found = tuning.design.optimum
    if found is None:
        return None
    return {
        "lead": _lead(tuning, found),
        "bindings": _bindings(found),
        "relaxations": _relaxations(found),
        "choices": _choices(tuning),
    }


def advice(study: Study, tuning: Tuning) -> list[str]:
    """Return what would let the loop do more, each with its numbers."""
    from chamberctl.proposal import advice as found

    return [f"{one.subject.capitalize()}: {one.text}" for one in found.advice(study, tuning)]


def tables(tuning: Tuning) -> tuple[Table, ...]:
    """Return the tables of an optimum over the envelope; none for another design."""
    found = tuning.design.optimum
    if found is None:
        return ()
    every = (_bindings(found), _relaxations(found), _choices(tuning))
    return tuple(table for table in every if table.rows)


def as_json(found: RobustOptimum) -> dict[str, Any]:
    """Return the optimum for machines: SI units in the names."""
    unit = "per_decade" if found.settings.reading == "log10" else "per_pa"
    return {
        "plants": len(found.plants),
        "ms_limit": found.limits.ms,
        "mt_limit": found.limits.mt,
        f"integral_action_speed_fraction_{unit}_s": found.integral_action,
        "binds": [
            {
                "limit": one.limit,
                "plant": found.plants[one.plant].where,
                "omega_rad_s": one.omega_rad_s,
            }
            for one in found.bindings
        ],
        "would_allow_more": [
            {"what": one.text, "more_integral_action": one.more} for one in found.relaxations
        ],
        "lost": [{"plant": one.where, "reason": one.reason} for one in found.lost],
    }


def _lead(tuning: Tuning, found: RobustOptimum) -> str:
    largest = max(point.margins.ms for point in tuning.points)
    recovery = found.recovery
    return (
        f"Pace {pace_name(found.limits.ms)}, kept at {len(found.plants)} plants of the envelope. "
        f"At the duty points as stated the largest Ms is {number(largest)}: the rest is the price "
        "of what is not known exactly. After a step of the gas load the loop lets pass as much as "
        f"{number(recovery.loop_s)} s of the full deviation would be at {recovery.where}, where it "
        f"is slowest; with the speed left alone the plant takes {number(recovery.own_s)} s of it "
        "to its new pressure, and stays there."
    )


def _bindings(found: RobustOptimum) -> Table:
    columns = (Column("Limit"), Column("Plant"), numbers("Frequency", "rad/s"))
    rows = [
        Row([
            f"{LIMIT_WORDS[one.limit]} {number(getattr(found.limits, one.limit))}",
            found.plants[one.plant].where,
            number(one.omega_rad_s),
        ])
        for one in found.bindings[:6]
    ]  # fmt: skip
    return Table("Where limits bind", columns, rows)


def _relaxations(found: RobustOptimum) -> Table:
    columns = (Column("What would allow more"), numbers("Integral action", "% more"))
    rows = []
    for one in found.relaxations:
        what = one.text.partition(" gives ")[0]
        rows.append(Row([what[:1].upper() + what[1:], number(100.0 * one.more, 2)]))
    return Table("What the settings are limited by, one change at a time", columns, rows)


def _choices(tuning: Tuning) -> Table:
    band = tuning.study.duty.hold_band
    columns = (
        Column("Setting"),
        Column("Tried, and how far past the setpoint the worst trial went"),
    )
    rows = [
        Row([TITLES[choice.symbol], _tried(tuning, choice)]) for choice in tuning.design.choices
    ]
    title = f"Chosen by trying them on the plant (hold band \u00b1{number(100 * band)} %)"
    return Table(title, columns, rows)


def _tried(tuning: Tuning, choice: Choice) -> str:
    per_minute = "decades/min" if tuning.settings.reading == "log10" else "Pa/min"
    unit, factor = {"b": ("", 1.0), "Tt": (" s", 1.0), "ramp": (f" {per_minute}", 60.0)}[
        choice.symbol
    ]
    return "; ".join(
        f"{number(value * factor)}{unit}: {number(100 * passed, 2)} %"
        for value, passed in choice.tried
    )
