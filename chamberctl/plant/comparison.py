"""Two studies side by side: the window, and what each duty point of the first asks of either."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

from chamberctl.display import Display, number
from chamberctl.plant.changed_fields import Change, changed_fields
from chamberctl.plant.changed_findings import changed_findings
from chamberctl.plant.handle import HandleVerdict, handle_verdict
from chamberctl.plant.point import LITTLE_AUTHORITY, OperatingPoint
from chamberctl.plant.window import OperatingWindow, operating_window

if TYPE_CHECKING:
    from chamberctl.study import Study

SAME = 0.005
"""Changes below this are called no change: half a percent is less than any of the inputs is known
to (assumed, because gauges and pump data are hardly better)."""

_OF_THE_PLANT = ("minimum_controllable_pressure_pa", "minimum_controllable_reason")
"""Fields of the duty that say something of the plant: each study's own count."""


@dataclass(frozen=True)
class ReachPair:
    """Chamber pressures that can be held at one metered gas load of the first study's duty.

    Parameters
    ----------
    gas_load_pa_m3_s : tuple of float
        All gas entering the chamber, in the first and in the second study: leakage and bleed are
        each study's own [Pa m3/s].
    lowest_pa, highest_pa : tuple of float
        At maximum and at minimum speed, in the first and in the second study [Pa]; NaN: none.
    """

    gas_load_pa_m3_s: tuple[float, float]
    lowest_pa: tuple[float, float]
    highest_pa: tuple[float, float]


@dataclass(frozen=True)
class PointPair:
    """One duty point of the first study, in both.

    Parameters
    ----------
    label : int
        Number of the point, from 1.
    first, second : OperatingPoint
        The point in either study; one that cannot be held says why.
    """

    label: int
    first: OperatingPoint
    second: OperatingPoint


@dataclass(frozen=True)
class Comparison:
    """Two studies compared over the duty of the first.

    Parameters
    ----------
    titles : tuple of str
        What the studies are called.
    changes : tuple of Change
        Fields in which system, duty or controller differ.
    reach : tuple of ReachPair
        The window at each gas load of the first study's duty.
    points : tuple of PointPair
        Speed needed, authority and response at each duty point.
    handles : tuple of HandleVerdict
        Whether speed is the right handle for the duty, in the first and in the second study.
    text : tuple of str
        The differences in plain words.
    """

    titles: tuple[str, str]
    changes: tuple[Change, ...]
    reach: tuple[ReachPair, ...]
    points: tuple[PointPair, ...]
    handles: tuple[HandleVerdict, HandleVerdict]
    text: tuple[str, ...]


def compare(first: Study, second: Study) -> Comparison:
    """Compare two studies over the duty of the first.

    Parameters
    ----------
    first : Study
        The study whose setpoints and metered gas loads count.
    second : Study
        The study that is held against it. Of its duty only the minimum controllable pressure is
        used, which belongs to the plant. Its own leakage counts, so that a constant bleed may be
        written as `gas_load.leak`.

    Returns
    -------
    Comparison
        Window, points, and the differences in plain words.
    """
    own = {name: getattr(second.duty, name) for name in _OF_THE_PLANT}
    moved = second.model_copy(update={"duty": first.duty.model_copy(update=own)})
    windows = (
        operating_window(first, n_speeds=2),
        operating_window(moved, n_speeds=2),
    )
    titles = (first.title or first.file, second.title or second.file)
    if titles[0] == titles[1]:
        titles = (f"{titles[0]} (first)", f"{titles[1]} (second)")
    pairs = zip(windows[0].duty_points, windows[1].duty_points, strict=True)
    points = tuple(PointPair(label, a, b) for label, (a, b) in enumerate(pairs, start=1))
    changes = tuple(changed_fields(first, second))
    reach = _reach(*windows)
    handles = (
        handle_verdict(first, windows[0].duty_points),
        handle_verdict(moved, windows[1].duty_points),
    )
    text = (
        *_changes_text(changes),
        *_gauge_text(first, second),
        *_reach_text(first, reach),
        *_points_text(first, points),
        _handle_text(*handles),
        *changed_findings(*windows),
    )
    return Comparison(titles, changes, reach, points, handles, text)


def _reach(one: OperatingWindow, other: OperatingWindow) -> tuple[ReachPair, ...]:
    """Pair the windows' gas loads; both are sorted, and each adds its own leakage to all."""
    return tuple(
        ReachPair(*((float(pair[0]), float(pair[1])) for pair in row))
        for row in zip(
            *(
                zip(getattr(one, name), getattr(other, name), strict=True)
                for name in ("gas_loads_pa_m3_s", "lowest_pa", "highest_pa")
            ),
            strict=True,
        )
    )


def _changes_text(changes: tuple[Change, ...]) -> Iterator[str]:
    if not changes:
        yield "The two studies describe the same system, duty and controller."
        return
    plant = [c for c in changes if c.path.startswith("system.")]
    shown = "; ".join(f"{c.name} {c.first} -> {c.second}" for c in plant[:6])
    more = f"; and {len(plant) - 6} more" if len(plant) > 6 else ""
    if plant:
        yield f"Changed in the plant: {shown}{more}."
    else:
        yield "The plant is the same in both."
    duty = [c for c in changes if c.path.startswith("duty.")]
    for c in duty:
        if c.path.endswith("minimum_controllable_pressure"):
            yield f"Each plant has its own {c.name.partition(': ')[2]}: {c.first} -> {c.second}."
    if any("minimum_controllable" not in c.path for c in duty):
        yield "The duties differ; both plants are shown at the duty of the first."


