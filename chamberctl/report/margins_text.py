"""Margins and step answers in words and tables."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from chamberctl.display import Display, number
from chamberctl.report.tables import Column, Row, Table, numbers

if TYPE_CHECKING:
    from chamberctl.control.margins import LoopMargins
    from chamberctl.control.tuning import Tuning
    from chamberctl.study import Study

#: Margin -> its name with unit, and whether a small value is the bad one.
NAMES: dict[str, tuple[str, str, bool]] = {
    "ms": ("Ms", "ratio", False),
    "gain_margin": ("Gain margin", "ratio", True),
    "gain_margin_low": ("Lower gain margin", "ratio", False),
    "phase_margin_deg": ("Phase margin", "deg", True),
    "delay_margin_s": ("Delay margin", "s", True),
    "mt": ("Mt", "ratio", False),
    "disk_margin": ("Disk margin", "ratio", True),
}


def limits(study: Study) -> dict[str, float]:
    """Return the limits that the duty states, by margin."""
    given = study.duty.limits
    found = {
        "ms": given.ms,
        "gain_margin": given.gain_margin,
        "phase_margin_deg": given.phase_margin_deg,
        "delay_margin_s": given.delay_margin_s,
        "disk_margin": given.disk_margin,
    }
    return {name: value for name, value in found.items() if value is not None}


def fails(study: Study, margins: LoopMargins) -> list[str]:
    """Return the names of the limits that one point does not keep."""
    if not margins.stable:
        return [margins.reason or "unstable"]
    broken = []
    for name, limit in limits(study).items():
        value = getattr(margins, name)
        if value < limit if NAMES[name][2] else value > limit:
            broken.append(NAMES[name][0])
    return broken


def labels(tuning: Tuning) -> list[str]:
    """Return the number of each tuned point as in the tables of the window."""
    names = [where for _, _, where in tuning.study.duty_points()]
    found: list[str] = []
    last = 0
    for tuned in tuning.points:
        last = names.index(tuned.point.where, last) + 1
        found.append(str(last))
    return found


def worst_index(tuning: Tuning) -> int:
    """Return the point to look at first: an unstable one, else the one with the largest Ms."""
    for index, point in enumerate(tuning.points):
        if not point.margins.stable:
            return index
    sizes = [p.margins.ms if math.isfinite(p.margins.ms) else -1.0 for p in tuning.points]
    return max(range(len(sizes)), key=sizes.__getitem__)


def at_points(study: Study, tuning: Tuning) -> Table:
    """Return every margin at every duty point, the worst one strong."""
    unit = Display.of(study)
    columns = [
        Column("Point", "", "mid"),
        numbers("Indicated", unit.pressure),
        numbers("True", unit.pressure),
        numbers("Gas load", unit.gas_load),
    ]
    columns += [numbers(name, ratio) for name, ratio, _ in NAMES.values()]
    columns += [numbers("Crossover", "rad/s"), Column("Verdict")]
    worst = worst_index(tuning)
    rows = []
    names = labels(tuning)
    for index, tuned in enumerate(tuning.points):
        point, margins = tuned.point, tuned.margins
        cells = [
            names[index],
            number(unit.to_pressure(point.indicated_pa)),
            number(unit.to_pressure(point.pressure_pa)),
            number(unit.to_gas_load(point.gas_load_pa_m3_s)),
        ]
        cells += [number(getattr(margins, name)) for name in NAMES]
        broken = fails(study, margins)
        verdict = "holds" if not broken else f"fails: {', '.join(broken)}"
        cells += [number(margins.crossover_rad_s), verdict]
        rows.append(Row(cells, "strong" if index == worst or broken else ""))
    return Table(f"Margins with the settings {_which(tuning)}", columns, rows)


def worst_of_each(study: Study, tuning: Tuning) -> Table:
    """Return the worst value of each margin, its point and limit, rounded and before rounding."""
    columns = (
        Column("Margin"),
        numbers("Limit"),
        numbers("As typed in"),
        numbers("At point"),
        numbers("Before rounding"),
        numbers("At point"),
        Column("Unit"),
    )
    from chamberctl.control.duty_margins import worst_margins

    both = tuning.worst, worst_margins(tuning.unrounded_points_margins)
    given = limits(study)
    rows = []
    for name, (title, unit, _) in NAMES.items():
        cells = [title, number(given[name]) if name in given else "none stated"]
        for worst in both:
            value, index = worst[name]
            gone = math.isnan(value)
            cells += ["none", ""] if gone else [number(value), labels(tuning)[index]]
        rows.append(Row([*cells, unit]))
    return Table("The worst of each margin, and what rounding changed", columns, rows)


def text(study: Study, tuning: Tuning) -> str:
    """Return the verdict over the duty in one or two sentences."""
    unit = Display.of(study)
    worst = worst_index(tuning)
    point, margins = tuning.points[worst].point, tuning.points[worst].margins
    place = (
        f"point {labels(tuning)[worst]} ({unit.pressure_text(point.indicated_pa)} indicated, "
        f"{unit.pressure_text(point.pressure_pa)} true, "
        f"{unit.gas_load_text(point.gas_load_pa_m3_s)})"
    )
    if not margins.stable:
        return f"The loop is not stable at {place}: {margins.reason or 'unstable'}."
    return (
        f"The worst point is {place}: Ms {number(margins.ms)}, gain margin "
        f"{number(margins.gain_margin)}, phase margin {number(margins.phase_margin_deg)} deg, "
        f"delay margin {number(margins.delay_margin_s)} s. Margins are those of the sampled loop "
        f"with its exact dead time and the settings {_which(tuning)}."
    )


def worst_in_short(study: Study, tuning: Tuning) -> str:
    """Return the worst margin in a few words, such as "Ms 1.59 of 2 at point 2"."""
    worst = worst_index(tuning)
    found, label = tuning.points[worst].margins, labels(tuning)[worst]
    if not found.stable:
        return f"{found.reason or 'unstable'} at point {label}"
    return f"Ms {number(found.ms)} of {number(limits(study)['ms'])} at point {label}"


def disk(tuning: Tuning) -> str:
    """Return what the worst disk margin allows, in a sentence; "" where there is none."""
    from chamberctl.control.disk import disk_limits

    value, index = tuning.worst["disk_margin"]
    if math.isnan(value):
        return ""
    allowed = disk_limits(value)
    return (
        f"Gain and phase may be wrong together as far as the worst disk margin, {number(value)} "
        f"(point {labels(tuning)[index]}), allows: the gain alone by a factor from "
        f"{number(allowed.gain_low)} to {number(allowed.gain_high)}, the phase alone by "
        f"{number(allowed.phase_deg)} deg."
    )


def _which(tuning: Tuning) -> str:
    """Return whose margins are shown: rounded settings, or those the decimals cannot hold."""
    if tuning.typed.is_rounded:
        return "as typed in"
    return "unrounded, which this controller's decimals cannot hold"


def limits_in_words(study: Study) -> list[str]:
    """Return the duty's limits, such as "Ms at most 2"."""
    found = [
        f"{NAMES[name][0]} at {'least' if NAMES[name][2] else 'most'} {number(value)}"
        + (f" {NAMES[name][1]}" if NAMES[name][1] != "ratio" else "")
        for name, value in limits(study).items()
    ]
    noise = study.duty.limits.noise_gain
    if noise is not None:
        found.append(f"Speed moved by noise at most {number(noise)} % per % of the reading")
    return found
