"""Handles beside speed, and changes of the plant, at the same duty: what each would hold and move.

Changes of the plant are computed with the whole model. A throttle or a bleed that takes over while
the pumps run at full speed needs no model of its own: at full speed the chamber would rest at p_low
with the duty's gas and the pumps would carry q_full at the setpoint p, so that

    throttle at the chamber's outlet   C = q/(p - p_low)      d ln p/d ln C = -(1 - p_low/p)
    bleed into the chamber             q_bleed = q_full - q
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from chamberctl.cautions import GAS_ADVICE
from chamberctl.plant.chain import build_chain
from chamberctl.plant.floor import above_floor, controllable, floor_pa
from chamberctl.plant.gauge import true_pressure
from chamberctl.plant.nearby import limited
from chamberctl.plant.point import throughput_text
from chamberctl.plant.point_findings import ROUNDING_PER_S
from chamberctl.plant.response import response
from chamberctl.plant.sensitivity import jacobian, state_matrix
from chamberctl.plant.steady import load_for_pressure, steady_pressures
from chamberctl.plant.tolerances import vary
from chamberctl.plant.variations import Outcome, outcomes
from chamberctl.study import with_value

if TYPE_CHECKING:
    from chamberctl.plant.point import OperatingPoint
    from chamberctl.study import Study

Array = NDArray[np.float64]

FACTOR = 2.0
"""How much wider, larger or smaller the changed plants are: a size or two of a catalog."""

SPARE = 1.05
"""A bleed that just lifts a point to its setpoint at minimum speed leaves speed nothing to do."""


@dataclass(frozen=True)
class Handle:
    """One way to hold the duty's pressures.

    Numbers are NaN where they were not computed or do not exist.

    Parameters
    ----------
    name, what : str
        What it is, and what exactly was assumed.
    held : tuple of int
        Duty points it holds, numbered from 1.
    total : int
        Number of duty points.
    turndown : float
        Highest over lowest pressure at constant gas, at the gas load where that is least [-]; inf
        where nothing but leakage limits it.
    lowest_authority, highest_authority : float
        Speed authority over the held points; of throttle and bleed the size [-].
    time_constant_s : float
        Slowest time constant of the vacuum system over the held points [s].
    fall_per_s, rise_per_s : float
        Fastest fall and rise at the held point where it is slowest, share of the pressure [1/s].
    gas_pa_m3_s : float
        Gas added at the point that takes most [Pa m3/s].
    advice : str
        What goes with it.
    computed : bool
        Whether the numbers were computed.
    """

    name: str
    what: str
    held: tuple[int, ...] = ()
    total: int = 0
    turndown: float = math.nan
    lowest_authority: float = math.nan
    highest_authority: float = math.nan
    time_constant_s: float = math.nan
    fall_per_s: float = math.nan
    rise_per_s: float = math.nan
    gas_pa_m3_s: float = 0.0
    advice: str = ""
    computed: bool = True


def handles(study: Study, points: Sequence[OperatingPoint]) -> tuple[Handle, ...]:
    """Return speed as it is and the alternatives to it.

    Parameters
    ----------
    study : Study
        The study.
    points : sequence of OperatingPoint
        Its duty points from `duty_points`.

    Returns
    -------
    tuple of Handle
        Speed as it is first.
    """
    plans = [("speed, plant as it is", "", "", study, 0.0), *_changed_plants(study, points)]
    found = outcomes(study, points, [plan[3] for plan in plans])
    computed = [
        _of_outcome(name, what, advice, gas, outcome)
        for (name, what, advice, _, gas), outcome in zip(plans, found, strict=True)
    ]
    return (*computed, *_at_full_speed(points, found[0]), _split_range())


def _changed_plants(
    study: Study, points: Sequence[OperatingPoint]
) -> list[tuple[str, str, str, Study, float]]:
    plans: list[tuple[str, str, str, Study, float]] = []
    if study.system.line:
        plans.append(
            (
                "speed, wider line",
                f"every diameter and fixed conductance of the line {FACTOR:g} times as large",
                "Helps where the line rules, and there alone.",
                _wider(study),
                0.0,
            )
        )
    plans += [
        (
            "speed, larger pumps",
            f"pumping speeds and leakages {FACTOR:g} times as large",
            "Helps where pressure or reserve at full speed is short; does little where the line "
            "rules, and loses the high pressures at little gas.",
            _pumps(study, FACTOR),
            0.0,
        ),
        (
            "speed, smaller pumps",
            f"pumping speeds and leakages {FACTOR:g} times as small",
            "Helps where even minimum speed pumps too well; costs the low pressures and the "
            "reserve at full speed.",
            _pumps(study, 1.0 / FACTOR),
            0.0,
        ),
    ]
    bleed = _bleed(study, points)
    leak = study.system.gas_load.leak_pa_m3_s
    plans.append(
        (
            "speed, constant bleed",
            f"{throughput_text(bleed)} of gas added at every duty point",
            f"Lifts what minimum speed holds too low and speeds up the rise. {GAS_ADVICE}",
            with_value(study, "system.gas_load.leak", leak + bleed),
            bleed,
        )
    )
    return plans


def _wider(study: Study) -> Study:
    for index, part in enumerate(study.system.line):
        for key, value in (("diameter", part.diameter_m), ("conductance", part.conductance_m3_s)):
            if value is not None:
                study = vary(study, f"system.line[{index}].{key}", FACTOR)
    return study


def _pumps(study: Study, factor: float) -> Study:
    backing = study.system.backing
    paths: dict[str, object] = {
        "system.backing.displacement": backing.displacement_m3_s,
        "system.backing.clearance_conductance": backing.clearance_conductance_m3_s,
        "system.backing.curve": backing.curve,
    }
    paths |= {f"system.backing.curves[{i}].points": True for i in range(len(backing.curves))}
    if booster := study.system.booster:
        paths |= {
            "system.booster.swept_speed": booster.swept_speed_m3_s,
            "system.booster.gap_conductance": booster.gap_conductance_m3_s,
            "system.booster.gap_conductance_per_pressure": (
                booster.gap_conductance_per_pressure_m3_s_pa
            ),
            "system.booster.carry_back_speed": booster.carry_back_speed_m3_s,
        }
    for path, value in paths.items():
        if value:
            study = vary(study, path, factor)
    return study


def _bleed(study: Study, points: Sequence[OperatingPoint]) -> float:
    """Bleed that lifts every point that lies too high; else as much as the least gas load."""
    missing = [0.0]
    chain = build_chain(study.system)
    for point in points:
        if not point.feasible and math.isfinite(point.slew_up_pa_s):
            missing.append(-point.slew_up_pa_s * chain.volumes_m3[0])
    most = max(missing)
    return float(SPARE * most) if most > 0.0 else min(point.gas_load_pa_m3_s for point in points)


def _of_outcome(name: str, what: str, advice: str, gas: float, outcome: Outcome) -> Handle:
    speeds = response(outcome)
    pressure = outcome.pressures_pa[0]
    lowest, highest = above_floor(outcome.lowest_pa, outcome.highest_pa, floor_pa(outcome.study))
    return Handle(
        name=name,
        what=what,
        held=_numbers(outcome.held & ~outcome.limited),
        total=outcome.held.size,
        turndown=_least(highest / lowest),
        lowest_authority=_least(outcome.authority),
        highest_authority=-_least(-outcome.authority),
        time_constant_s=-_least(-speeds.time_constant_s),
        fall_per_s=_least(_moving(speeds.slew_down_pa_s / pressure)),
        rise_per_s=_least(_moving(speeds.slew_up_pa_s / pressure)),
        gas_pa_m3_s=gas,
        advice=advice,
    )


def _numbers(held: NDArray[np.bool_]) -> tuple[int, ...]:
    return tuple(int(index) + 1 for index in np.flatnonzero(held))


def _moving(rate_per_s: Array) -> Array:
    """Rates without what is rounding, not motion."""
    return np.where(np.abs(rate_per_s) < ROUNDING_PER_S, 0.0, rate_per_s)


def _least(values: Array) -> float:
    known = values[~np.isnan(values)]
    return float(np.min(known)) if known.size else math.nan


def _at_full_speed(points: Sequence[OperatingPoint], base: Outcome) -> list[Handle]:
    """Throttle and bleed with the pumps at full speed."""
    throttle = "throttle at the chamber's outlet, pumps at full speed"
    bleed = "bleed into the chamber, pumps at full speed"
    small_move = (
        "Acts at once and in both directions; at low pressure a small move of the valve has a "
        "large effect, so the valve must be fine enough there. The pumps always take full power."
    )
    much_gas = f"Wide range, at the price of gas and power. {GAS_ADVICE}"
    gauge = base.study.loop_gauge()
    if gauge.position != "chamber":
        why = f"not computed: the loop's gauge sits at '{gauge.position}', not in the chamber"
        return [
            Handle(throttle, why, advice=small_move, computed=False),
            Handle(bleed, why, advice=much_gas, computed=False),
        ]
    full = _full_speed(points, base)
    return [
        _throttle(base, full, Handle(throttle, "", advice=small_move)),
        _bleeding(base, full, Handle(bleed, "", advice=much_gas)),
    ]


@dataclass(frozen=True)
class _FullSpeed:
    """Every duty point's chamber pressure, and what the pumps carry there at full speed."""

    pressure_pa: Array
    carried_pa_m3_s: Array
    nodes_pa: Array
    fall_per_s: Array


