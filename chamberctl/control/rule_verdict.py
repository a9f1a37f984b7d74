"""What is said of one set of settings in the comparison of rules, in one sentence."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from chamberctl.control.duty_margins import MARGIN_WORDS, WORSE_IS_LARGER
from chamberctl.display import number

if TYPE_CHECKING:
    from chamberctl.control.rule_comparison import ComparedRule
    from chamberctl.study import Limits

ALIKE = 0.05
"""Areas that differ by less are called alike [relative]."""
HARDER = 2.0
"""So many times the reaction to noise of the recommended settings is worth saying."""


def missed(worst: Mapping[str, tuple[float, str]], limits: Limits) -> list[str]:
    """Return the limits of the duty that worst margins miss, each as part of a sentence.

    Parameters
    ----------
    worst : mapping of str to (float, str)
        Worst value of each margin and where.
    limits : Limits
        The duty's; None is no limit.
    """
    found = []
    for name, (words, unit) in MARGIN_WORDS.items():
        limit = getattr(limits, name)
        value, where = worst[name]
        larger = WORSE_IS_LARGER[name]
        if limit is not None and (value > limit if larger else value < limit):
            found.append(f"{words} {number(value)}{unit} at {where}, limit {number(limit)}{unit}")
    return found


def verdict(
    row: ComparedRule, recommended: ComparedRule, limits: Limits, loops: int, aim: str
) -> tuple[bool, str]:
    """Return whether settings hold over the duty, and one sentence why not or at what price.

    Parameters
    ----------
    row : ComparedRule
        Checked settings.
    recommended : ComparedRule
        What they are compared with.
    limits : Limits
        The duty's limits.
    loops : int
        Loops that each was checked on.
    aim : str
        What a published rule is made for; empty for others.
    """
    if not row.stable:
        first, more = row.unstable_at[0], len(row.unstable_at) - 1
        others = f" and {more} more of {loops}" if more else f", one of {loops}"
        return False, f"Unstable at {first}{others}{_because(row, aim)}."
    broken = missed(row.worst, limits)
    if broken:
        return False, f"{broken[0][:1].upper()}{broken[0][1:]}{_because(row, aim)}."
    if row.origin == "recommended":
        return True, "Keeps the duty's limits; the others are compared with it."
    though = f", though {row.objections[0]}" if row.objections else ""
    return True, f"Holds{though}: {_price(row, recommended)}."


def _because(row: ComparedRule, aim: str) -> str:
    if row.objections:
        return f"; {row.objections[0]}"
    return f"; it aims at {aim}" if aim else ""


def _price(row: ComparedRule, recommended: ComparedRule) -> str:
    """Compare the area after a gas step with that of the recommended settings, and the noise."""
    if not recommended.stable:
        return f"worst Ms {number(row.worst['ms'][0])}"
    share = row.area_s[0] / recommended.area_s[0]
    text = f"{number(share)} times the area after a gas step"
    if abs(share - 1.0) <= ALIKE:
        text = "as good after a gas step"
    harder = row.reaction / recommended.reaction
    if harder >= HARDER:
        text += f", and noise moves the speed {number(harder)} times as hard"
    return text
