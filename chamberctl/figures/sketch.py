"""The system as described, drawn from chamber to pumps, with what one duty point makes of it."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from matplotlib.axes import Axes
from matplotlib.patches import Circle, Polygon, Rectangle

from chamberctl.display import Display, number
from chamberctl.figures import style
from chamberctl.plant.chain import build_chain, gauge_node
from chamberctl.plant.gauge import reading

if TYPE_CHECKING:
    from chamberctl.plant.chain import Chain
    from chamberctl.plant.point import OperatingPoint
    from chamberctl.study import Gauge, LinePart, Study

_SIZES = {"diameter": "bore {}", "length": "{} long", "leg": "leg {}", "conductance": "{}"}

CHAMBER, PART, PUMP, START, END = 1.9, 1.25, 1.35, 1.05, 0.75
"""Lengths along the drawing [inches]."""

HEIGHT = 3.5
PIPE, LOW, NAME, STEM, WIRE = 0.09, -0.62, 0.42, 1.12, 1.72
"""Heights above and below the middle of the pipe [inches]."""


@dataclass(frozen=True)
class _Sheet:
    """What the drawing is made from, and where."""

    axis: Axes
    study: Study
    chain: Chain
    point: OperatingPoint
    unit: Display
    nodes: tuple[float, ...]

    @property
    def pressures(self) -> tuple[float, ...]:
        """Pressure at every node [Pa]; nan where there is no steady state."""
        return self.point.node_pressures_pa or (math.nan,) * len(self.nodes)

    def typed(self, path: str) -> str:
        """Return a value of the study as typed; "" where it is not given."""
        known = self.study.provenance.get(path)
        return known.typed if known else ""

    def write(self, x: float, y: float, text: str, *, strong: bool = False, **more: Any) -> None:
        """Write a text; what is computed is bold."""
        more = {"ha": "center", "va": "center", "fontsize": 6.8, **more}
        self.axis.text(x, y, text, fontweight="bold" if strong else "normal", **more)

    def pressure(self, node: int) -> str:
        """Return the pressure at a node."""
        value = self.pressures[node]
        return "" if math.isnan(value) else self.unit.pressure_text(value)

    def flow(self, element: int) -> str:
        """Return the gas flow through an element, from the node before it to the one behind."""
        pressures = (*self.pressures, 0.0)
        inlet, outlet = pressures[element], pressures[element + 1]
        if math.isnan(inlet):
            return ""
        found = self.chain.throughput(element, inlet, outlet, self.point.speed)
        return self.unit.gas_load_text(float(found))


@style.house_style
def sketch(study: Study, point: OperatingPoint) -> style.Picture:
    """Draw the system from chamber to pumps, with pressures, flows and regimes at one point.

    Parameters
    ----------
    study : Study
        What is drawn; sizes are written as typed.
    point : OperatingPoint
        Where it runs; what is computed there is written bold.

    Returns
    -------
    Picture
        As wide as the line is long.
    """
    chain = build_chain(study.system)
    nodes = _node_places(study)
    width = nodes[-1] + PUMP + END
    paper = max(width, 6.9)
    figure = style.Picture(figsize=(paper, HEIGHT))
    axis = figure.add_axes((0.0, 0.0, 1.0, 1.0))
    axis.set_axis_off()
    axis.set_xlim(0.5 * (width - paper), 0.5 * (width + paper))
    axis.set_ylim(-1.42, HEIGHT - 1.42)
    sheet = _Sheet(axis, study, chain, point, Display.of(study), nodes)
    _chamber(sheet)
    for index, part in enumerate(study.system.line):
        _line_part(sheet, index, part)
    _pumps(sheet)
    _gauges(sheet)
    _loop(sheet)
    _caption(sheet)
    figure.alt = _in_words(sheet)
    return figure


def _node_places(study: Study) -> tuple[float, ...]:
    """Return where along the drawing each node lies: the chamber's outlet first."""
    places = [START + CHAMBER]
    for _ in study.system.line:
        places.append(places[-1] + PART)
    if study.system.booster is not None:
        places.append(places[-1] + PUMP)
    return tuple(places)


def _pipe(sheet: _Sheet, left: float, right: float) -> None:
    for y in (-PIPE, PIPE):
        sheet.axis.plot([left, right], [y, y], color=style.INK, linewidth=1.0)


def _arrow(
    sheet: _Sheet, start: tuple[float, float], end: tuple[float, float], **look: Any
) -> None:
    arrow = {"arrowstyle": "-|>", "color": style.INK, "linewidth": 1.0, "shrinkA": 0, "shrinkB": 0}
    sheet.axis.annotate("", end, start, arrowprops={**arrow, **look})


