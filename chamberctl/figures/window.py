"""Pictures of the operating window: what the pump can reach, and how much speed can do there."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from matplotlib.axes import Axes

from chamberctl.display import Display, number
from chamberctl.figures import style
from chamberctl.figures.free_places import Paper, Place
from chamberctl.figures.load_curves import curve, label_ends, masked, pick, speed_limits
from chamberctl.plant.gauge import reading

if TYPE_CHECKING:
    from chamberctl.plant.point import OperatingPoint
    from chamberctl.plant.window import OperatingWindow
    from chamberctl.study import Study

LOW_AUTHORITY = 0.3
HEIGHT_IN = 3.4
REFUSED = "not controllable"
NEAR_FLOOR = 3.0
"""A floor that lies lower under the curves than by this factor is not drawn."""


def _gauge(study: Study) -> Any:
    """Return the gauge the loop reads."""
    wanted = study.controller.gauge
    return next(g for g in study.system.gauges if g.tag == wanted)


def _setpoints(paper: Paper, study: Study, unit: Display) -> None:
    """Name the setpoints' lines where no curve runs through the words."""
    low, high = 100 * study.system.drive.minimum_speed, 100 * study.system.drive.maximum_speed
    for value in _setpoint_values(study, unit):
        places = [
            Place(x, value, 0.0, up, ha, va)
            for x, ha in [(high - 1, "right"), (low + 1, "left"),
                          *((x, "center") for x in np.linspace(high, low, 21))]
            for up, va in ((2.0, "bottom"), (-2.0, "top"))
        ]  # fmt: skip
        words = (f"setpoint {number(value)} {unit.pressure}", f"set {number(value)}")
        paper.write(words, places, fontsize=6.5, color=style.ACCENT, zorder=5)


def _setpoint_values(study: Study, unit: Display) -> list[float]:
    return sorted({float(unit.to_pressure(hold.setpoint_pa)) for hold in study.duty.holds})


def _point_groups(points: Sequence[OperatingPoint]) -> list[tuple[int, OperatingPoint]]:
    return list(enumerate(points, start=1))


def _pressure_axis(
    axis: Axes, window: OperatingWindow, study: Study, unit: Display, name: str
) -> None:
    """Draw one pressure (true or indicated) against speed for several gas loads."""
    rows = pick(len(window.gas_loads_pa_m3_s))
    curves = {row: unit.to_pressure(masked(window, name, row)) for row in rows}
    gauge = _gauge(study)
    wanted = [unit.to_pressure(hold.setpoint_pa) for hold in study.duty.holds]
    finite = np.concatenate([c[np.isfinite(c)] for c in curves.values()] + [np.array(wanted)])
    finite = finite[finite > 0]
    low, high = float(finite.min()) / 1.35, float(finite.max()) * 1.35
    floor = _floor(window, study, unit, name)
    if low / NEAR_FLOOR < floor:
        low = min(low, floor / 1.35)
    style.log_axis(axis, "y", low, high)
    ends = []
    for index, row in enumerate(rows):
        curve(axis, window, row, curves[row], style.DASHES[index % len(style.DASHES)])
        valid = np.flatnonzero(np.isfinite(curves[row]))
        if len(valid):
            load = unit.gas_load_text(float(window.gas_loads_pa_m3_s[row]))
            last = int(valid[-1])
            ends.append((100 * float(window.speeds[last]), float(curves[row][last]), load))
    speed_limits(axis, study)
    label_ends(axis, ends, log=True, height_in=HEIGHT_IN)
    if floor > low:
        _draw_floor(axis, low, floor, study.system.drive.minimum_speed, unit)
    if name == "indicated_pa":
        for value in _setpoint_values(study, unit):
            axis.axhline(value, color=style.ACCENT, linewidth=0.8, zorder=1)
        bounds = unit.to_pressure(gauge.range_low_pa), unit.to_pressure(gauge.range_high_pa)
        for start, stop, word in ((low, bounds[0], "below"), (bounds[1], high, "above")):
            if start < stop and low < stop and start < high:
                axis.axhspan(start, stop, facecolor=style.RULE, alpha=0.55, linewidth=0)
                axis.annotate(
                    f"{word} the gauge's range",
                    (2, np.sqrt(start * stop)),
                    fontsize=7,
                    va="center",
                    bbox={"facecolor": "white", "edgecolor": "none", "pad": 1.5},
                )


