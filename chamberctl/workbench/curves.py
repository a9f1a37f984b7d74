"""A plain live picture of a few curves, as the lessons show them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from chamberctl.figures.live import picture
from chamberctl.figures.panels import Panel
from chamberctl.figures.scales import held_scale, log_scale
from chamberctl.workbench.looks import Live, drawn, look_of

Array = NDArray[np.float64]

SIZE_IN = (4.9, 3.2)
PLACE = (0.14, 0.25, 0.82, 0.64)


@dataclass(frozen=True)
class Line:
    """One curve: its name, and its points."""

    name: str
    x: Array
    y: Array


def curves_picture(
    lines: Sequence[Line], x_label: str, y_label: str, title: str, *, log_y: bool = False
) -> Live:
    """Draw a few curves, told apart by their stroke.

    Parameters
    ----------
    lines : sequence of Line
    x_label, y_label, title : str
        With units.
    log_y : bool
        Whether the upright axis is logarithmic.
    """
    every = [line.y for line in lines]
    y = log_scale(y_label, np.concatenate(every)) if log_y else held_scale(y_label, every)
    x = held_scale(x_label, [line.x for line in lines])
    panel = Panel(SIZE_IN, PLACE, x, y, title)
    strokes = [drawn(line.x, line.y, place) for place, line in enumerate(lines)]
    alt = f"{title}: {', '.join(line.name for line in lines)}; {y_label} against {x_label}."
    legend = [(line.name, look_of(place)) for place, line in enumerate(lines)]
    return Live(picture(SIZE_IN, [(panel, strokes[::-1], [])], alt, legend), alt)
