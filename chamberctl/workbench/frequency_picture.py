"""The live picture of the loop in frequency: Bode and Nyquist diagram, and Ms over the duty."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from chamberctl.control.frequency import stack
from chamberctl.display import number
from chamberctl.figures import style
from chamberctl.figures.live import Note, Stroke, picture
from chamberctl.figures.panels import Level, Panel
from chamberctl.figures.scales import Scale, held_scale
from chamberctl.report.margins_text import labels, limits
from chamberctl.workbench.answers import chosen
from chamberctl.workbench.looks import (
    HIGH,
    LEFT,
    LOWER,
    RIGHT,
    SIZE_IN,
    UPPER,
    WIDE,
    Live,
    drawn,
    faint,
    look_of,
)

if TYPE_CHECKING:
    from chamberctl.control.tuned import TunedPoint, Tuning
    from chamberctl.study import Study
    from chamberctl.workbench.candidates import Shown

Array = NDArray[np.float64]

BODE_LOW, BODE_HIGH = 1e-2, 1e2
FREQUENCIES = 180


def frequency_picture(study: Study, shown: Sequence[Shown], where: str) -> Live:
    """Draw Bode and Nyquist diagram of the loops, and Ms at every duty point.

    Parameters
    ----------
    study : Study
    shown : sequence of Shown
        The settings in use first, then those beside them.
    where : str
        Label of the duty point at which they are compared.

    Returns
    -------
    Live
    """
    own = shown[0].tuning
    omega = _frequencies(own)
    here = [(one.tuning, chosen(one, where)) for one in shown]
    beside = [(own, point) for point in own.points if point.where != where]
    curves = _responses([*here, *beside], omega)
    ms_limit = limits(study)["ms"]
    low, high = float(omega[0]), float(omega[-1])
    gain, phase, nyquist = _frequency_panels(low, high, 1.0 / ms_limit)
    layers: dict[str, list[Stroke]] = {"gain": [], "phase": [], "nyquist": []}
    order = [*range(len(here), len(curves)), *reversed(range(len(here)))]
    for index in order:
        value = curves[index]
        for name, x, y in (
            ("gain", omega, np.abs(value)),
            ("phase", omega, _phase_deg(value)),
            ("nyquist", value.real, value.imag),
        ):
            stroke = faint(x, y) if index >= len(here) else drawn(x, y, index)
            layers[name].append(stroke)
    names = labels(own)
    label = names[_place(own, where)]
    notes = {"gain": [], "phase": [], "nyquist": [Note(-1.12, 0.16, "\u22121", anchor="end")]}
    margins = here[0][1].margins
    if margins.stable and math.isfinite(margins.crossover_rad_s):
        notes["gain"].append(Note(margins.crossover_rad_s, 1.0, label, badge=True))
    filled = [
        (gain, layers["gain"], notes["gain"]),
        (phase, layers["phase"], notes["phase"]),
        (nyquist, layers["nyquist"], notes["nyquist"]),
        _ms_panel(shown, names, ms_limit),
    ]
    alt = _frequency_words(shown, here, label, ms_limit)
    legend = [(one.name, look_of(place)) for place, one in enumerate(shown)]
    if beside:
        legend.append(("other duty points", faint(np.zeros(0), np.zeros(0))))
    return Live(picture(SIZE_IN, filled, alt, legend), alt)


def _frequencies(tuning: Tuning) -> Array:
    """Return angular frequencies up to half the scan rate; their lower end does not move."""
    top = math.pi / (tuning.settings.scan_time_s or 1.0)
    slowest = max(point.point.time_constant_s for point in tuning.points)
    low = 10.0 ** math.floor(math.log10(0.2 / max(slowest, 10.0 / top)))
    return np.geomspace(low, top, FREQUENCIES)


def _responses(wanted: Sequence[tuple[Tuning, TunedPoint]], omega: Array) -> list[Array]:
    loops = stack([point.model for _, point in wanted], [tuning.settings for tuning, _ in wanted])
    found = loops.response(np.tile(omega, (len(wanted), 1)))
    return list(found)


def _phase_deg(value: Array) -> Array:
    """Return the continuous phase [deg], started on the branch between -360 and 0."""
    phase = np.degrees(np.unwrap(np.angle(value)))
    return np.asarray(phase - 360.0 * np.ceil(phase[0] / 360.0))


def _frequency_panels(low: float, high: float, keep_out: float) -> tuple[Panel, Panel, Panel]:
    decades = tuple(
        10.0**k for k in range(math.ceil(math.log10(low) - 1e-9), math.floor(math.log10(high)) + 1)
    )
    scan = Level(high, "mark", upright=True)
    edge = high * 1.15
    gain = Panel(
        SIZE_IN, (LEFT, UPPER, WIDE, HIGH), Scale("", low, edge, True, decades, named=False),
        Scale("gain of the loop [ratio]", BODE_LOW, BODE_HIGH, True, (0.01, 0.1, 1.0, 10.0, 100.0)),
        "gain and phase", (Level(1.0, "aim"), scan),
    )  # fmt: skip
    phase = Panel(
        SIZE_IN, (LEFT, LOWER, WIDE, HIGH), Scale("frequency [rad/s]", low, edge, True, decades),
        Scale("phase [deg]", -360.0, 0.0, ticks=(-360.0, -270.0, -180.0, -90.0, 0.0)),
        "", (Level(-180.0, "aim"), scan),
    )  # fmt: skip
    # the same length for one unit upright and across
    across = 2.6
    upright = across * (HIGH * SIZE_IN[1]) / (WIDE * SIZE_IN[0])
    nyquist = Panel(
        SIZE_IN, (RIGHT, UPPER, WIDE, HIGH), Scale("real", -1.9, 0.7, ticks=(-1.0, 0.0)),
        Scale("imaginary", -upright + 0.75, 0.75, ticks=(-1.0, 0.0)),
        "distance from \u22121", (Level(0.0, "zero"), Level(0.0, "zero", upright=True)),
        keep_out,
    )  # fmt: skip
    return gain, phase, nyquist


MARKERS = ("dot", "ring", "cross")


def _ms_panel(
    shown: Sequence[Shown], names: Sequence[str], limit: float
) -> tuple[Panel, list[Stroke], list[Note]]:
    """Ms at every duty point against the duty's limit; loops without margins say so."""
    own = shown[0].tuning
    places = tuple(float(k) for k in range(1, len(names) + 1))
    values = [np.array([p.margins.ms for p in one.tuning.points]) for one in shown]
    near = [np.clip(one, 1.0, 2.0 * limit) for one in values]
    top = held_scale("Ms [ratio]", [*near, np.array([1.1 * limit])], low=1.0)
    panel = Panel(
        SIZE_IN, (RIGHT, LOWER, WIDE, HIGH * 0.86),
        Scale("duty point", 0.4, len(names) + 0.6, ticks=places, tick_texts=tuple(names)),
        top, "peak of the sensitivity", (Level(limit, "edge"),),
    )  # fmt: skip
    strokes = []
    x = np.array(places)
    for place in reversed(range(len(shown))):
        look = look_of(place)
        marker = MARKERS[min(place, len(MARKERS) - 1)]
        strokes.append(Stroke(x, np.minimum(values[place], top.high), look.color, marker=marker))
    under = top.high - 0.06 * (top.high - top.low)
    notes = [
        Note(at, under, number(value), anchor="middle")
        for at, value in zip(places, values[0], strict=True)
        if value > top.high
    ]
    lost = np.array([not point.margins.stable for point in own.points])
    if lost.any():
        strokes.append(Stroke(x[lost], np.full(lost.sum(), under), style.ALARM, marker="cross"))
        notes.append(Note(0.6, under - 0.12 * (top.high - top.low), "crosses: unstable"))
    return panel, strokes, notes


def _frequency_words(
    shown: Sequence[Shown], here: Sequence[tuple[Tuning, TunedPoint]], label: str, limit: float
) -> str:
    parts = []
    for one, (_, point) in zip(shown, here, strict=True):
        margins = point.margins
        if not margins.stable:
            parts.append(f"{one.name}: {margins.reason or 'unstable'}")
        else:
            parts.append(
                f"{one.name}: Ms {number(margins.ms)}, gain 1 at "
                f"{number(margins.crossover_rad_s)} rad/s, "
                f"{number(margins.phase_margin_deg)} deg above \u2212180"
            )
    return (
        f"Bode and Nyquist diagram at duty point {label}, and Ms at every duty point against the "
        f"limit {number(limit)}. {'; '.join(parts)}."
    )


def _place(tuning: Tuning, where: str) -> int:
    return next(k for k, point in enumerate(tuning.points) if point.where == where)
