"""The figure that all pictures are: it carries its words, and measures its axes only once."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

from matplotlib.axes import Axes
from matplotlib.figure import Figure

MEASURED = ("_update_ticks", "_get_ticklabel_bboxes")
"""What an axis is asked for time and again while its picture is laid out and drawn: where its ticks
and their labels lie. These methods are no public ones: a matplotlib without them draws as slowly as
it does by itself."""


class Picture(Figure):
    """A matplotlib Figure that carries its own text alternative in ``alt``.

    It draws to the byte what a Figure draws, a fifth sooner: there the layout, the titles, the
    names of the axes and the spines all have an axis place and measure its ticks anew, a dozen
    times for one picture, though they only move when the axes move.
    """

    alt: str = ""
    _drawn_by: Any = None

    def draw(self, renderer: Any) -> None:
        """Draw the picture; each axis is measured once at each place that the layout gives it."""
        self._drawn_by = renderer
        try:
            with measured_once(self.axes):
                super().draw(renderer)
        finally:
            self._drawn_by = None

    def settle(self) -> None:
        """Lay the axes out for good, so that what is written next finds its place beside them."""
        engine = self.get_layout_engine()
        assert engine is not None
        with measured_once(self.axes):
            engine.execute(self)
        self.set_layout_engine("none")

    def _get_renderer(self) -> Any:
        """Return what measures words: while the picture is drawn that which draws it."""
        found: Any = super()
        return self._drawn_by or found._get_renderer()


@contextmanager
def measured_once(every: list[Axes]) -> Iterator[None]:
    """Let ticks and spines remember where they lie as long as their axes stay where they are."""
    instead: list[tuple[Any, str, Any]] = []
    for axes in every:
        measured: list[tuple[Any, str]] = [
            *((axis, name) for axis in (axes.xaxis, axes.yaxis) for name in MEASURED),
            *((spine, "get_window_extent") for spine in axes.spines.values()),
        ]
        instead += [(one, name, _remembered(getattr(one, name), axes.bbox))
                    for one, name in measured if hasattr(one, name)]  # fmt: skip
        instead += [(axis, "_copy_tick_props", _clipped) for axis in (axes.xaxis, axes.yaxis)]
    for one, name, does in instead:
        setattr(one, name, does)
    try:
        yield
    finally:
        for one, name, _ in instead:
            delattr(one, name)


def _clipped(first: Any, tick: Any) -> None:
    """Clip a new tick as the first one; all else it has from its axis, without a copy of looks."""
    tick.gridline.set_clip_box(first.gridline.get_clip_box())


def _remembered(ask: Callable[..., Any], place: Any) -> Callable[..., Any]:
    """Return a method that asks again only when its axes have moved."""
    asked_at, answer = None, None

    def remembered(*args: Any, **kwargs: Any) -> Any:
        nonlocal asked_at, answer
        here = place.bounds
        if here != asked_at:
            asked_at, answer = here, ask(*args, **kwargs)
        return answer

    return remembered