def _full_speed(points: Sequence[OperatingPoint], base: Outcome) -> _FullSpeed:
    """Held points from the outcome's response; the others are searched for."""
    system, moved = base.study.system, response(base)
    wanted = np.array([point.indicated_pa for point in points])
    pressure = np.asarray(true_pressure(system, base.study.loop_gauge(), wanted), dtype=float)
    volume = base.chain.volumes_m3[0]
    carried = base.gas_load_pa_m3_s + moved.slew_down_pa_s * volume
    nodes, other = moved.at_full_speed_pa.copy(), ~base.held
    if np.any(other):
        top = np.full(int(other.sum()), system.drive.maximum_speed)
        carried[other] = load_for_pressure(base.chain, pressure[other], top)
        nodes[:, other] = steady_pressures(base.chain, top, carried[other])
    fall = np.maximum(carried - base.gas_load_pa_m3_s, 0.0) / volume / pressure
    return _FullSpeed(pressure, carried, nodes, fall)


def _throttle(base: Outcome, full: _FullSpeed, about: Handle) -> Handle:
    if base.study.system.gas_load.vapor_conductance_m3_s > 0.0:
        why = "not computed: the vapor load depends on the pressure that the throttle makes"
        return Handle(about.name, why, advice=about.advice, computed=False)
    pressure, load, lowest = full.pressure_pa, base.gas_load_pa_m3_s, base.lowest_pa
    held = (pressure > lowest) & controllable(pressure, floor_pa(base.study))
    authority = np.where(held, 1.0 - lowest / pressure, np.nan)
    volume = base.chain.volumes_m3[0]
    wide = load[held] / (pressure - lowest)[held]
    ratio = f", {wide.max() / wide.min():.3g} to 1 over the duty" if wide.size else ""
    return Handle(
        name=about.name,
        what=f"an ideal valve of adjustable conductance{ratio}; time constant V p/q"
        + _limiter(base.limited_at_full_speed & held),
        held=_numbers(held),
        total=load.size,
        turndown=math.inf if np.any(held) else math.nan,
        lowest_authority=_least(authority),
        highest_authority=-_least(-authority),
        time_constant_s=-_least(-np.where(held, volume * pressure / load, np.nan)),
        fall_per_s=_least(np.where(held, full.fall_per_s, np.nan)),
        rise_per_s=_least(np.where(held, load / volume / pressure, np.nan)),
        advice=about.advice,
    )


