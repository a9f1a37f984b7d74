"""Tasks on the plant by itself: its time constant, its gain, and what a log reading makes of it."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from chamberctl.display import number
from chamberctl.lessons.exercise import MBAR, Exercise
from chamberctl.lessons.feedback import Asked
from chamberctl.lessons.runs import speed_step
from chamberctl.lessons.task import BALANCE, BY_HAND, FALLS, NEVER_NEGATIVE, Reveal
from chamberctl.plant.operating import operating_point
from chamberctl.workbench.curves import Line

if TYPE_CHECKING:
    from chamberctl.plant.point import OperatingPoint

Array = NDArray[np.float64]

STEP = 0.02
"""Step of the speed in the tasks on gain [fraction of rated]: small, and well above the noise."""


# 1: what sets the time constant


def _constant_s(one: Exercise) -> float:
    return one.volume_m3 / (one.pumping_speed_m3_s * one.point.speed)


def time_constant(one: Exercise) -> Asked:
    """Ask for the time constant."""
    return Asked(
        "With which time constant does the pressure settle after a small step of the speed?",
        "time", "s", _constant_s(one), 0.08, NEVER_NEGATIVE,
    )  # fmt: skip


def reveal_time_constant(one: Exercise) -> Reveal:
    """Show steps from two speeds."""
    tau = _constant_s(one)
    lines = []
    for factor in (1.0, 0.6):
        speed = max(one.point.speed * factor, one.study.system.drive.minimum_speed)
        trace = speed_step(one, STEP, speed=speed)
        way = _way(trace.time_s, trace.columns["indicated_pa"])
        lines.append(Line(f"from {number(100 * speed)} % speed", trace.time_s, way))
    return Reveal(
        (
            f"The time constant is V/(S n) = {number(tau)} s: the volume over the speed with which "
            "it is pumped. The gas load is not in it, nor is the pressure.",
            "At a lower speed the same plant is slower: a step from there takes longer. So an "
            "integral time that suits full flow overshoots at small flow, where the pump turns "
            "slowly.",
        ),
        f"${BALANCE}$ with $n$ fixed is a first-order lag with $\\tau = V/(S\\,n)$.",
        BY_HAND,
        tuple(lines), "time [s]", "part of the whole change [%]",
        "speed raised by 2 % of rated, at 5 s",
        "when each curve passes 63 %: so long after the pressure began to move is its time "
        "constant. The curve from the lower speed gets there later.",
    )  # fmt: skip


def _way(time: Array, values: Array) -> Array:
    """Part of the way from the first value to the last [%]."""
    return np.asarray(100.0 * (values - values[0]) / (values[-1] - values[0]))


# 2: why the gain follows the pressure


def _change_pa(point: OperatingPoint, step: float = STEP) -> float:
    """Change of an ideal pump's pressure: Q/(S (n + dn)) - Q/(S n) [Pa]."""
    return point.indicated_pa * (point.speed / (point.speed + step) - 1.0)


def gain(one: Exercise) -> Asked:
    """Ask for the change of pressure after a step of the speed."""
    return Asked(
        f"The speed is raised by {number(100 * STEP)} % of rated and left there. By how much does "
        "the pressure change in the end? Give the sign.",
        "pressure", "mbar", _change_pa(one.point) / MBAR, 0.08, FALLS,
    )  # fmt: skip


def reveal_gain(one: Exercise) -> Reveal:
    """Show the same step at three pressures."""
    lines = []
    for factor in (0.5, 1.0, 2.0):
        other = _scaled(one, factor)
        trace = speed_step(other, STEP)
        pressure = trace.columns["indicated_pa"]
        name = f"at {number(other.point.indicated_pa / MBAR)} mbar"
        lines.append(Line(name, trace.time_s, (pressure - pressure[0]) / MBAR))
    change = number(_change_pa(one.point) / MBAR)
    return Reveal(
        (
            f"The pressure changes by {change} mbar. With twice the gas at the same speed the "
            "pressure is twice as high, and so is the change: the gain is in proportion to the "
            "pressure.",
            "A controller on a linear reading therefore sees a plant whose gain changes tenfold "
            "over a decade of setpoints: gains that are calm at one end swing at the other.",
        ),
        "At rest $p = Q/(S\\,n)$, so $\\partial p/\\partial n = -p/n$; fast changes go with "
        "$-p\\,S/V$. Both follow the pressure.",
        BY_HAND,
        tuple(lines), "time [s]", "change of the reading [mbar]",
        "the same step at three pressures, same speed",
        "how far each curve has fallen at its right end: twice as far at twice the pressure, half "
        "as far at half of it.",
    )  # fmt: skip


def _scaled(one: Exercise, factor: float) -> Exercise:
    """The exercise with another gas load at the same speed."""
    point = operating_point(
        one.study.system, indicated_pa=factor * one.point.indicated_pa,
        gas_load_pa_m3_s=factor * one.point.gas_load_pa_m3_s, gauge=one.study.loop_gauge(),
    )  # fmt: skip
    return replace(one, point=point)


# 3: what a log reading changes


def _decades(one: Exercise) -> float:
    return math.log10(one.point.speed / (one.point.speed + STEP))


def log_reading(one: Exercise) -> Asked:
    """Ask for the same change in decades."""
    return Asked(
        f"The same step, {number(100 * STEP)} % of rated more speed, now seen by a controller that "
        "reads decades, log10 of the pressure. By how many decades does the reading change?",
        "number", "decades", _decades(one), 0.08,
        "more speed LOWERS the pressure and its logarithm with it, so the change is negative.",
    )  # fmt: skip


def reveal_log(one: Exercise) -> Reveal:
    """Show the same step at three pressures, in decades."""
    lines = []
    for factor in (0.5, 1.0, 2.0):
        other = _scaled(one, factor)
        trace = speed_step(other, STEP)
        pressure = trace.columns["indicated_pa"]
        name = f"at {number(other.point.indicated_pa / MBAR)} mbar"
        lines.append(Line(name, trace.time_s, np.log10(pressure / pressure[0])))
    return Reveal(
        (
            f"The reading changes by {number(_decades(one))} decades, at every pressure: the three "
            "curves lie on each other. One set of gains then serves all setpoints at this speed.",
            "What a logarithm does not take away: the gain at rest still follows 1/n, and the time "
            "constant V/(S n). And a gauge that fails low drives the speed down faster.",
        ),
        "$\\ln p = \\ln Q - \\ln S - \\ln n$, so $\\partial \\log_{10} p/\\partial n = "
        "-1/(n \\ln 10)$; fast changes go with $-S/(V \\ln 10)$, the same everywhere.",
        BY_HAND,
        tuple(lines), "time [s]", "change of the reading [decades]",
        "the same step at three pressures, log10 reading",
        "whether one curve covers the other two: counted in decades the step comes to the same at "
        "every pressure.",
    )  # fmt: skip
