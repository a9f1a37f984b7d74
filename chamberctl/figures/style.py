"""One look for every picture: ink on paper, told apart by stroke and label, not by color."""

from __future__ import annotations

import functools
import re
import threading
from collections.abc import Callable, Sequence
from html import escape
from io import BytesIO, StringIO
from typing import Any, ParamSpec, TypeVar

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter, NullFormatter

from chamberctl.figures.picture import Picture as Picture

INK = "#1d2529"
MUTED = "#5a666d"
FAINT = "#a9b3b8"
RULE = "#dde3e6"
ACCENT = "#1f5d78"
ALARM = "#96351f"

DASHES: tuple[Any, ...] = (
    "-", (0, (6, 2)), (0, (2, 1.6)), (0, (8, 2, 1.5, 2)), (0, (1, 1)), (0, (12, 3)),
    (0, (4, 1.5, 1, 1.5, 1, 1.5)), (0, (4, 4)),
)  # fmt: skip

_RC: Any = {
    "font.family": "DejaVu Sans",
    "font.size": 8.0,
    "figure.facecolor": "none",
    "axes.facecolor": "none",
    "axes.edgecolor": MUTED,
    "axes.labelcolor": INK,
    "axes.linewidth": 0.7,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.titlesize": 8.5,
    "axes.titleweight": "bold",
    "axes.titlelocation": "left",
    "axes.unicode_minus": True,
    "axes.grid": True,
    "grid.color": RULE,
    "grid.linewidth": 0.6,
    "xtick.color": MUTED,
    "ytick.color": MUTED,
    "xtick.labelcolor": INK,
    "ytick.labelcolor": INK,
    "text.color": INK,
    "lines.linewidth": 1.3,
    "lines.solid_capstyle": "round",
    "svg.fonttype": "path",
    "svg.hashsalt": "chamberctl",
}


LOG_FROM = 4.0
"""Ratio of the highest to the lowest reading shown from which its axis is logarithmic."""

_P = ParamSpec("_P")
_T = TypeVar("_T")
_LOCK = threading.RLock()


def house_style(draw: Callable[_P, _T]) -> Callable[_P, _T]:
    """Run a drawing function under the house style, one at a time (the settings are global)."""

    @functools.wraps(draw)
    def styled(*args: _P.args, **kwargs: _P.kwargs) -> _T:
        with _LOCK, mpl.rc_context(_RC):
            return draw(*args, **kwargs)

    return styled


def canvas(
    width_in: float = 6.9, height_in: float = 3.2, rows: int = 1, columns: int = 1, **grid: Any
) -> tuple[Picture, list[Axes]]:
    """Return an empty picture in the house style and its axes, row by row."""
    figure = Picture(figsize=(width_in, height_in), dpi=72, layout="constrained")
    FigureCanvasSVG(figure)  # words are measured as they will be drawn
    axes = figure.subplots(rows, columns, squeeze=False, **grid)
    found = [axis for row in axes for axis in row]
    for axis in found:
        axis.minorticks_off()
        axis.set_axisbelow(True)
    return figure, found


def plain(value: float, _position: object = None) -> str:
    """Return a tick label without offset or long zeros: 0.005 stays 0.005, 2e-6 stays 2e-6."""
    text = f"{value:.6g}" if value == 0 or 1e-3 <= abs(value) < 1e5 else f"{value:.3e}"
    if "e" in text:
        mantissa, power = text.split("e")
        text = f"{float(mantissa):g}e{int(power)}"
    return text.replace("-", "\N{MINUS SIGN}")


def log_axis(axis: Axes, which: str, low: float, high: float) -> None:
    """Make one axis logarithmic with readable labels even when it spans less than a decade."""
    span = np.log10(high / low)
    steps = (1.0,) if span > 3 else (1.0, 2.0, 5.0) if span > 0.9 else (1, 1.5, 2, 3, 4, 5, 6, 8)
    powers = range(int(np.floor(np.log10(low))) - 1, int(np.ceil(np.log10(high))) + 1)
    ticks = [
        s * 10.0**p for p in powers for s in steps if low * 0.999 <= s * 10.0**p <= high * 1.001
    ]
    (axis.set_xscale if which == "x" else axis.set_yscale)("log")
    (axis.set_xlim if which == "x" else axis.set_ylim)(low, high)
    side = axis.xaxis if which == "x" else axis.yaxis
    side.set_ticks(ticks)
    side.set_ticks([], minor=True)
    side.set_major_formatter(FuncFormatter(plain))
    side.set_minor_formatter(NullFormatter())