def _numbers_and_words(
    axis: Axes, window: OperatingWindow, study: Study, unit: Display, name: str
) -> None:
    """Number the duty's points and name its setpoints on axes that are laid out."""
    paper = Paper(axis)
    _duty_points(paper, window, study, unit, name)
    if name == "indicated_pa":
        _setpoints(paper, study, unit)


def _floor(window: OperatingWindow, study: Study, unit: Display, name: str) -> float:
    """Return the minimum controllable pressure on an axis; 0 where it is no single height there."""
    gauge, floor = _gauge(study), window.floor_pa
    if not floor or name == "pressure_pa":
        return float(unit.to_pressure(floor))
    if gauge.position != "chamber":
        return 0.0
    return float(unit.to_pressure(float(reading(study.system, gauge, floor))))


def _draw_floor(axis: Axes, low: float, floor: float, speed: float, unit: Display) -> None:
    """Hatch what the duty takes as not controllable; the words begin at a speed."""
    axis.axhspan(
        low,
        floor,
        facecolor="none",
        edgecolor=style.FAINT,
        hatch="\\\\",
        linewidth=0,
        zorder=0.6,
    )
    axis.axhline(floor, color=style.MUTED, linewidth=1.0, zorder=0.7)
    axis.annotate(
        f"not controllable below {number(floor)} {unit.pressure}",
        (100 * speed, floor),
        xytext=(4, -3),
        textcoords="offset points",
        fontsize=6.5,
        ha="left",
        va="top",
        bbox={"facecolor": "white", "edgecolor": "none", "pad": 1.0},
        zorder=2,
    )


def _duty_points(
    paper: Paper, window: OperatingWindow, study: Study, unit: Display, name: str
) -> None:
    """Mark every duty point by its number; unreachable ones are crossed out at the nearer edge."""
    held: list[tuple[float, float, str]] = []
    blocked: dict[tuple[float, float, str], list[str]] = {}
    drive = study.system.drive
    for label, point in _point_groups(window.duty_points):
        if point.feasible:
            held.append((100 * point.speed, float(unit.to_pressure(getattr(point, name))),
                         str(label)))  # fmt: skip
        elif point.below_floor:
            key = (100 * point.speed, float(unit.to_pressure(getattr(point, name))), REFUSED)
            blocked.setdefault(key, []).append(str(label))
        elif name == "indicated_pa":
            middle = window.lowest_indicated_pa[
                int(
                    np.argmin(np.abs(np.asarray(window.gas_loads_pa_m3_s) - point.gas_load_pa_m3_s))
                )
            ]
            edge = drive.maximum_speed if point.indicated_pa < middle else drive.minimum_speed
            key = (100 * edge, float(unit.to_pressure(point.indicated_pa)), "not reachable")
            blocked.setdefault(key, []).append(str(label))
    paper.badges(held)
    for (x, y, why), labels in sorted(blocked.items()):
        if not np.isfinite(y):
            continue
        paper.axis.plot(
            [x], [y], "x", color=style.ALARM, markersize=7, markeredgewidth=1.8, zorder=7
        )
        sides = [(-7, "right"), (7, "left")] if x > 50 else [(7, "left"), (-7, "right")]
        places = [
            Place(x, y, right, up, ha, va)
            for up, va in ((4, "bottom"), (-4, "top"), (12, "bottom"), (-12, "top"))
            for right, ha in sides
        ]
        paper.write([f"{', '.join(labels)} {why}"], places, fontsize=7, color=style.ALARM, zorder=7)


def _same(window: OperatingWindow) -> bool:
    """Return whether indicated and true pressure agree to half a percent all over the window."""
    true, indicated = np.asarray(window.pressure_pa), np.asarray(window.indicated_pa)
    good = np.asarray(window.feasible, dtype=bool) & (true > 0)
    return bool(np.all(np.abs(indicated[good] / true[good] - 1) < 5e-3))