def _chamber(sheet: _Sheet) -> None:
    left, right = START, START + CHAMBER - 0.35
    middle = 0.5 * (left + right)
    sheet.axis.add_patch(Rectangle((left, -0.85), right - left, 1.7, fill=False, linewidth=1.4))
    _pipe(sheet, right, sheet.nodes[0])
    size = ", ".join(
        filter(None, map(sheet.typed, ("system.chamber.volume", "system.chamber.temperature")))
    )
    sheet.write(middle, 0.68, "chamber")
    sheet.write(middle, 0.5, size)
    sheet.write(middle, LOW - 0.06, sheet.pressure(0), strong=True)
    zones = len(sheet.study.system.chamber.hot_zones)
    for index in range(min(zones, 2)):
        path = f"system.chamber.hot_zone[{index}]"
        words = f"hot zone\n{sheet.typed(f'{path}.volume')}, {sheet.typed(f'{path}.temperature')}"
        height = 0.7 / min(zones, 2)
        low = -0.38 + index * height
        sheet.axis.add_patch(
            Rectangle((left + 0.12, low), right - left - 0.24, height - 0.06, fill=False,
                      linewidth=0.9, linestyle=(0, (3, 2)))
        )  # fmt: skip
        text = words if index < 1 or zones == 2 else f"{words} and {zones - 2} more"
        sheet.write(middle, low + 0.5 * height - 0.03, text, fontsize=6.2)
    _arrow(sheet, (0.12, 0.0), (left, 0.0))
    load = sheet.unit.gas_load_text(sheet.point.gas_load_pa_m3_s)
    sheet.write(0.5 * left, 0.2, sheet.study.system.gas.name)
    if sheet.study.system.gas_load.vapor_conductance_m3_s:
        load += "\nand vapor"
    sheet.write(0.5 * left, -0.14, load.replace(" ", "\n", 1), strong=True, va="top")


def _line_part(sheet: _Sheet, index: int, part: LinePart) -> None:
    left, right = sheet.nodes[index], sheet.nodes[index + 1]
    middle = 0.5 * (left + right)
    _SHAPES[part.kind](sheet, middle)
    inner = 0.0 if part.kind == "tube" else 0.24
    if part.kind == "tube":
        _pipe(sheet, left, right)
    else:
        _pipe(sheet, left, middle - inner)
        _pipe(sheet, middle + inner, right)
    name = sheet.study.system.line_names[index]
    sheet.write(middle, NAME, "\n".join(textwrap.wrap(name, 15)[:2]), va="bottom")
    path = f"system.line[{index}]"
    typed = {key: sheet.typed(f"{path}.{key}") for key in _SIZES}
    sizes = [_SIZES[key].format(text) for key, text in typed.items() if text]
    sheet.write(middle, -0.36, "\n".join(sizes), va="top", fontsize=6.2)
    regime = dict(sheet.point.regimes).get(name, "")
    sheet.write(middle, LOW - 0.06, regime, fontsize=6.5, strong=True)
    _node(sheet, index + 1)


def _node(sheet: _Sheet, node: int) -> None:
    """Mark a node and write its pressure below."""
    x = sheet.nodes[node]
    sheet.axis.plot([x], [0.0], "o", color=style.INK, markersize=3.5)
    sheet.axis.plot([x, x], [-PIPE, LOW - 0.18], color=style.FAINT, linewidth=0.6, zorder=0)
    sheet.write(x, LOW - 0.3, sheet.pressure(node), strong=True)


def _tube(sheet: _Sheet, x: float) -> None:
    sheet.axis.plot([x - 0.3, x + 0.3], [0.0, 0.0], color=style.FAINT, linewidth=0.6,
                    linestyle=(0, (8, 2, 1.5, 2)))  # fmt: skip


def _elbow(sheet: _Sheet, x: float) -> None:
    for radius in (0.1, 0.28):
        xs = [x - 0.24 + (0.24 - 0.14) + radius * math.sin(a / 10) for a in range(16)]
        ys = [-0.19 + radius * math.cos(a / 10) for a in range(16)]
        sheet.axis.plot(xs, ys, color=style.INK, linewidth=1.0)
    sheet.axis.add_patch(Rectangle((x - 0.24, -0.25), 0.48, 0.5, fill=False, linewidth=0.8))


def _orifice(sheet: _Sheet, x: float) -> None:
    for side in (-1.0, 1.0):
        sheet.axis.plot([x, x], [side * 0.04, side * 0.25], color=style.INK, linewidth=2.4)
    _pipe(sheet, x - 0.24, x + 0.24)


