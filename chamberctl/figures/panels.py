"""Frames of the panels of live pictures: axes, grid, words and lines that do not move.

They look as the other pictures do, and are written as SVG directly: matplotlib takes a hundred
times as long for a frame as for the curves in it, too long for a picture that moves with a slider.
"""

from __future__ import annotations

from dataclasses import dataclass
from html import escape

import numpy as np
from numpy.typing import NDArray

from chamberctl.figures import style
from chamberctl.figures.scales import Scale

Array = NDArray[np.float64]

POINTS_PER_INCH = 72.0
FACE = "DejaVu Sans, Verdana, sans-serif"
"""The pictures' own face, and one of the same widths where it is not installed."""

TICK, DIGIT = 3.0, 4.8
SMALL, PLAIN, TITLE = 7.5, 8.0, 8.5
"""Length of a tick, width of a digit and sizes of letters, in points."""


@dataclass(frozen=True)
class Level:
    """A straight line across a panel: "aim", "edge", "zero" or "mark"."""

    value: float
    look: str
    upright: bool = False


LOOKS = {
    "aim": (style.ACCENT, 0.9, "4 2"),
    "edge": (style.ALARM, 0.9, "1 2"),
    "zero": (style.MUTED, 0.6, ""),
    "mark": (style.MUTED, 0.8, "1 2"),
}
"""Color, width and dash of each look."""


@dataclass(frozen=True)
class Panel:
    """One panel of a picture, without its curves.

    Parameters
    ----------
    size_in : tuple of float
        Width and height of the whole picture [inch].
    place : tuple of float
        Left, bottom, width and height of the axes [share of the picture].
    x, y : Scale
    title : str
    levels : tuple of Level
    keep_out : float
        Radius of the hatched circle around -1 of a Nyquist diagram, which also gets the circle of
        gain 1; 0 for none.
    shaded : tuple of (float, float)
        Where the panel is gray, from and to across.
    """

    size_in: tuple[float, float]
    place: tuple[float, float, float, float]
    x: Scale
    y: Scale
    title: str = ""
    levels: tuple[Level, ...] = ()
    keep_out: float = 0.0
    shaded: tuple[tuple[float, float], ...] = ()

    def at(self, x: Array, y: Array) -> tuple[Array, Array]:
        """Return where points lie in the picture [points from its upper left corner]."""
        left, top, wide, high = self.box
        return left + wide * self.x.share(x), top + high * (1.0 - self.y.share(y))

    @property
    def box(self) -> tuple[float, float, float, float]:
        """Left, top, width and height of the axes [points from the picture's upper left corner]."""
        width, height = (POINTS_PER_INCH * size for size in self.size_in)
        left, bottom, wide, high = self.place
        return width * left, height * (1.0 - bottom - high), width * wide, height * high


def frame(panel: Panel, number: int) -> str:
    """Return a panel's frame as SVG.

    Parameters
    ----------
    panel : Panel
    number : int
        Which panel of the picture it is; its ids end in it.
    """
    left, top, wide, high = panel.box
    bottom, right = top + high, left + wide
    parts = [
        f'<defs><clipPath id="inside-{number}"><rect x="{left:.1f}" y="{top:.1f}" '
        f'width="{wide:.1f}" height="{high:.1f}"/></clipPath></defs>'
    ]
    parts += [_shade(panel, *span) for span in panel.shaded]
    upright_texts = _texts(panel.y)
    for upright, scale in ((True, panel.x), (False, panel.y)):
        shares = scale.share(np.array(scale.ticks))
        texts = _texts(scale)
        for share, text in zip(shares.tolist(), texts, strict=True):
            if upright:
                at = left + wide * share
                parts.append(_line(at, top, at, bottom, style.RULE, 0.6))
                parts.append(_line(at, bottom, at, bottom + TICK, style.MUTED, 0.7))
                if scale.named:
                    parts.append(words(text, at, bottom + TICK + 8.0, SMALL, "middle"))
            else:
                at = top + high * (1.0 - share)
                parts.append(_line(left, at, right, at, style.RULE, 0.6))
                parts.append(_line(left - TICK, at, left, at, style.MUTED, 0.7))
                if scale.named:
                    parts.append(words(text, left - TICK - 2.0, at + 2.7, SMALL, "end"))
    parts.append(f'<g clip-path="url(#inside-{number})" fill="none">')
    parts += [_level(panel, level) for level in panel.levels]
    if panel.keep_out:
        parts.append(_circles(panel, number))
    parts.append("</g>")
    parts.append(_line(left, top, left, bottom, style.MUTED, 0.7))
    parts.append(_line(left, bottom, right, bottom, style.MUTED, 0.7))
    if panel.x.named:
        parts.append(words(panel.x.label, left + wide / 2, bottom + 22.0, PLAIN, "middle"))
    if panel.y.named and panel.y.label:
        away = max(30.0, 13.0 + DIGIT * max(map(len, upright_texts), default=0))
        parts.append(
            words(panel.y.label, left - away, top + high / 2, PLAIN, "middle", turned=True)
        )
    if panel.title:
        parts.append(words(panel.title, left, top - 5.0, TITLE, "start", bold=True))
    return "".join(parts)


