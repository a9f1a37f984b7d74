"""Words shared by the messages about a study."""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterable

_OUTSIDE = re.compile(
    r"turbo|cryo|diffusion|getter|ion[ _-]?pump|molecular[ _-]?drag|sublimation|sorption|condensing"
    r"|ejector",
    re.I,
)
OUTSIDE_REMEDY = (
    "outside the model: only pumps that displace gas are described here (a backing pump and a "
    "booster), at pressures from 1e-3 Pa; describe the set that holds the pressure without it"
)


def outside_the_model(text: str) -> bool:
    """Say whether a word names a pump that is not modeled."""
    return bool(_OUTSIDE.search(text))


def nearest(given: str, known: Iterable[str]) -> str:
    """Return "; did you mean ...?" or the list of what is known."""
    names = list(known)
    spelled = {name.lower(): name for name in names}
    near = difflib.get_close_matches(given.lower(), spelled, n=1, cutoff=0.55)
    if near:
        return f"; did you mean '{spelled[near[0]]}'?"
    return f"; known are: {', '.join(names)}" if names else ""


def shown(value: object) -> str:
    """Return what was given, short enough for a message."""
    if isinstance(value, dict):
        return "a table"
    if isinstance(value, bool):
        return str(value).lower()
    text = repr(value) if isinstance(value, (str, list)) else str(value)
    return text if len(text) <= 80 else text[:77] + "..."
