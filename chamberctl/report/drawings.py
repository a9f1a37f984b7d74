"""The report's pictures as SVG, drawn from the results."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from html import escape
from typing import TYPE_CHECKING

from markupsafe import Markup

if TYPE_CHECKING:
    from matplotlib.figure import Figure


@dataclass(frozen=True)
class Drawing:
    """A picture ready to be set.

    Parameters
    ----------
    svg : Markup
        The picture with its text alternative.
    caption : str
        What to look for.
    small : bool
        Whether it stands narrower than the page.
    """

    svg: Markup
    caption: str
    small: bool = False


def drawing(figure: Figure, name: str, caption: str, *, small: bool = False) -> Drawing:
    """Return a figure as a labeled SVG to stand inside a page.

    Parameters
    ----------
    figure : Figure
        With its text alternative in `alt`.
    name : str
        Begins every id inside the picture, so that pictures do not disturb each other.
    caption : str
    small : bool
    """
    from chamberctl.figures import to_svg

    text = to_svg(figure, name)
    alt = escape(getattr(figure, "alt", ""), quote=True)
    label = f'<svg role="img" aria-label="{alt}"'
    titled = text.replace("<svg", label, 1)
    return Drawing(Markup(titled), caption, small)


def join_words(items: Sequence[str]) -> str:
    """Return "a, b and c"."""
    if len(items) < 2:
        return "".join(items)
    return f"{', '.join(items[:-1])} and {items[-1]}"