def _texts(scale: Scale) -> tuple[str, ...]:
    return scale.tick_texts or tuple(style.plain(tick) for tick in scale.ticks)


def words(
    text: str, x: float, y: float, size: float, anchor: str, *, bold: bool = False,
    turned: bool = False, halo: bool = False,
) -> str:  # fmt: skip
    """Return words as SVG.

    Parameters
    ----------
    text : str
    x, y : float
        Where they stand [points].
    size : float
        Of the letters [points].
    anchor : {"start", "middle", "end"}
    bold, turned, halo : bool
        Bold, from bottom to top, and with a white rim that sets them off from curves.
    """
    weight = ' font-weight="bold"' if bold else ""
    turn = f' transform="rotate(-90 {x:.1f} {y:.1f})"' if turned else ""
    rim = ' stroke="white" stroke-width="2.5" paint-order="stroke"' if halo else ""
    return (
        f'<text x="{x:.1f}" y="{y:.1f}" font-size="{size:g}" font-family="{FACE}" '
        f'fill="{style.INK}" text-anchor="{anchor}"{weight}{turn}{rim}>{escape(text)}</text>'
    )


def _line(
    x1: float, y1: float, x2: float, y2: float, color: str, width: float, dash: str = ""
) -> str:
    dashed = f' stroke-dasharray="{dash}"' if dash else ""
    return (
        f'<line x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" y2="{y2:.1f}" stroke="{color}" '
        f'stroke-width="{width:g}"{dashed}/>'
    )


def _shade(panel: Panel, begin: float, end: float) -> str:
    left, top, wide, high = panel.box
    low, far = np.clip(panel.x.share(np.array([begin, end])), 0.0, 1.0).tolist()
    return (
        f'<rect x="{left + wide * low:.1f}" y="{top:.1f}" width="{wide * (far - low):.1f}" '
        f'height="{high:.1f}" fill="{style.RULE}"/>'
    )


def _level(panel: Panel, level: Level) -> str:
    left, top, wide, high = panel.box
    scale = panel.x if level.upright else panel.y
    share = float(scale.share(np.array([level.value]))[0])
    color, width, dash = LOOKS[level.look]
    if level.upright:
        at = left + wide * share
        return _line(at, top, at, top + high, color, width, dash)
    at = top + high * (1.0 - share)
    return _line(left, at, left + wide, at, color, width, dash)


def _circles(panel: Panel, number: int) -> str:
    """The circle of gain 1, and the hatched one around -1 that no curve may enter."""
    across, down = panel.at(np.array([0.0, -1.0, 1.0]), np.array([0.0, 0.0, 0.0]))
    middle, point, unit = across.tolist()
    radius, y = unit - middle, float(down[0])
    color, width, dash = LOOKS["aim"]
    return (
        f'<pattern id="hatch-{number}" width="4" height="4" patternUnits="userSpaceOnUse" '
        f'patternTransform="rotate(45)"><path d="M0 0V4" stroke="{style.FAINT}"/></pattern>'
        f'<circle cx="{middle:.1f}" cy="{y:.1f}" r="{radius:.1f}" stroke="{color}" '
        f'stroke-width="{width}" stroke-dasharray="{dash}"/>'
        f'<circle cx="{point:.1f}" cy="{y:.1f}" r="{radius * panel.keep_out:.1f}" '
        f'fill="url(#hatch-{number})" stroke="{style.MUTED}" stroke-width="0.9"/>'
        f'<path d="M{point - 4:.1f} {y:.1f}h8m-4 -4v8" stroke="{style.INK}" stroke-width="1.5"/>'
    )
