"""Where words and numbers go on axes that are laid out: off the curves and off each other."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.patheffects import withStroke
from matplotlib.text import Text

from chamberctl.figures import style

POINTS_PER_INCH = 72.0
STEP = 3.0
"""Curves are looked at every so many points."""

ROOM = 2.0
"""Words keep so far from what stands beside them, in points."""

BADGE = 6.5
"""Radius of a numbered circle, in points."""

RINGS = (14.0, 21.0, 28.0)
ANGLES = (90, 45, 135, 0, 180, -45, -135, -90)
"""How far a number may stand from its place [points], and in which directions [degrees]."""

ON_WORDS, OUTSIDE = 40.0, 1000.0
"""What it costs to stand on words, and outside the axes; standing on a curve costs 1 per `STEP`."""


@dataclass(frozen=True)
class Place:
    """A place for words: a point in the axes' units, the way from it in points, and the sides."""

    x: float
    y: float
    right: float
    up: float
    ha: str
    va: str


Box = tuple[float, float, float, float]
"""Left, bottom, right and top [points]."""


@dataclass
class Paper:
    """Axes that are laid out, and what stands on them."""

    axis: Axes
    curves: np.ndarray = field(init=False)
    boxes: list[Box] = field(init=False)

    def __post_init__(self) -> None:
        self.curves = np.vstack([np.zeros((0, 2)), *map(self._along, self.axis.lines)])
        self.boxes = [self._extent(text) for text in self.axis.texts]

    def write(self, texts: Sequence[str], places: Sequence[Place], **look: Any) -> None:
        """Write the first of the texts that finds room, at the freest of the places."""
        first = places[0]
        written = self.axis.annotate(
            "", (first.x, first.y), xytext=(first.right, first.up), textcoords="offset points",
            path_effects=[withStroke(linewidth=2.2, foreground="white")], **look,
        )  # fmt: skip
        tried: list[tuple[float, int, str, Place, Box]] = []
        for number, text in enumerate(texts):
            written.set_text(text)
            left, bottom, right, top = self._extent(written)
            for place in places:
                box = self._box(place, right - left, top - bottom)
                roomy = box[0] - ROOM, box[1], box[2] + ROOM, box[3]
                tried.append((self._cost(roomy), number, text, place, box))
            if any(cost == 0.0 for cost, *_ in tried):
                break
        _, _, text, best, box = min(tried, key=lambda one: one[:2])
        written.set_text(text)
        written.xy = (best.x, best.y)
        written.set_position((best.right, best.up))
        written.set(ha=best.ha, va=best.va)
        self.boxes.append(box)

    def badges(self, points: Sequence[tuple[float, float, str]]) -> None:
        """Number points; where circles would hide one another they stand aside, with a line."""
        centers = [self.at(x, y) for x, y, _ in points]
        placed: list[tuple[float, float]] = []
        for (x, y, label), center in zip(points, centers, strict=True):
            right, up = min(_around(), key=lambda way: self._crowd(center, way, placed, centers))
            here = center[0] + right, center[1] + up
            placed.append(here)
            self.boxes.append((*(c - BADGE for c in here), *(c + BADGE for c in here)))  # type: ignore[arg-type]
            if not right and not up:
                style.badge(self.axis, x, y, label)
                continue
            self.axis.plot([x], [y], "o", color=style.INK, markersize=2.6, zorder=5)
            style.badge(
                self.axis, x, y, label, xytext=(right, up), textcoords="offset points",
                arrowprops={"arrowstyle": "-", "color": style.INK, "linewidth": 0.7, "shrinkA": 0,
                            "shrinkB": 0},
            )  # fmt: skip

    def at(self, x: float, y: float) -> tuple[float, float]:
        """Return where a point of the axes' units lies [points]."""
        across, up = self._scale * self.axis.transData.transform((x, y))
        return float(across), float(up)

    @property
    def _scale(self) -> float:
        figure = self.axis.get_figure(root=True)
        assert figure is not None
        return POINTS_PER_INCH / figure.dpi

    def _along(self, line: Any) -> np.ndarray:
        """Return points along a curve [points]."""
        path = line.get_path().transformed(line.get_transform()).vertices * self._scale
        pieces = [path[np.isfinite(path).all(axis=1)]]
        for start, end in itertools.pairwise(path):
            far = float(np.hypot(*(end - start)))
            if math.isfinite(far) and far > STEP:
                pieces.append(
                    start + np.linspace(0, 1, int(far / STEP) + 1)[:, None] * (end - start)
                )
        return np.vstack(pieces)

    def _extent(self, text: Text) -> Box:
        box = Text.get_window_extent(text)  # of the words alone, without an arrow
        return tuple(float(edge) * self._scale for edge in box.extents)  # type: ignore[return-value]

    def _box(self, place: Place, wide: float, high: float) -> Box:
        across, up = self.at(place.x, place.y)
        left = across + place.right - {"left": 0.0, "center": 0.5, "right": 1.0}[place.ha] * wide
        bottom = up + place.up - {"bottom": 0.0, "center": 0.5, "top": 1.0}[place.va] * high
        return left, bottom, left + wide, bottom + high

    def _cost(self, box: Box) -> float:
        left, bottom, right, top = box
        x, y = self.curves.T
        cost = float(np.sum((x > left) & (x < right) & (y > bottom) & (y < top)))
        for other in self.boxes:
            if left < other[2] and other[0] < right and bottom < other[3] and other[1] < top:
                cost += ON_WORDS
        return cost + OUTSIDE * self._is_outside(box)

    def _is_outside(self, box: Box) -> bool:
        inside = [float(edge) * self._scale for edge in self.axis.bbox.extents]
        return not (
            inside[0] <= box[0] and inside[1] <= box[1] and box[2] <= inside[2]
            and box[3] <= inside[3]
        )  # fmt: skip

    def _crowd(
        self, center: tuple[float, float], way: tuple[float, float],
        placed: Sequence[tuple[float, float]], every: Sequence[tuple[float, float]],
    ) -> float:  # fmt: skip
        """Return how bad a place for a number is: on another one, on a point, far, on a curve."""
        here = center[0] + way[0], center[1] + way[1]
        cost = 100.0 * sum(math.dist(here, other) < 2.0 * BADGE for other in placed)
        if way == (0.0, 0.0):
            return cost
        near = np.hypot(self.curves[:, 0] - here[0], self.curves[:, 1] - here[1]) < BADGE
        cost += 30.0 * sum(math.dist(here, other) < 1.6 * BADGE for other in every)
        box = (here[0] - BADGE, here[1] - BADGE, here[0] + BADGE, here[1] + BADGE)
        return cost + 0.3 * math.hypot(*way) + float(near.sum()) + OUTSIDE * self._is_outside(box)


def _around() -> list[tuple[float, float]]:
    """Return where a number may stand, its own place first."""
    found = [(0.0, 0.0)]
    for ring in RINGS:
        for angle in ANGLES:
            turn = math.radians(angle)
            found.append((ring * math.cos(turn), ring * math.sin(turn)))
    return found