@style.house_style
def operating_window(window: OperatingWindow, study: Study) -> style.Picture:
    """Draw reachable pressure against speed for several gas loads, with the duty's points.

    Parameters
    ----------
    window : OperatingWindow
        Steady states over speed and gas load.
    study : Study
        Duty, gauge range and drive limits to draw.

    Returns
    -------
    Picture
        One panel where indicated and true pressure agree, else one for each.
    """
    unit = Display.of(study)
    same = _same(window)
    figure, axes = style.canvas(6.9, HEIGHT_IN, columns=1 if same else 2, sharey=False)
    names = ("indicated_pa",) if same else ("indicated_pa", "pressure_pa")
    for axis, name in zip(axes, names, strict=True):
        _pressure_axis(axis, window, study, unit, name)
    axes[0].set_ylabel(f"pressure [{unit.pressure}]")
    axes[0].set_title("indicated pressure" + (" (true pressure is the same here)" if same else ""))
    if not same:
        axes[1].set_title("true chamber pressure")
        axes[1].set_ylabel(f"pressure [{unit.pressure}]")
    figure.settle()
    for axis, name in zip(axes, names, strict=True):
        _numbers_and_words(axis, window, study, unit, name)
    reach = [p for p in window.duty_points if p.feasible]
    loads = np.asarray(window.gas_loads_pa_m3_s)
    figure.alt = (
        "Steady pressure against pump speed for gas loads from "
        f"{unit.gas_load_text(float(loads[0]))} to {unit.gas_load_text(float(loads[-1]))}; "
        f"{len(reach)} of {len(window.duty_points)} duty points lie on a reachable curve between "
        "minimum and maximum speed."
        + (
            f" Below {unit.pressure_text(window.floor_pa)} in the chamber the duty takes the plant "
            "as not controllable."
            if window.floor_pa
            else ""
        )
    )
    return figure


@style.house_style
def authority(window: OperatingWindow, study: Study) -> style.Picture:
    """Draw how strongly speed moves pressure, at the chamber and at the gauge.

    Parameters
    ----------
    window : OperatingWindow
        Steady states with authority [percent of pressure per percent of speed].
    study : Study
        Drive limits to draw.

    Returns
    -------
    Picture
        Two panels with the limit below which speed is the wrong handle.
    """
    unit = Display.of(study)
    figure, axes = style.canvas(6.9, 2.7, columns=2, sharey=True)
    rows = pick(len(window.gas_loads_pa_m3_s))
    tables = {
        n: np.array([masked(window, n, r) for r in rows])
        for n in ("authority_chamber", "authority_gauge")
    }
    finite = np.concatenate([t[np.isfinite(t)] for t in tables.values()])
    top = max(1.15, float(np.percentile(finite, 99)) * 1.1) if finite.size else 1.15
    for axis, table, title in zip(
        axes, tables.values(), ("at the chamber", "at the gauge"), strict=True
    ):
        axis.set_ylim(min(0.0, float(finite.min()) if finite.size else 0.0), min(top, 4.0))
        ends = []
        for index, row in enumerate(rows):
            curve(axis, window, row, table[index], style.DASHES[index % len(style.DASHES)])
            valid = np.flatnonzero(np.isfinite(table[index]))
            if len(valid):
                last = int(valid[-1])
                load = unit.gas_load_text(float(window.gas_loads_pa_m3_s[row]))
                ends.append((100 * float(window.speeds[last]), float(table[index][last]), load))
        speed_limits(axis, study)
        axis.axhspan(
            axis.get_ylim()[0], LOW_AUTHORITY, facecolor=style.RULE, alpha=0.55, linewidth=0
        )
        axis.annotate(
            "speed is the wrong handle here",
            (50, LOW_AUTHORITY / 2),
            ha="center",
            va="center",
            fontsize=7,
            bbox={"facecolor": "white", "edgecolor": "none", "pad": 1.5},
        )
        if axis is axes[1]:
            label_ends(axis, ends, log=False, height_in=2.7)
        axis.set_title(title)
    axes[0].set_ylabel("authority\n[% pressure per % speed]")
    figure.settle()
    for axis, name in zip(axes, tables, strict=True):
        Paper(axis).badges(
            [
                (100 * point.speed, getattr(point, name), str(label))
                for label, point in _point_groups(window.duty_points)
                if point.feasible
            ]
        )
    lowest = min(
        (p.authority_gauge for p in window.duty_points if p.feasible), default=float("nan")
    )
    figure.alt = (
        "Authority of pump speed over pressure against speed at the chamber and at the gauge; the "
        f"lowest value at the gauge over the duty is {number(lowest)}, and below {LOW_AUTHORITY} "
        "speed is the wrong handle."
    )
    return figure
