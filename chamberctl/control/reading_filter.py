"""The filter on the reading: searched where the duty limits what noise does to the speed.

Without such a limit a filter only makes the loop later, so none is the best. With one it may pay to
filter and to take more gain, above all where the law has derivative action.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, NamedTuple

from chamberctl.control.problem import Problem
from chamberctl.display import number
from chamberctl.errors import Infeasible

if TYPE_CHECKING:
    from chamberctl.control.robust import RobustOptimum
    from chamberctl.study import Study

FILTERS = tuple(2.0**power for power in range(-3, 8))
"""Filters that are tried, in scans; longer ones than the last hide the pressure from who reads it
(assumed)."""

WORTH = 0.01
"""A filter must give this much more integral action [relative]."""


class FilterChoice(NamedTuple):
    """Time constant of the filter on the reading [s], 0 for none, and why."""

    tf_s: float
    text: str


def choose_filter(study: Study, without: RobustOptimum) -> FilterChoice:
    """Return the filter with which the most integral action keeps the limits.

    Parameters
    ----------
    study : Study
        The study.
    without : RobustOptimum
        The optimum without a filter.
    """
    if without.limits.noise_gain is None:
        return FilterChoice(
            0.0,
            "No filter on the reading: it would make the loop later, and the duty does not limit "
            "what noise does to the speed (duty.limits.noise_gain).",
        )
    scan = without.settings.scan_time_s or 0.0
    tried = [(0.0, without.integral_action)]
    tried += [(scans * scan, _action(study, without, scans * scan)) for scans in FILTERS if scan]
    tf, action = max(tried, key=lambda one: one[1])
    within = f"Within the duty's limit on noise, noise gain {number(without.limits.noise_gain)},"
    more = action / without.integral_action - 1.0
    if more >= WORTH:
        return FilterChoice(
            tf,
            f"Filter of the reading {number(tf)} s. {within} it allows "
            f"{number(100.0 * more, 2)} % more integral action than none.",
        )
    cost = _cost(tried)
    return FilterChoice(0.0, f"No filter on the reading. {within} {cost}")


def _action(study: Study, without: RobustOptimum, tf_s: float) -> float:
    frame = replace(without.settings, tf_s=tf_s)
    finder = Problem(study, (), without.structure, frame).finder(without.plants)
    try:
        return finder.solve(without.limits).integral_action
    except Infeasible:
        return 0.0


def _cost(tried: Sequence[tuple[float, float]]) -> str:
    if len(tried) < 2:
        return "there is no scan to filter over."
    tf, action = tried[1 + FILTERS.index(1.0)]
    less = 1.0 - action / tried[0][1]
    return f"one of {number(tf)} s would take {number(100.0 * max(less, 0.0), 2)} % of the action."