def _gauge_text(first: Study, second: Study) -> Iterator[str]:
    """Say which setpoints the second study's gauge cannot read."""
    show, gauge = Display.of(first), second.loop_gauge()
    low, high = gauge.range_low_pa, gauge.range_high_pa
    beyond = sorted({h.setpoint_pa for h in first.duty.holds if not low <= h.setpoint_pa <= high})
    if beyond:
        listed = ", ".join(show.pressure_text(setpoint) for setpoint in beyond)
        yield (
            f"The second's gauge {gauge.tag} reads {show.pressure_text(low)} to "
            f"{show.pressure_text(high)} and cannot show the setpoint {listed}."
        )


def _reach_text(study: Study, reach: tuple[ReachPair, ...]) -> Iterator[str]:
    show = Display.of(study)
    moved = False
    for pair in reach:
        parts = [
            words
            for word, ends in (("lowest", pair.lowest_pa), ("highest", pair.highest_pa))
            if (words := _end_moved(show, word, *ends))
        ]
        if parts:
            moved = True
            load = show.gas_load_text(pair.gas_load_pa_m3_s[0])
            own = pair.gas_load_pa_m3_s[1]
            with_bleed = not math.isclose(own, pair.gas_load_pa_m3_s[0], rel_tol=SAME)
            second = f" (second: {show.gas_load_text(own)})" if with_bleed else ""
            yield f"Window at {load}{second}: {'; '.join(parts)}."
    if not moved:
        yield "The window is the same."


def _end_moved(show: Display, word: str, before: float, after: float) -> str:
    if math.isnan(before) and math.isnan(after):
        return ""
    if math.isnan(before) or math.isnan(after):
        texts = ["none" if math.isnan(x) else show.pressure_text(x) for x in (before, after)]
        return f"{word} pressure {texts[0]} -> {texts[1]}"
    change = after / before - 1.0
    if abs(change) < SAME:
        return ""
    return (
        f"{word} pressure {show.pressure_text(before)} -> {show.pressure_text(after)} "
        f"({_percent(change)})"
    )


def _percent(change: float) -> str:
    return f"{'+' if change >= 0.0 else '-'}{number(abs(100.0 * change))} %"


def _points_text(study: Study, points: tuple[PointPair, ...]) -> Iterator[str]:
    show = Display.of(study)
    for pair in points:
        name = f"Point {pair.label} ({pair.first.where})"
        if not pair.first.feasible and not pair.second.feasible:
            yield f"{name}: neither holds it. Second: {pair.second.reason}"
        elif not pair.first.feasible:
            speed = show.speed_text(pair.second.speed)
            yield f"{name}: only the second holds it, at {speed}{_weak(pair.second)}."
        elif not pair.second.feasible:
            yield f"{name}: only the first holds it. Second: {pair.second.reason}"
        elif words := _point_moved(show, pair.first, pair.second):
            yield f"{name}: {words}{_weak(pair.second)}."
        else:
            yield f"{name}: no change."


def _point_moved(show: Display, one: OperatingPoint, other: OperatingPoint) -> str:
    parts = []
    if abs(other.speed / one.speed - 1.0) >= SAME:
        parts.append(f"speed {show.speed_text(one.speed)} -> {show.speed_text(other.speed)}")
    if _differs(one.authority_gauge, other.authority_gauge):
        before, after = number(one.authority_gauge), number(other.authority_gauge)
        parts.append(f"authority {before} -> {after}")
    if abs(other.pressure_pa / one.pressure_pa - 1.0) >= SAME:
        before, after = show.pressure_text(one.pressure_pa), show.pressure_text(other.pressure_pa)
        parts.append(f"true chamber pressure {before} -> {after}")
    if _differs(one.time_constant_s, other.time_constant_s):
        before, after = number(one.time_constant_s), number(other.time_constant_s)
        parts.append(f"time constant {before} s -> {after} s")
    if one.limited_by != other.limited_by:
        parts.append(
            f"limited by: {one.limited_by or 'nothing'} -> {other.limited_by or 'nothing'}"
        )
    return "; ".join(parts)


def _differs(before: float, after: float) -> bool:
    return abs(after - before) >= SAME * max(abs(before), abs(after))


def _handle_text(first: HandleVerdict, second: HandleVerdict) -> str:
    """Say for either study whether speed is the right handle."""
    if first.sentence == second.sentence:
        return f"Is speed the right handle? In both: {first.sentence}"
    return f"Is speed the right handle? First: {first.sentence} Second: {second.sentence}"


def _weak(point: OperatingPoint) -> str:
    if point.limited_by or point.authority_gauge >= LITTLE_AUTHORITY:
        return ""
    return f" (authority {number(point.authority_gauge, 2)}: speed is the wrong handle there)"
