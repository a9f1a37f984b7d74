"""What is described of the pumps: a booster where there is one, and the backing pump."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator, Sequence
from itertools import pairwise
from math import log
from typing import Any, Literal

from pydantic import model_validator

from chamberctl.physics.boosters import falling_mean
from chamberctl.physics.pumps import falling_step, scaled_slip
from chamberctl.quantities import format_quantity
from chamberctl.study.fields import ABSENT, ROOM, Part, choice, pairs, parts, quantity
from chamberctl.study.gas import GAS_NAMES, GasName

Points = tuple[tuple[float, float], ...]

_CURVE_SAYS = "the curve says it already; remove this field or the curve"
_STATED_GAS_HELP = "gas that the stated slip is for; for another it is converted"
_STATED_GAS_SOURCE = "assumed, because data without a gas are for the one pumped"
_RATED_WITHIN = 1e-9


class Booster(Part):
    """A booster in front of the backing pump."""

    swept_speed_m3_s: float = quantity(
        "volume_flow", "m3/h", "geometric pumping speed at rated speed", "0.01 m3/h", "1e6 m3/h"
    )
    gap_conductance_m3_s: float | None = quantity(
        "volume_flow", "L/s", "gap leakage per pressure difference, molecular part",
        "0 L/s", "100 m3/s", default=None, source="needed unless a compression curve is given",
    )  # fmt: skip
    gap_conductance_per_pressure_m3_s_pa: float = quantity(
        "conductance_per_pressure", "L/s/mbar", "growth of the gap leakage with the mean pressure",
        "0 L/s/mbar", "1 m3/s/Pa", default="0 L/s/mbar",
        source="assumed, because below about 1 mbar the molecular part rules",
    )  # fmt: skip
    carry_back_speed_m3_s: float = quantity(
        "volume_flow", "L/s", "volume the rotors carry back at rated speed", "0 L/s", "100 m3/s",
        default="0 L/s", source="assumed, because gap leakage rules in most duties",
    )  # fmt: skip
    compression_curve: Points | None = pairs(
        ("pressure", "number"), ("mbar", ""),
        "zero-flow compression ratio against backing pressure at rated speed, pressures rising",
        default=None, shown="none", source="the gap leakage and carry-back given are used", least=2,
    )  # fmt: skip
    slip_split: Literal["gap", "carry-back", "at peak", "as given"] = choice(
        ("gap", "carry-back", "at peak", "as given"), "what the slip is counted as: all leakage "
        "through the gaps, all carried back by the rotors, gaps above the peak of the compression "
        "curve and more and more carried back below it, or each as given", default="as given",
        shown='"as given", with a compression curve "at peak"',
        source="data at rated speed do not tell; only a test at reduced speed does",
    )  # fmt: skip
    stated_gas: GasName | None = choice(
        GAS_NAMES, _STATED_GAS_HELP, default=None, shown="the study's gas",
        source=_STATED_GAS_SOURCE,
    )  # fmt: skip
    inlet_volume_m3: float = quantity(
        "volume", "L", "gas volume at the booster's inlet", "0 L", "1000 m3", default="0 L",
        source=ABSENT,
    )  # fmt: skip
    inlet_temperature_k: float = quantity(
        "temperature", "degC", "temperature of the gas at the booster's inlet", "50 K", "1000 K",
        default="293.15 K", source=ROOM,
    )  # fmt: skip
    overflow_difference_pa: float | None = quantity(
        "pressure", "mbar", "pressure difference at which the overflow valve opens", "1 Pa",
        "1 bar", default=None, shown="no overflow valve", source=ABSENT,
    )  # fmt: skip
    torque_difference_pa: float | None = quantity(
        "pressure", "mbar", "pressure difference at which the drive's torque limit begins to slow "
        "the booster", "1 Pa", "1 bar", default=None, shown="never slowed", source=ABSENT,
    )  # fmt: skip
    difference_limit_pa: float | None = quantity(
        "pressure", "mbar", "highest continuous pressure difference, from the data sheet", "1 Pa",
        "1 bar", default=None, shown="not checked", source="user data; no value is assumed",
    )  # fmt: skip

    @model_validator(mode="before")
    @classmethod
    def _split_of_a_curve(cls, given: Any) -> Any:
        """Split the slip of a compression curve at its peak where nothing else is said."""
        if isinstance(given, dict) and given.get("compression_curve") is not None:
            return {"slip_split": "at peak", **given}
        return given

    def contradictions(self) -> Iterator[tuple[str, str]]:
        """Yield slip that is described twice or not at all, and a curve that is none."""
        if self.compression_curve is None:
            if self.gap_conductance_m3_s is None:
                yield (
                    "gap_conductance",
                    'missing: give gap_conductance = "3 L/s" or a compression_curve',
                )
            return
        for key, value in {
            "gap_conductance": self.gap_conductance_m3_s,
            "gap_conductance_per_pressure": self.gap_conductance_per_pressure_m3_s_pa,
            "carry_back_speed": self.carry_back_speed_m3_s,
        }.items():
            if value:
                yield key, _CURVE_SAYS
        if self.slip_split == "as given":
            yield (
                "slip_split",
                "a curve does not say how its slip is split; gap, carry-back or at peak",
            )
        if not _rises(self.compression_curve):
            yield "compression_curve", "backing pressures must be above 0 and rise from row to row"
        elif min(ratio for _, ratio in self.compression_curve) <= 1.0:
            yield "compression_curve", "compression ratios without flow must be above 1"
        elif (row := falling_mean(*zip(*self.compression_curve, strict=True))) >= 0:
            ends = (format_quantity(p, "mbar", 3) for p, _ in self.compression_curve[row : row + 2])
            yield (
                "compression_curve",
                f"compression rises too steeply from {' to '.join(ends)}: without flow the mean of "
                "inlet and backing pressure must rise, too; look for a mistyped ratio",
            )

    def without_effect(self) -> Iterator[str]:
        """Yield the other way to describe the slip."""
        if self.compression_curve is None:
            yield "compression_curve"
        else:
            yield from ("gap_conductance", "gap_conductance_per_pressure", "carry_back_speed")


class SpeedCurve(Part):
    """A pump's curve at one rotational speed."""

    speed: float = quantity("speed", "%", "rotational speed of the curve, of rated", "1 %", "100 %")
    points: Points = pairs(
        ("pressure", "volume_flow"), ("mbar", "m3/h"),
        "pumping speed against inlet pressure, pressures rising", least=2,
    )  # fmt: skip

    def contradictions(self) -> Iterator[tuple[str, str]]:
        """Yield a curve that is none."""
        for remedy in _curve_problems(self.points):
            yield "points", remedy