def _valve(sheet: _Sheet, x: float) -> None:
    sheet.axis.add_patch(Rectangle((x - 0.24, -0.16), 0.48, 0.32, fill=False, linewidth=1.0))
    sheet.axis.plot([x - 0.12, x + 0.12], [-0.12, 0.12], color=style.INK, linewidth=1.8)
    sheet.axis.plot([x, x], [0.16, 0.3], color=style.INK, linewidth=1.0)
    sheet.axis.plot([x - 0.1, x + 0.1], [0.3, 0.3], color=style.INK, linewidth=1.6)


def _box(sheet: _Sheet, x: float) -> None:
    sheet.axis.add_patch(
        Rectangle((x - 0.24, -0.25), 0.48, 0.5, fill=False, linewidth=1.0, hatch="...",
                  edgecolor=style.MUTED)
    )  # fmt: skip
    sheet.axis.add_patch(Rectangle((x - 0.24, -0.25), 0.48, 0.5, fill=False, linewidth=1.0))


def _cold(sheet: _Sheet, x: float) -> None:
    sheet.axis.add_patch(Rectangle((x - 0.24, -0.25), 0.48, 0.5, fill=False, linewidth=1.0))
    xs = [x - 0.16 + 0.08 * i for i in range(5)]
    sheet.axis.plot(xs, [-0.15, 0.15, -0.15, 0.15, -0.15], color=style.ACCENT, linewidth=1.4)


_SHAPES: dict[str, Callable[[_Sheet, float], None]] = {
    "tube": _tube, "elbow": _elbow, "orifice": _orifice, "valve": _valve, "conductance": _box,
    "cold trap": _cold, "condenser": _cold,
}  # fmt: skip


def _pumps(sheet: _Sheet) -> None:
    """Draw booster and backing pump with their speeds and what is let in at them."""
    system, inlet = sheet.study.system, len(sheet.study.system.line)
    purges = {"inlet": inlet, "interstage": len(sheet.nodes) - 1}
    if system.booster is not None:
        x = sheet.nodes[inlet] + 0.5 * PUMP
        _pipe(sheet, sheet.nodes[inlet], x - 0.3)
        _pipe(sheet, x + 0.3, sheet.nodes[inlet + 1])
        sheet.axis.add_patch(Rectangle((x - 0.3, -0.3), 0.6, 0.6, fill=False, linewidth=1.2))
        for side in (-1.0, 1.0):
            sheet.axis.add_patch(Circle((x, side * 0.13), 0.11, fill=False, linewidth=1.0))
        _pump_words(sheet, x, "booster", "system.booster.swept_speed", sheet.point.booster_speed)
        _node(sheet, inlet + 1)
    last = len(sheet.nodes) - 1
    x = sheet.nodes[last] + 0.5 * PUMP
    _pipe(sheet, sheet.nodes[last], x - 0.3)
    corners = [(x - 0.3, -0.3), (x - 0.3, 0.3), (x + 0.3, 0.16), (x + 0.3, -0.16)]
    sheet.axis.add_patch(Polygon(corners, fill=False, linewidth=1.2))
    _pump_words(sheet, x, "backing pump", "system.backing.displacement", sheet.point.backing_speed)
    end = x + 0.5 * PUMP + END - 0.15
    _arrow(sheet, (x + 0.3, 0.0), (end, 0.0))
    sheet.write(0.5 * (x + 0.3 + end), 0.2, "exhaust")
    flow = sheet.flow(last).replace(" ", "\n", 1)
    sheet.write(0.5 * (x + 0.3 + end), -0.14, flow, strong=True, va="top")
    for name, node in purges.items():
        if getattr(system.purge, f"{name}_pa_m3_s") > 0.0:
            place = sheet.nodes[node]
            _arrow(sheet, (place, -1.2), (place, -1.05))
            typed = sheet.typed(f"system.purge.{name}")
            sheet.write(place, -1.28, f"purge {typed}", fontsize=6.2)


def _pump_words(sheet: _Sheet, x: float, name: str, path: str, speed: float) -> None:
    sheet.write(x, NAME, name, va="bottom")
    sheet.write(x, -0.36, sheet.typed(path) or "curve", va="top", fontsize=6.2)
    running = "" if math.isnan(speed) else f"speed {number(100 * speed)} %"
    sheet.write(x, LOW - 0.06, running, fontsize=6.5, strong=True)


