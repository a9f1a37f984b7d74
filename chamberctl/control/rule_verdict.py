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
            relation = "above" if larger else "below"
            found.append(
                f"{words} {number(value)}{unit} at {where} is {relation} the duty's limit of "
                f"{number(limit)}{unit}"
            )
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
    price = _price(row, recommended)
    if row.objections:
        return True, f"Holds here, though not made for such a plant ({row.objections[0]}); {price}."
    return True, f"Holds; {price}."


def _because(row: ComparedRule, aim: str) -> str:
    if row.objections:
        return f": {row.objections[0]}"
    return f": the rule is made for {aim}" if aim else ""


def _price(row: ComparedRule, recommended: ComparedRule) -> str:
    """Compare the area after a gas step, and say what a smaller one costs."""
    if not recommended.stable:
        return f"worst Ms {number(row.worst['ms'][0])}"
    share = row.area_s[0] / recommended.area_s[0]
    text = (
        f"after a gas step the deviation's area is {number(share)} times that of the recommended "
        "settings"
    )
    if abs(share - 1.0) <= ALIKE:
        text = "a gas step is rejected as well as by the recommended settings"
    elif share < 1.0:
        text += (
            f", at a worst Ms of {number(row.worst['ms'][0])} against "
            f"{number(recommended.worst['ms'][0])}"
        )
    harder = row.reaction / recommended.reaction
    if harder >= HARDER:
        text += f", and noise moves the speed {number(harder)} times as hard"
    return text