def _limiter(ruling: NDArray[np.bool_]) -> str:
    """Say where full speed drives the booster into its limit."""
    if not np.any(ruling):
        return ""
    labels = ", ".join(str(label) for label in _numbers(ruling))
    return f"; at full speed the booster's overflow valve or torque limit rules (point {labels})"


def _bleeding(base: Outcome, full: _FullSpeed, about: Handle) -> Handle:
    chain, most = base.chain, full.carried_pa_m3_s
    added = most - base.gas_load_pa_m3_s
    held = (added >= -1e-9 * most) & np.isfinite(full.nodes_pa[0])
    held &= controllable(full.pressure_pa, floor_pa(base.study))
    authority, tau = np.full(held.shape, np.nan), np.full(held.shape, np.nan)
    if np.any(held):
        top = np.full(int(held.sum()), base.study.system.drive.maximum_speed)
        nodes = full.nodes_pa[:, held]
        by_pressure, _ = jacobian(chain, nodes, top, most[held])
        entering = np.zeros((top.size, chain.size, 1))
        entering[:, 0] = -1.0
        authority[held] = np.linalg.solve(by_pressure, entering)[:, 0, 0] * added[held]
        poles = np.linalg.eigvals(state_matrix(chain, by_pressure, nodes))
        tau[held] = 1.0 / np.min(np.abs(poles), axis=1)
    return Handle(
        name=about.name,
        what="the bleed alone is moved; it rises as fast as its valve is sized for"
        + _limiter(limited(chain, full.nodes_pa) & held),
        held=_numbers(held),
        total=held.size,
        turndown=math.inf if np.any(held) else math.nan,
        lowest_authority=_least(authority),
        highest_authority=-_least(-authority),
        time_constant_s=-_least(-tau),
        fall_per_s=_least(np.where(held, full.fall_per_s, np.nan)),
        gas_pa_m3_s=-_least(-np.where(held, added, np.nan)),
        advice=about.advice,
    )


def _split_range() -> Handle:
    return Handle(
        "split range of speed and throttle or bleed",
        "not computed: it holds what either of the two holds",
        advice="Speed for the large moves and to save power, the other where speed has little "
        "effect or is too slow; the two must not work against each other.",
        computed=False,
    )
