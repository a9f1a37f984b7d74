"""What would allow more integral action: a larger limit, a better known input, a smaller duty.

Each is found by solving again without it, not by a slope: at a kink slopes say too much.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Literal, NamedTuple

from chamberctl.control.envelope import envelope_of
from chamberctl.control.pace import limit_text
from chamberctl.control.tolerance_cases import Cases
from chamberctl.display import number
from chamberctl.workers import desk, results

if TYPE_CHECKING:
    from chamberctl.control.envelope import EnvelopePlant
    from chamberctl.control.optimum import Optimum
    from chamberctl.control.pace import LimitName, LoopLimits
    from chamberctl.control.problem import Problem
    from chamberctl.plant.point import OperatingPoint
    from chamberctl.study import Study

PEAK_STEP, SHARE_STEP = 0.1, 0.1
"""Ms and Mt are raised by so much, other limits by this share."""

WORTH_SAYING = 0.01
"""Less additional integral action than this is not told [relative]."""

MOST_INPUTS, MOST_POINTS = 5, 2
"""So many inputs and duty points are tried, those that bind first."""


class Relaxation(NamedTuple):
    """Something that would allow more integral action.

    Parameters
    ----------
    kind : {"limit", "input", "duty"}
        A limit that is raised, an input that is known exactly, a duty point that is left out.
    name : str
        Which.
    more : float
        Additional integral action [relative].
    text : str
        In words.
    """

    kind: Literal["limit", "input", "duty"]
    name: str
    more: float
    text: str


def relaxations(
    problem: Problem, plants: Sequence[EnvelopePlant], limits: LoopLimits, optimum: Optimum
) -> tuple[Relaxation, ...]:
    """Return what would allow more integral action, the most first.

    Parameters
    ----------
    problem : Problem
        What was sought.
    plants : sequence of EnvelopePlant
        The plants that the optimum is for.
    limits : LoopLimits
        Its limits.
    optimum : Optimum
        The optimum.
    """
    found = [
        Relaxation(kind, name, action / optimum.integral_action - 1.0, words)
        for kind, name, words, action in _eased(problem, plants, limits, optimum)
    ]
    found = [one for one in found if one.more > WORTH_SAYING]
    found.sort(key=lambda one: -one.more)
    return tuple(
        one._replace(text=f"{one.text} gives {number(100.0 * one.more, 2)} % more integral action")
        for one in found
    )


_Eased = tuple[Literal["limit", "input", "duty"], str, str, float]


def _eased(
    problem: Problem, plants: Sequence[EnvelopePlant], limits: LoopLimits, optimum: Optimum
) -> Iterator[_Eased]:
    """Yield kind, name, words and the integral action then."""
    binding = [plants[one.plant] for one in optimum.bindings]
    inputs = {group.name for group in Cases(problem.study).groups}
    knowing = {
        name: desk().lay_down(_knowing, problem.copy(), plants, limits, name, urgent=True)
        for name in _first((plant.case.moved for plant in binding), MOST_INPUTS)
    }
    whole = problem.finder(plants)
    for limit in dict.fromkeys(one.limit for one in optimum.bindings):
        looser, words = _looser(limits, limit)
        yield "limit", limit, words, whole.solve(looser).integral_action
    for at in _first(((plant.at,) for plant in binding), MOST_POINTS):
        rest = [number for number, plant in enumerate(plants) if plant.at != at]
        if rest:
            action = whole.only(rest).solve(limits).integral_action
            yield "duty", at, f"leaving out {at}", action
    for name, action in zip(knowing, results(knowing.values()), strict=True):
        words = f"knowing {name} exactly" if name in inputs else f"ruling out: {name}"
        yield "input", name, words, action


def _knowing(
    problem: Problem, plants: Sequence[EnvelopePlant], limits: LoopLimits, name: str
) -> float:
    """Return the integral action where one thing is as the study states it."""
    return problem.finder(_as_stated(problem, plants, name)).solve(limits).integral_action


def _first(names: Iterator[tuple[str, ...]], most: int) -> list[str]:
    return list(dict.fromkeys(name for each in names for name in each))[:most]


def _as_stated(problem: Problem, plants: Sequence[EnvelopePlant], name: str) -> list[EnvelopePlant]:
    """Return the plants with one group, or one thing that is settled, as the study states it."""
    rest = [plant for plant in plants if name not in plant.case.moved]
    left = [plant for plant in plants if name in plant.case.moved]
    for place in ("own", "between", "finely"):
        if not left:
            break
        study, points = _place(problem, place)
        known = {point.where for point in points}
        mine = [plant for plant in left if plant.at in known]
        left = [plant for plant in left if plant.at not in known]
        if not mine:
            continue
        cases = Cases(study)
        moved = {plant.case.label: plant.case for plant in mine}
        stated = {label: cases.without(case, name) for label, case in moved.items()}
        wanted = {(plant.at, stated[plant.case.label].label) for plant in mine}
        once = {case.label: case for case in stated.values()}
        found = envelope_of(study, points, list(once.values())).plants
        rest += [plant for plant in found if (plant.at, plant.case.label) in wanted]
    return rest


def _place(problem: Problem, place: str) -> tuple[Study, Sequence[OperatingPoint]]:
    if place == "own":
        return problem.study, problem.points
    return problem.between if place == "between" else problem.finely


def _looser(limits: LoopLimits, name: LimitName) -> tuple[LoopLimits, str]:
    value = getattr(limits, name)
    looser = {
        "ms": value + PEAK_STEP,
        "mt": value + PEAK_STEP,
        "noise_gain": value * (1.0 + SHARE_STEP),
    }.get(name, value * (1.0 - SHARE_STEP))
    if name == "gain_margin":
        looser = max(looser, 1.0)
    text = f"allowing {limit_text(name, looser)} instead of {number(value)}"
    return replace(limits, **{name: looser}), text
