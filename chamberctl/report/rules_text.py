"""Published rules side by side, in words, as a table and for machines."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from chamberctl.control.rule_comparison import DERIVATIVE_RATIO
from chamberctl.display import number
from chamberctl.report.tables import Column, Row, Table, numbers

if TYPE_CHECKING:
    from chamberctl.control.rule_comparison import ComparedRule, RuleComparison

LN10 = math.log(10.0)


def lead(found: RuleComparison) -> str:
    """Return how many of the rules hold the duty."""
    published = [row for row in found.rows if row.origin == "published" and row.settings]
    held = sum(row.holds for row in published)
    over = f"all {found.loops} plants of duty and tolerances" if found.has_envelope else (
        f"all {found.loops} duty points" if found.loops > 1 else "the one duty point"
    )  # fmt: skip
    return (
        f"Of {len(published)} settings that published rules give for {found.design_point}, {held} "
        f"keep the duty's limits at {over}. A rule sees one point and no limits; why each "
        "does not do, or what it costs, stands in its row."
    )


def text(found: RuleComparison) -> list[str]:
    """Return how the rules were applied, in sentences."""
    first, edge = found.basis.first, found.basis.ultimate
    log = found.study.controller.reading == "log10"
    unit = "decades" if log else "Pa"
    fed = (
        f"The rules are fed with what the loop is at {found.design_point}, where the recommended "
        f"settings come from: by the half rule a gain of {number(first.gain)} {unit} per speed "
        f"fraction, a lag of {number(first.lag1_s)} s and a dead time of "
        f"{number(first.dead_time_s)} s, scan and computation included"
    )
    if math.isfinite(edge.gain):
        fed += (
            f"; and its edge of stability, exactly: a gain of {number(edge.gain)} per "
            f"{'decade' if log else 'Pa'} and a period of {number(edge.period_s)} s"
        )
    lines = [f"{fed}."]
    if found.relay is not None:
        swing = 0.5 * (found.relay.high - found.relay.low)
        share = math.expm1(LN10 * swing) if log else swing / _reading(found)
        lines.append(
            f"A relay test there, simulated: ±{number(100 * found.relay.relay)} % of speed make "
            f"the reading swing by ±{number(100 * share)} % with a period of "
            f"{number(found.relay.period_s)} s. The ultimate gain concluded from it is "
            f"{_off(found.relay.gain_error)}: it takes the swing for a sine and looks once a scan."
        )
    lines.append(
        "All settings are in the ideal form and run in this controller's sampled law; a "
        f"derivative is filtered at Td/{number(DERIVATIVE_RATIO)}, which the publications leave "
        f"open. Margins are the worst over {'the envelope' if found.has_envelope else 'the duty'}, "
        "answers the worst over the duty, from the sampled linear loop with its exact dead time. "
        "Noise is the first move of the speed for a jump of the reading by 1 %. Nothing here is "
        "meant to be typed in as it stands."
    )
    return lines


def _reading(found: RuleComparison) -> float:
    holds = found.study.duty.holds
    return max(hold.setpoint_pa for hold in holds)


def _off(error: float) -> str:
    size = number(100.0 * abs(error), 2)
    return f"{size} % too {'low' if error < 0 else 'high'}"


def table(found: RuleComparison) -> Table:
    """Return every set of settings with its worst margins, its answer to a gas step, and why."""
    step = number(100.0 * found.study.duty.gas_load_step)
    columns = (
        Column("Settings"),
        numbers("Gain", "%/%"),
        numbers("Ti", "s"),
        numbers("Td", "s"),
        numbers("Ms", "worst"),
        numbers("Gain margin", "worst"),
        numbers("Phase margin", "deg, worst"),
        numbers("Peak", f"%, {step} % gas"),
        numbers("Area", f"% s, {step} % gas"),
        numbers("Noise", "% speed per %"),
        Column("Why, or at what price"),
    )
    words = _span_factor(found)
    rows = [_row(row, words) for row in found.rows]
    return Table("Published rules, settings found and settings recommended", columns, rows)


def _span_factor(found: RuleComparison) -> float:
    from chamberctl.control.language import language

    return language(found.study.controller, found.study.system.drive).span_factor


def _row(row: ComparedRule, span_factor: float) -> Row:
    name = f"{row.name}, {row.kind}" if row.kind else row.name
    said = row.verdict
    if row.not_typed:
        said += f" Cannot be typed in: {row.not_typed}."
    law = row.settings
    if law is None:
        return Row([name, *[""] * 9, said])
    numbers_ = [number(law.kc * span_factor), number(law.ti_s),
                number(law.td_s) if law.td_s else "0"]  # fmt: skip
    if row.stable:
        numbers_ += [
            number(row.worst["ms"][0]),
            number(row.worst["gain_margin"][0]),
            number(row.worst["phase_margin_deg"][0]),
            number(100.0 * row.peak[0]),
            number(100.0 * row.area_s[0]),
        ]
    else:
        numbers_ += ["none"] * 5
    kind = "strong" if row.origin != "published" else ""
    return Row([name, *numbers_, number(row.reaction), said], kind)


def sources(found: RuleComparison) -> list[str]:
    """Return where each rule was published and what was chosen in it, one line per rule."""
    lines: dict[str, str] = {}
    for row in found.rows:
        if row.origin == "published":
            made_for = f"Made for {row.made_for}." if row.made_for else ""
            parts = (f"{row.name}: {row.source}.", made_for, row.choice)
            lines.setdefault(row.name, " ".join(part for part in parts if part))
        elif row.choice:
            lines.setdefault(row.name, f"{row.name}: {row.choice}")
    return list(lines.values())


def as_json(found: RuleComparison) -> dict[str, Any]:
    """Return the comparison for machines: SI units in the names; null: none or unlimited."""
    unit = "per_decade" if found.study.controller.reading == "log10" else "per_pa"
    relay = found.relay
    return {
        "design_point": found.design_point,
        "loops": found.loops,
        "model": {
            f"gain_{'decades' if unit == 'per_decade' else 'pa'}_per_speed_fraction":
                found.basis.first.gain,
            "lag_s": found.basis.first.lag1_s,
            "dead_time_s": found.basis.first.dead_time_s,
        },
        "edge_of_stability": {
            f"kc_speed_fraction_{unit}": found.basis.ultimate.gain,
            "period_s": found.basis.ultimate.period_s,
        },
        "relay_test": None if relay is None else {
            "relay_speed_fraction": relay.relay,
            "high": relay.high,
            "low": relay.low,
            "period_s": relay.period_s,
            f"kc_speed_fraction_{unit}": relay.estimate.gain,
            "gain_error": relay.gain_error,
            "period_error": relay.period_error,
        },
        "rules": [_json_row(row, unit) for row in found.rows],
    }  # fmt: skip


def _json_row(row: ComparedRule, unit: str) -> dict[str, Any]:
    law = row.settings
    settings = None if law is None else {
        f"kc_speed_fraction_{unit}": law.kc, "ti_s": law.ti_s, "td_s": law.td_s,
        "tfd_s": law.tfd_s, "tf_s": law.tf_s, "b": law.b,
    }  # fmt: skip
    return {
        "origin": row.origin,
        "name": row.name,
        "kind": row.kind,
        "source": row.source,
        "settings": settings,
        "inside_its_range": row.inside,
        "objections": list(row.objections),
        "made_for": row.made_for,
        "choice": row.choice,
        "stable": row.stable,
        "unstable_at": list(row.unstable_at),
        "worst": {name: {"value": value, "where": where}
                  for name, (value, where) in row.worst.items()},
        "gas_step_peak": {"value": row.peak[0], "where": row.peak[1]},
        "gas_step_area_s": {"value": row.area_s[0], "where": row.area_s[1]},
        "speed_per_reading_jump": row.reaction,
        "not_typed": row.not_typed,
        "holds": row.holds,
        "verdict": row.verdict,
    }  # fmt: skip
