"""From the gathered text, tables and pictures to one self-contained page."""

from __future__ import annotations

from functools import cache
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined


@cache
def _environment() -> Environment:
    return Environment(
        loader=PackageLoader("chamberctl.report", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def render(context: dict[str, Any]) -> str:
    """Return the report's page.

    Parameters
    ----------
    context : dict
        From `chamberctl.report.context.build`.

    Returns
    -------
    str
        HTML without scripts and without anything to be fetched.
    """
    return _environment().get_template("report.html.jinja").render(context)
