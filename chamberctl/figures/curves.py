"""What parts of the system do by themselves: the pumps' speeds and the line's conductances."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from chamberctl import quantities
from chamberctl.display import Display, number
from chamberctl.figures import style
from chamberctl.plant.chain import build_chain

if TYPE_CHECKING:
    from chamberctl.study import Study

Array = NDArray[np.float64]

SHARES = (1.0, 0.75, 0.5, 0.25)
"""Speeds that a pump's curve is drawn at, as shares of the highest output (what is too slow for the
drive is left out)."""

MARKS = "os^Dv"
POINTS = 120
SMALL_DIFFERENCE = 1e-4
"""Pressure difference that a conductance is taken at, as a share of the pressure."""


@style.house_style
def pump_curves(study: Study) -> style.Picture:
    """Draw the backing pump's pumping speed against inlet pressure at several speeds.

    Parameters
    ----------
    study : Study
        The points typed into it are marked.

    Returns
    -------
    Picture
        As the model counts it, slip and its fall with speed included.
    """
    unit, drive, pump = Display.of(study), study.system.drive, study.system.backing
    chain = build_chain(study.system)
    last = chain.size - 1
    low, high = _pressure_span(study)
    marked = _typed_points(study)
    if marked:
        low = min(low, min(p for p, _, _ in marked))
        high = max(high, max(p for p, _, _ in marked))
    pressures = np.geomspace(low, high, POINTS)
    figure, (axis,) = style.canvas(6.9, 2.8)
    outputs = [share * drive.maximum_speed for share in SHARES]
    running = {
        number(100 * float(chain.backing_speed(output))): output
        for output in reversed(outputs)
        if output >= drive.minimum_speed
    }
    top = 0.0
    for dashes, (percent, output) in zip(style.DASHES, reversed(running.items()), strict=False):
        flows = np.array([float(chain.throughput(last, p, 0.0, output)) for p in pressures])
        shown = _volume_flow(flows / pressures, "m3/h")
        top = max(top, float(np.max(shown)))
        axis.plot(unit.to_pressure(pressures), shown, color=style.INK, linestyle=dashes,
                  label=f"at {percent} % of rated")  # fmt: skip
    kinds = list(dict.fromkeys(words for _, _, words in marked))
    for pressure, value, words in marked:
        shown = _volume_flow(np.array([value]), "m3/h")
        top = max(top, float(shown[0]))
        axis.plot([unit.to_pressure(pressure)], shown, MARKS[kinds.index(words) % len(MARKS)],
                  color=style.ACCENT, markersize=4, label=words)  # fmt: skip
    style.log_axis(axis, "x", float(unit.to_pressure(low)), float(unit.to_pressure(high)))
    axis.set_ylim(0.0, 1.1 * top if top > 0.0 else 1.0)
    axis.set_xlabel(f"pressure at the pump's inlet [{unit.pressure}]")
    axis.set_ylabel("pumping speed, gas\ncounted at 20 degC [m3/h]")
    _legend(axis)
    given = "a curve" if pump.curve or pump.curves else "displacement and slip"
    figure.alt = (
        f"Pumping speed of the backing pump against inlet pressure, from {given}, at "
        f"{len(running)} speeds; the highest is {number(top)} m3/h."
    )
    return figure


@style.house_style
def line_conductances(study: Study) -> style.Picture:
    """Draw the conductance of every part of the line against pressure, and of all together.

    Parameters
    ----------
    study : Study
        With one part of the line at least.

    Returns
    -------
    Picture
        For small pressure differences, from molecular to viscous flow.
    """
    unit = Display.of(study)
    chain = build_chain(study.system)
    names = study.system.line_names
    low, high = _pressure_span(study)
    pressures = np.geomspace(low, high, POINTS)
    parts = [_conductance(chain, element, pressures) for element in range(len(names))]
    whole = len(names) > 1
    figure, (axis,) = style.canvas(6.9, 2.8)
    for index, (name, part) in enumerate(zip(names, parts, strict=True)):
        axis.plot(unit.to_pressure(pressures), _volume_flow(part, "L/s"), label=name,
                  color=style.MUTED if whole else style.INK,
                  linestyle=style.DASHES[(index + whole) % len(style.DASHES)])  # fmt: skip
    together = 1.0 / np.sum([1.0 / part for part in parts], axis=0)
    if whole:
        axis.plot(unit.to_pressure(pressures), _volume_flow(together, "L/s"), label="whole line",
                  color=style.INK, linewidth=2.0)  # fmt: skip
    shown = [_volume_flow(part, "L/s") for part in (*parts, together)]
    style.log_axis(axis, "x", float(unit.to_pressure(low)), float(unit.to_pressure(high)))
    style.log_axis(axis, "y", *_room(shown))
    axis.set_xlabel(f"mean pressure in the part [{unit.pressure}]")
    axis.set_ylabel("conductance [L/s]")
    _legend(axis)
    narrow = min(zip(names, parts, strict=True), key=lambda item: float(item[1][0]))[0]
    figure.alt = (
        f"Conductance of {', '.join(names)} against mean pressure; at low pressure {narrow} is "
        "the narrowest."
    )
    return figure


def _volume_flow(value: Array, unit: str) -> Array:
    """Return volume flows [m3/s] in another unit."""
    return quantities.convert(value, "m3/s", unit, "volume_flow")


def _legend(axis: Any) -> None:
    """Write the legend beside the picture, each name once."""
    handles, labels = axis.get_legend_handles_labels()
    unique = dict(zip(labels, handles, strict=True))
    axis.legend(unique.values(), unique.keys(), frameon=False, loc="center left",
                bbox_to_anchor=(1.01, 0.5), fontsize=7)  # fmt: skip


def _conductance(chain: Any, element: int, pressures: Array) -> Array:
    """Return the conductance of an element for small pressure differences [m3/s]."""
    upper = pressures * (1.0 + 0.5 * SMALL_DIFFERENCE)
    lower = pressures * (1.0 - 0.5 * SMALL_DIFFERENCE)
    flows = [float(chain.throughput(element, a, b, 1.0)) for a, b in zip(upper, lower, strict=True)]
    return np.array(flows) / (upper - lower)


def _pressure_span(study: Study) -> tuple[float, float]:
    """Return the pressures worth drawing: a decade around the duty's setpoints [Pa]."""
    setpoints = [hold.setpoint_pa for hold in study.duty.holds]
    return min(setpoints) / 10.0, max(setpoints) * 10.0


def _typed_points(study: Study) -> list[tuple[float, float, str]]:
    """Return the points of the pump's curves as typed: pressure [Pa], speed [m3/s], words."""
    pump = study.system.backing
    gas = f"for {pump.stated_gas or study.system.gas.name}"
    found = [(p, s, f"as typed,\nat rated, {gas}") for p, s in pump.curve or ()]
    for curve in pump.curves:
        words = f"as typed,\nat {number(100 * curve.speed)} %, {gas}"
        found += [(p, s, words) for p, s in curve.points]
    return found


def _room(values: Sequence[Array]) -> tuple[float, float]:
    """Return limits with a little room around all values."""
    joined = np.concatenate(values)
    return float(np.min(joined)) / 1.5, float(np.max(joined)) * 1.5
