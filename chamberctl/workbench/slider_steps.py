"""Steps of the sliders that move settings: equal ratios, in the controller's own numbers."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

from chamberctl.control.forms import to_typed

if TYPE_CHECKING:
    from chamberctl.control.forms import TypedSettings
    from chamberctl.control.tuned import Tuning

PER_DECADE = 24
"""Steps of a slider in one decade: 10 % each."""

WIDE = 20.0
"""A slider reaches from a twentieth to twenty times the number in its middle."""


def slider_steps(own: Tuning, typed: TypedSettings, key: str) -> tuple[list[str], str]:
    """Return the numbers that a slider steps through, and which of them is typed in.

    From one step to another the list stays the same, for whoever moves on knows the list as it was
    drawn; only a number between the steps is added to it.

    Parameters
    ----------
    own : Tuning
        The study's own settings; its number is in the middle.
    typed : TypedSettings
        What is typed in now.
    key : str
        The law's symbol: "Kc", "Ti", "Td", "Tf" or "b".

    Returns
    -------
    tuple of (list of str, str)
        In the controller's own unit; equal ratios, and at the lower end "0" or at the upper "off"
        where the term can be without effect.
    """
    row = typed[key]
    if key == "b":
        steps = {f"{0.1 * k:.1f}": 0.1 * k for k in range(11)}
    else:
        steps = _ladder(own, typed, key)
        if key in ("Td", "Tf"):
            none = "off" if row.unit != "s" and key == "Tf" else "0"
            steps[none] = math.inf if none == "off" else 0.0
    here = next((text for text, value in steps.items() if value == row.value), row.text)
    steps[here] = row.value
    return sorted(steps, key=steps.__getitem__), here


def _ladder(own: Tuning, typed: TypedSettings, key: str) -> dict[str, float]:
    middle = _middle(own, key)
    words = typed.language
    decimals = 0 if words.registers else words.decimals[typed[key].decimals]
    reach = round(PER_DECADE * math.log10(WIDE))
    steps = {}
    for k in range(-reach, reach + 1):
        value = middle * 10.0 ** (k / PER_DECADE)
        # three digits are enough to the eye; the number in the middle keeps all of its own
        digits = decimals if k == 0 else min(decimals, 2 - math.floor(math.log10(value)))
        text = f"{value:.{max(digits, 0)}f}"
        if float(text) > 0.0:
            steps[text] = float(text)
    return steps


def _middle(own: Tuning, key: str) -> float:
    """Return the number in the middle of a slider, also of a term that the settings do not use."""
    study, settings = own.study, own.settings
    value = own.typed[key].value
    if math.isfinite(value) and value > 0.0:
        return value
    td = settings.ti_s / 10.0
    full = replace(settings, td_s=td, tfd_s=td / 8.0, tf_s=settings.ti_s / 20.0)
    return float(to_typed(full, study.controller, study.system.drive)[key].value)