class Backing(Part):
    """The backing pump, by displacement and slip, by a curve at rated speed or by several."""

    displacement_m3_s: float | None = quantity(
        "volume_flow", "m3/h", "geometric pumping speed at rated speed", "1e-3 m3/h", "1e6 m3/h",
        default=None, source="needed unless a curve is given",
    )  # fmt: skip
    ultimate_pressure_pa: float = quantity(
        "pressure", "mbar", "lowest inlet pressure at rated speed without gas flow", "0 Pa",
        "200 mbar", default="0 Pa", source="assumed, because an ideal pump has no slip",
    )  # fmt: skip
    clearance_conductance_m3_s: float = quantity(
        "volume_flow", "L/s", "leakage back through clearances that grows with inlet pressure",
        "0 L/s", "100 m3/s", default="0 L/s",
        source="assumed, because an ideal pump has no clearances",
    )  # fmt: skip
    slip_exponent: float = quantity(
        "number", "", "m in slip(n) = slip(rated) n^-m; 0 only for a single stage", "0", "10",
        default="0", source="assumed, because a single stage leaks alike at every speed",
    )  # fmt: skip
    curve: Points | None = pairs(
        ("pressure", "volume_flow"), ("mbar", "m3/h"),
        "pumping speed against inlet pressure at rated speed, pressures rising", default=None,
        shown="none", source="displacement and ultimate pressure are used instead", least=2,
    )  # fmt: skip
    curve_known_down_to_speed: float = quantity(
        "speed", "%", "slowest speed at which the curve was confirmed; slower is marked "
        "extrapolated", "1 %", "100 %", default="100 %",
        source="data sheets show curves at rated speed only",
    )  # fmt: skip
    curves: tuple[SpeedCurve, ...] = parts(
        "curves at several speeds, one of them rated", key="curves",
        source="one curve or displacement and ultimate pressure are used instead",
    )  # fmt: skip
    stated_gas: GasName | None = choice(
        GAS_NAMES, _STATED_GAS_HELP, default=None, shown="the study's gas",
        source=_STATED_GAS_SOURCE,
    )  # fmt: skip
    ballast_pa_m3_s: float = quantity(
        "throughput", "mbar L/s", "gas ballast let into the pump's compression", "0 mbar L/s",
        "1e5 mbar L/s", default="0 mbar L/s", source=ABSENT,
    )  # fmt: skip
    ballast_share: float = quantity(
        "fraction", "%", "share of the ballast that slips back to the pump's inlet", "0 %",
        "100 %", default="0 %", source="assumed, because ballast enters near the outlet",
    )  # fmt: skip
    inlet_volume_m3: float = quantity(
        "volume", "L", "gas volume at the pump's inlet or between booster and pump", "0 L",
        "1000 m3", default="0 L", source=ABSENT,
    )  # fmt: skip
    inlet_temperature_k: float = quantity(
        "temperature", "degC", "temperature of the gas at the pump's inlet", "50 K", "1000 K",
        default="293.15 K", source=ROOM,
    )  # fmt: skip

    def contradictions(self) -> Iterator[tuple[str, str]]:
        """Yield a pump described twice or not at all, and curves that are none."""
        if self.curve is None and not self.curves:
            if self.displacement_m3_s is None:
                yield "displacement", 'missing: give displacement = "600 m3/h" or a curve'
            elif self.clearance_conductance_m3_s >= self.displacement_m3_s:
                yield (
                    "clearance_conductance",
                    f"must be below the displacement, {_speed_text(self.displacement_m3_s)}: this "
                    "pump leaks back as much as it displaces, or more, and pumps nothing",
                )
            return
        for key, value in {
            "displacement": self.displacement_m3_s,
            "ultimate_pressure": self.ultimate_pressure_pa,
            "clearance_conductance": self.clearance_conductance_m3_s,
        }.items():
            if value:
                yield key, _CURVE_SAYS
        if self.curve is not None:
            for remedy in _curve_problems(self.curve):
                yield "curve", remedy
        if self.curves:
            yield from self._problems_of_curves()

    def without_effect(self) -> Iterator[str]:
        """Yield the other way to describe the pump, and what belongs to slip or ballast."""
        if self.curve is None:
            yield from ("curve", "curve_known_down_to_speed")
        if self.curve is not None or self.curves:
            yield from ("ultimate_pressure", "clearance_conductance")
        elif not self.ultimate_pressure_pa and not self.clearance_conductance_m3_s:
            yield from ("slip_exponent", "stated_gas")
        if not self.ballast_pa_m3_s:
            yield "ballast_share"

    def _problems_of_curves(self) -> Iterator[tuple[str, str]]:
        if self.curve is not None:
            yield "curve", "it belongs among [[system.backing.curves]], or alone; keep one of them"
        if self.curve_known_down_to_speed != 1.0:
            yield "curve_known_down_to_speed", "the slowest of the curves says it; remove it"
        speeds = [curve.speed for curve in self.curves]
        if max(speeds) < 1.0 - _RATED_WITHIN:
            yield "curves", 'missing: one curve must be at rated speed, speed = "100 %"'
        for index, speed in enumerate(speeds):
            if speed in speeds[:index]:
                yield f"curves[{index}].speed", "another curve is at this speed; keep one of them"
        order = sorted(range(len(speeds)), key=speeds.__getitem__)
        for slow, fast in pairwise(order):
            if _crosses(self.curves[slow].points, self.curves[fast].points):
                yield (
                    f"curves[{slow}].points",
                    f"pumps more than the curve at {100 * speeds[fast]:g} % speed somewhere; a "
                    "slower pump cannot",
                )