def _gauges(sheet: _Sheet) -> None:
    """Draw every gauge at its place; the loop's has a second ring."""
    at: dict[int, list[Gauge]] = {}
    for gauge in sheet.study.system.gauges:
        at.setdefault(gauge_node(sheet.chain, gauge), []).append(gauge)
    for node, gauges in at.items():
        for order, gauge in enumerate(gauges):
            _gauge(sheet, gauge, node, *_gauge_place(sheet, node, order))


def _gauge(sheet: _Sheet, gauge: Gauge, node: int, x: float, y: float) -> None:
    foot = 0.85 if node == 0 else PIPE
    sheet.axis.plot([x, x], [foot, y - 0.12], color=style.INK, linewidth=0.8, zorder=0.5)
    for radius in (0.12, 0.085) if gauge.tag == sheet.study.controller.gauge else (0.12,):
        sheet.axis.add_patch(
            Circle((x, y), radius, facecolor="white", edgecolor=style.INK, linewidth=0.9)
        )
    value = sheet.pressures[node]
    shown = float(reading(sheet.study.system, gauge, value))
    text = "" if math.isnan(shown) else sheet.unit.pressure_text(shown)
    side, look = (1.0, "left") if node == 0 else (-1.0, "right")
    sheet.write(x + side * 0.17, y + 0.07, gauge.tag, ha=look)
    sheet.write(x + side * 0.17, y - 0.07, text, ha=look, strong=True, fontsize=6.2)


def _gauge_place(sheet: _Sheet, node: int, order: int) -> tuple[float, float]:
    """Return where a gauge is drawn: the chamber's side by side, others one above the other."""
    if node == 0:
        return START + 0.18 + 0.8 * order, STEM
    return sheet.nodes[node], STEM + 0.32 * order


def _loop(sheet: _Sheet) -> None:
    """Draw the way from the loop's gauge through the controller to the pumps that follow it."""
    study, wide = sheet.study, 0.75
    node = gauge_node(sheet.chain, study.loop_gauge())
    same = [g.tag for g in study.system.gauges if gauge_node(sheet.chain, g) == node]
    start, above = _gauge_place(sheet, node, same.index(study.controller.gauge))
    pumps = [(sheet.nodes[-1] + 0.5 * PUMP, study.system.speed_map.backing)]
    if study.system.booster is not None:
        pumps.append((sheet.nodes[-2] + 0.5 * PUMP, study.system.speed_map.booster or (0.0,)))
    following = [x for x, speeds in pumps if speeds[0] < speeds[-1]]
    middle = max(0.5 * (start + max(following)), start + wide + 0.15)
    middle = min(middle, max(following) - wide - 0.1)
    dashed: dict[str, Any] = {"color": style.MUTED, "linewidth": 0.8, "linestyle": (0, (4, 2))}
    sheet.axis.plot([start, start, middle], [above + 0.12, WIRE, WIRE], **dashed)
    sheet.axis.plot([middle, max(following)], [WIRE, WIRE], **dashed)
    for x in following:
        _arrow(sheet, (x, WIRE), (x, 0.72), linestyle=(0, (4, 2)), linewidth=0.8,
               color=style.MUTED)  # fmt: skip
    sheet.axis.add_patch(
        Rectangle((middle - wide, WIRE - 0.2), 2 * wide, 0.4, facecolor="white",
                  edgecolor=style.INK, linewidth=1.0, zorder=3)
    )  # fmt: skip
    speed = sheet.point.speed
    sheet.write(middle, WIRE + 0.09, study.controller.tag, zorder=4)
    output = "" if math.isnan(speed) else sheet.unit.speed_text(speed)
    sheet.write(middle, WIRE - 0.09, output, strong=True, zorder=4)


def _caption(sheet: _Sheet) -> None:
    words = f"At {sheet.point.where}" if sheet.point.feasible else "This point cannot be held"
    sheet.axis.text(
        0.12, -1.36, f"{words}. Bold: computed there; the rest as typed.", fontsize=6.5,
        color=style.MUTED, va="bottom",
    )  # fmt: skip


def _in_words(sheet: _Sheet) -> str:
    names = [
        "chamber", *sheet.study.system.line_names,
        *(["booster"] if sheet.study.system.booster is not None else []), "backing pump",
    ]  # fmt: skip
    held = (
        ", ".join(
            f"{name} {sheet.pressure(node)}" for node, name in enumerate(sheet.point.node_names)
        )
        if sheet.point.feasible
        else "this point cannot be held"
    )
    return (
        f"The system from left to right: {', '.join(names)}; gauges "
        f"{', '.join(gauge.tag for gauge in sheet.study.system.gauges)}. At {sheet.point.where}: "
        f"{held}."
    )