def setpoint_and_band(axis: Axes, time_s: Any, setpoint: Any, band: float) -> None:
    """Draw the setpoint dashed and the edges of the hold band dotted."""
    for edge in (1.0 - band, 1.0 + band):
        axis.plot(time_s, setpoint * edge, color=ALARM, linewidth=0.8, linestyle=(0, (1, 2)))
    axis.plot(time_s, setpoint, color=ACCENT, linewidth=0.9, linestyle=(0, (4, 2)), zorder=3)


def pressure_axis(axis: Axes, shown: Any) -> None:
    """Make the upright axis logarithmic where what is shown spans much."""
    known = shown[np.isfinite(shown) & (shown > 0.0)]
    if known.size and known.max() > LOG_FROM * known.min():
        log_axis(axis, "y", 0.85 * float(known.min()), 1.2 * float(known.max()))


def spread_apart(wanted: Sequence[float], gap: float, low: float, high: float) -> list[float]:
    """Return label positions near the wanted ones, at least a gap apart where there is room."""
    order = sorted(range(len(wanted)), key=lambda i: wanted[i])
    gap = min(gap, (high - low) / max(len(order) - 1, 1))
    placed = [min(max(wanted[i], low), high) for i in order]
    for i in range(1, len(placed)):
        placed[i] = max(placed[i], placed[i - 1] + gap)
    if placed and placed[-1] > high:
        placed[-1] = high
        for i in range(len(placed) - 2, -1, -1):
            placed[i] = min(placed[i], placed[i + 1] - gap)
    result = [0.0] * len(order)
    for position, index in zip(placed, order, strict=True):
        result[index] = position
    return result


def badge(axis: Axes, x: float, y: float, label: str, *, strong: bool = False, **more: Any) -> None:
    """Write a point's number in a small circle: the label that ties figures to tables."""
    axis.annotate(
        label,
        (x, y),
        ha="center",
        va="center",
        fontsize=6.5,
        fontweight="bold" if strong else "normal",
        color="white" if strong else INK,
        zorder=6,
        bbox={
            "boxstyle": "circle,pad=0.22",
            "facecolor": INK if strong else "white",
            "edgecolor": INK,
            "linewidth": 0.7,
        },
        **more,
    )


PIXELS_PER_INCH = 200


@house_style
def to_file(figure: Picture, words: str, kind: str) -> bytes:
    """Return a figure as a file of its own, on white, with a line of small print.

    Parameters
    ----------
    figure : Picture
    words : str
        The small print; an SVG holds it as text as well, with the text alternative.
    kind : {"svg", "png"}
        What file.

    Returns
    -------
    bytes
        The file.
    """
    figure.set_facecolor("white")
    if figure.get_layout_engine() is not None:
        figure.set_layout_engine("constrained")  # the small print needs room
    figure.supxlabel(words, fontsize=5.5, color=MUTED, ha="left", x=0.01)
    if kind == "svg":
        text = to_svg(figure, "picture")
        said = f"<title>{escape(figure.alt)}</title>\n<desc>{escape(words)}</desc>\n"
        head = text.index(">") + 1
        return f'<?xml version="1.0"?>\n{text[:head]}\n{said}{text[head:]}\n'.encode()
    figure.set_dpi(PIXELS_PER_INCH)
    stream = BytesIO()
    drawn_on: Any = FigureCanvasAgg(figure)
    drawn_on.print_png(stream, metadata={"Software": None, "Description": words})
    return stream.getvalue()


@house_style
def to_svg(figure: Figure, name: str) -> str:
    """Return a figure as SVG text to stand inside a page; its ids begin with the given name."""
    stream = StringIO()
    drawn_on: Any = FigureCanvasSVG(figure)
    drawn_on.print_svg(stream, metadata={"Date": None, "Creator": None})
    text = stream.getvalue()
    text = text[text.index("<svg") :]
    text = re.sub(r"<metadata>.*?</metadata>\s*", "", text, flags=re.DOTALL)
    text = re.sub(r'(\sid=")', rf"\g<1>{name}-", text)
    text = re.sub(r'(xlink:href="#|url\(#)', rf"\g<1>{name}-", text)
    return text.strip()