def _speed_text(speed_m3_s: float) -> str:
    return format_quantity(speed_m3_s, "L/s", 3)


def _rises(points: Points) -> bool:
    pressures = [pressure for pressure, _ in points]
    return pressures[0] > 0.0 and all(low < high for low, high in pairwise(pressures))


def _curve_problems(points: Points) -> Iterator[str]:
    speeds = [speed for _, speed in points]
    good = _rises(points) and min(speeds) >= 0.0 and max(speeds) > 0.0
    if not _rises(points):
        yield "inlet pressures must be above 0 and rise from row to row"
    if min(speeds) < 0.0 or max(speeds) <= 0.0:
        yield "pumping speeds must not be negative, and not all 0"
    fall = fall_of(points) if good else ""
    if fall:
        yield (
            "pressure times speed must rise from row to row, or one gas load has several steady "
            f"pressures; {fall}: read the curve again there, or leave out a row"
        )


def fall_of(points: Points, slip_scale: float = 1.0) -> str:
    """Say where throughput does not rise along a curve, as a pump's must.

    Parameters
    ----------
    points : sequence of (float, float)
        Inlet pressures, rising [Pa], and pumping speeds [m3/s].
    slip_scale : float
        Slip of the gas that flows, of that in the gas which the curve was measured with [-].

    Returns
    -------
    str
        Between which pressures, and from what to what; empty where it rises all along.
    """
    pressures = [pressure for pressure, _ in points]
    speeds = scaled_slip([speed for _, speed in points], slip_scale)
    row = falling_step(pressures, speeds)
    if row < 0:
        return ""
    ends = pressures[row : row + 2]
    low, high = (format_quantity(pressure, "mbar", 3) for pressure in ends)
    before, after = (
        format_quantity(pressure * speed, "mbar L/s", 3)
        for pressure, speed in zip(ends, speeds[row : row + 2], strict=True)
    )
    return f"between {low} and {high} it goes from {before} to {after}"


def _crosses(slow: Points, fast: Points) -> bool:
    """Say whether the slower curve lies above the faster one at a point that both cover."""
    pressures = sorted({pressure for pressure, _ in (*slow, *fast)})
    common = [p for p in pressures if max(slow[0][0], fast[0][0]) <= p]
    common = [p for p in common if p <= min(slow[-1][0], fast[-1][0])]
    return any(_between(slow, p) > _between(fast, p) * (1.0 + 1e-9) for p in common)


def _between(points: Sequence[tuple[float, float]], pressure: float) -> float:
    """Return the speed at a pressure, straight over ln p between two points."""
    right = min(max(bisect_right([p for p, _ in points], pressure), 1), len(points) - 1)
    (low, first), (high, second) = points[right - 1], points[right]
    return first + (second - first) * log(pressure / low) / log(high / low)
