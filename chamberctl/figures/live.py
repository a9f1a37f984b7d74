"""Pictures that move with a slider, written as SVG: panels, curves in them, and a legend."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from html import escape

import numpy as np
from numpy.typing import NDArray

from chamberctl.figures import style
from chamberctl.figures.panels import FACE, POINTS_PER_INCH, SMALL, Panel, frame, words

Array = NDArray[np.float64]

MOST_POINTS = 180

_FAR = 1e5
"""Curves are cut off so far outside the picture, in tenths: longer numbers only cost time."""

TENTHS = 10.0

MARGIN, SAMPLE, LETTER = 6.0, 24.0, 4.3
"""Of the line at the bottom: its margin, the length of a sample and the width of a letter, in
points."""


@dataclass(frozen=True)
class Stroke:
    """A curve in a panel.

    Parameters
    ----------
    x, y : array, shape (N,)
        In the units of the panel's axes; what is not finite is left out.
    color, width, dash : str, float, str
        As SVG has them.
    marker : {"", "dot", "ring", "cross"}
        Draws each point by itself in place of the line.
    """

    x: Array
    y: Array
    color: str = style.INK
    width: float = 1.8
    dash: str = ""
    marker: str = ""


@dataclass(frozen=True)
class Note:
    """Words in a panel, at a point; ``badge`` puts them on a dark disk."""

    x: float
    y: float
    text: str
    badge: bool = False
    anchor: str = "start"


def picture(
    size_in: tuple[float, float],
    filled: Sequence[tuple[Panel, Sequence[Stroke], Sequence[Note]]],
    alt: str,
    legend: Sequence[tuple[str, Stroke]] = (),
) -> str:
    """Return a picture of panels with their curves as SVG.

    Parameters
    ----------
    size_in : tuple of float
        Width and height [inch].
    filled : sequence of (Panel, strokes, notes)
        What stands in each panel, from back to front.
    alt : str
        What it shows in words.
    legend : sequence of (str, Stroke)
        What each look means, for the line at the bottom; the strokes' points are not used.

    Returns
    -------
    str
        One ``svg`` element.
    """
    width, height = (POINTS_PER_INCH * size for size in size_in)
    parts = [
        '<svg xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink" '
        f'width="{width:g}pt" height="{height:g}pt" viewBox="0 0 {width:g} {height:g}" '
        f'role="img"><title>{escape(alt)}</title>'
    ]
    for number, (panel, strokes, notes) in enumerate(filled):
        parts.append(frame(panel, number))
        parts.append(f'<g clip-path="url(#inside-{number})" fill="none">')
        parts += [_path(panel, stroke) for stroke in strokes]
        parts.append("</g>")
        parts += [_note(panel, note) for note in notes]
    parts += _legend(legend, width, height)
    parts.append("</svg>")
    return "".join(parts)


def _legend(entries: Sequence[tuple[str, Stroke]], width: float, height: float) -> list[str]:
    """Draw the line at the bottom, in as many rows as it takes."""
    rows: list[list[tuple[str, Stroke, float]]] = [[]]
    x = MARGIN
    for name, look in entries:
        wide = SAMPLE + 6.0 + LETTER * len(name)
        if x > MARGIN and x + wide > width:
            rows.append([])
            x = MARGIN
        rows[-1].append((name, look, x))
        x += wide + 10.0
    parts = []
    for place, row in enumerate(reversed(rows)):
        y = height - 5.0 - 10.0 * place
        for name, look, left in row:
            parts.append(_line(f"M{left:.1f} {y - 2.5:.1f}h{SAMPLE:g}", look))
            parts.append(words(name, left + SAMPLE + 4.0, y, SMALL, "start"))
    return parts


def _line(path: str, look: Stroke, unit: float = 1.0) -> str:
    """Return a line as SVG; its path counts in parts of a point, of which there are so many."""
    numbers = [f"{unit * float(part):g}" for part in look.dash.split()]
    dash = f' stroke-dasharray="{" ".join(numbers)}"' if numbers else ""
    scale = f' transform="scale({1.0 / unit:g})"' if unit != 1.0 else ""
    return (
        f'<path d="{path}" fill="none" stroke="{look.color}" '
        f'stroke-width="{unit * look.width:g}"{dash}{scale} stroke-linejoin="round"/>'
    )


def _path(panel: Panel, stroke: Stroke) -> str:
    x, y = thinned(np.asarray(stroke.x, dtype=float), np.asarray(stroke.y, dtype=float))
    across, down = panel.at(x, y)
    known = np.isfinite(across) & np.isfinite(down)
    # whole tenths of a point, each from the one before: a third of the length
    tenths = np.clip(TENTHS * np.column_stack([across, down]), -_FAR, _FAR)
    points = np.where(known[:, None], tenths, 0.0).round().astype(int)
    if stroke.marker:
        seen = (points[known] / TENTHS).tolist()
        return "".join(_mark(right, below, stroke) for right, below in seen)
    pieces = []
    for begin, end in _runs(known):
        part = points[begin:end]
        steps = np.diff(part, axis=0)
        moved = steps[np.any(steps != 0, axis=1)].ravel().tolist() or [0, 0]
        pieces.append(f"M{part[0, 0]} {part[0, 1]}l{' '.join(map(str, moved))}")
    return _line("".join(pieces), stroke, TENTHS)


def _runs(known: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Return where stretches of at least two known points begin and end."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], known.astype(int), [0]]))).tolist()
    pairs = zip(edges[::2], edges[1::2], strict=True)
    return [(begin, end) for begin, end in pairs if end - begin > 1]


def _mark(x: float, y: float, stroke: Stroke) -> str:
    look = f'stroke="{stroke.color}" stroke-width="1.1"'
    if stroke.marker == "cross":
        return f'<path d="M{x - 3} {y - 3}l6 6m0 -6l-6 6" {look}/>'
    inside = stroke.color if stroke.marker == "dot" else "white"
    return f'<circle cx="{x}" cy="{y}" r="2.8" fill="{inside}" {look}/>'


def thinned(x: Array, y: Array) -> tuple[Array, Array]:
    """Return fewer points that look the same: the lowest and the highest of each small piece."""
    if x.size <= MOST_POINTS:
        return x, y
    length = math.ceil(x.size / (MOST_POINTS // 2))
    blocks = np.pad(y, (0, -x.size % length), mode="edge").reshape(-1, length)
    begin = np.arange(len(blocks)) * length
    lowest, highest = begin + blocks.argmin(axis=1), begin + blocks.argmax(axis=1)
    pairs = np.column_stack([np.minimum(lowest, highest), np.maximum(lowest, highest)])
    last = x.size - 1
    kept = np.concatenate([[0], np.minimum(pairs.ravel(), last), [last]])
    return x[kept], y[kept]


def _note(panel: Panel, note: Note) -> str:
    across, down = panel.at(np.array([note.x]), np.array([note.y]))
    x, y = float(across[0]), float(down[0])
    if not (math.isfinite(x) and math.isfinite(y)):
        return ""
    if note.badge:
        return (
            f'<circle cx="{x:.1f}" cy="{y:.1f}" r="6" fill="{style.INK}"/>'
            f'<text x="{x:.1f}" y="{y + 2.4:.1f}" font-size="7" font-weight="bold" fill="white" '
            f'text-anchor="middle" font-family="{FACE}">{escape(note.text)}</text>'
        )
    return words(note.text, x, y, 7.0, note.anchor, halo=True)
