"""How candidates look in the live pictures, and where the panels of these lie."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from chamberctl.figures import style
from chamberctl.figures.live import Stroke

Array = NDArray[np.float64]

SIZE_IN = (4.9, 4.4)
LEFT, RIGHT, UPPER, LOWER = 0.125, 0.63, 0.58, 0.17
WIDE, HIGH = 0.34, 0.345

DASHES = ("", "7 2.5", "2 1.8", "9 2.5 1.5 2.5", "5 1.5", "1 1.2", "12 3", "4 4")
"""Strokes of the candidates, the one in use first; more than these are told apart by their label
alone."""


@dataclass(frozen=True)
class Live:
    """A picture, and what it shows in words."""

    svg: str
    alt: str


def look_of(place: int) -> Stroke:
    """Return how the curves of a candidate look, the one in use at place 0."""
    none = np.zeros(0)
    width = 1.9 if place == 0 else 1.3
    return Stroke(none, none, style.INK if place == 0 else style.MUTED, width,
                  DASHES[place % len(DASHES)])  # fmt: skip


def drawn(x: Array, y: Array, place: int) -> Stroke:
    """Return a curve of a candidate."""
    look = look_of(place)
    return Stroke(x, y, look.color, look.width, look.dash)


def faint(x: Array, y: Array) -> Stroke:
    """Return a curve that only stands in the background."""
    return Stroke(x, y, style.FAINT, 0.9)
