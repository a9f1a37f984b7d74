"""Is the best loop within some limits worth having? If not, which request would be."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Literal

from chamberctl.control.calmness import STEP, Recovery, nearest, slowest
from chamberctl.control.pace import LEAST_USUAL_MS, limit_text, pace_name
from chamberctl.display import number
from chamberctl.errors import Infeasible
from chamberctl.findings import Finding

if TYPE_CHECKING:
    from chamberctl.control.envelope import EnvelopePlant
    from chamberctl.control.finder import Finder
    from chamberctl.control.optimum import Optimum
    from chamberctl.control.pace import LoopLimits


def as_stated(plants: Sequence[EnvelopePlant]) -> list[EnvelopePlant]:
    """Return the plants as the study states them, without those at the ends of tolerances."""
    return [plant for plant in plants if not plant.case.label]


def require_worth(
    finder: Finder, plants: Sequence[EnvelopePlant], limits: LoopLimits, optimum: Optimum
) -> tuple[Finding, ...]:
    """Refuse an unusually small Ms with which the loop is slower than a plant by itself.

    With a usual Ms it is the nature of the plant, and worth a caution if the plant is as stated. A
    disk margin bounds Ms too.

    Parameters
    ----------
    finder : Finder
        The plants, prepared.
    plants : sequence of EnvelopePlant
        The plants.
    limits : LoopLimits
        What was asked for.
    optimum : Optimum
        The best settings within it.

    Returns
    -------
    tuple of Finding
        The caution, if any.

    Raises
    ------
    Infeasible
        If the loop is not worth having, with the nearest request that is.
    """
    name = _which_bounds_ms(limits)
    unusual = limits.ms_bound < LEAST_USUAL_MS
    judged = plants if unusual else as_stated(plants)
    reading = optimum.settings.reading

    def slowest_of(integral_action: float) -> Recovery:
        return slowest(judged, reading, integral_action)

    found = slowest_of(optimum.integral_action)
    if found.ratio <= 1.0:
        return ()
    text = (
        f"With {_what_binds(limits, optimum)} even the best loop is slower than the plant by "
        f"itself. At {found.where} a step of the gas load leaves as much integrated error as "
        f"{number(found.loop_s)} s of the deviation that it would have without control; by the "
        "same measure the plant's own transient to its new pressure, with the speed left alone, "
        f"takes {number(found.own_s)} s."
    )
    worth = nearest(
        limits, name, lambda asked: slowest_of(finder.solve(asked).integral_action).ratio <= 1.0
    )
    if unusual:
        raise Infeasible(text, nearest_usual(limits, worth))
    said = "" if worth is None else f"With {_and_looser(name, worth)} it is the faster one."
    return (Finding("caution", "slow loop", f"{text} {said}".strip()),)


def _which_bounds_ms(limits: LoopLimits) -> Literal["ms", "disk_margin"]:
    return "ms" if limits.ms_bound == limits.ms else "disk_margin"


def _what_binds(limits: LoopLimits, optimum: Optimum) -> str:
    """Return the limits that bind in words, such as "balanced (Ms 1.6)"."""
    words = [
        pace_name(limits.ms)
        if binding.limit in ("ms", "mt")
        else limit_text(binding.limit, getattr(limits, binding.limit))
        for binding in optimum.bindings
    ]
    return " and ".join(dict.fromkeys(words)) or pace_name(limits.ms)


def nearest_usual(limits: LoopLimits, worth: float | None = None) -> str:
    """Say what would be answered: what is worth having everywhere, or what is just usual.

    Parameters
    ----------
    limits : LoopLimits
        What was asked for.
    worth : float, optional
        Ms or disk margin from which on the loop is worth having everywhere [-].
    """
    name = _which_bounds_ms(limits)
    if name == "ms":
        usual, why = LEAST_USUAL_MS, "the lowest usual one"
    else:
        usual = math.floor(1.0 / (LEAST_USUAL_MS - 0.5) / STEP) * STEP
        why = f"which lets Ms rise to {number(LEAST_USUAL_MS)}, the lowest usual one"
    if worth is not None and (worth <= usual if name == "ms" else worth >= usual):
        return f"Nearest: {limit_text(name, worth)}."
    said = f"Nearest: {limit_text(name, usual)}, {why}"
    if worth is None:
        return f"{said}."
    return f"{said}; with {_and_looser(name, worth)} the loop is the faster one at every plant."


def _and_looser(name: Literal["ms", "disk_margin"], value: float) -> str:
    return f"{limit_text(name, value)} or {'more' if name == 'ms' else 'less'}"
