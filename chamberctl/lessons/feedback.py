"""What a prediction is worth: right, or in what way it is wrong; a wrong sign is named."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import Literal

from chamberctl import quantities
from chamberctl.display import number
from chamberctl.errors import QuantityError
from chamberctl.quantities.units import DIMENSIONS

Kind = Literal["right", "wrong sign", "wrong", "no number"]


@dataclass(frozen=True)
class Asked:
    """A number that is asked for.

    Parameters
    ----------
    question : str
    dimension, unit : str
        As in `chamberctl.quantities`; an answer without a unit counts in this one.
    expected : float
        In that unit.
    tolerance : float
        Relative error that is still right [-].
    sign : str
        Why the sign is as it is; empty where nobody would give one.
    """

    question: str
    dimension: str
    unit: str
    expected: float
    tolerance: float
    sign: str = ""


@dataclass(frozen=True)
class Feedback:
    """What is said to an answer: of which kind it is, and what there is to say beyond that."""

    kind: Kind
    text: str


_USUAL = (
    (100.0, "percent and fraction are a factor of 100 apart"),
    (10.0, "look for a slip in the units"),
    (math.log(10.0), "natural and decimal logarithms are a factor of 2.303 apart"),
    (60.0, "minutes and seconds are a factor of 60 apart"),
    (180.0 / math.pi, "radians and degrees are a factor of 57.3 apart"),
    (2.0, "look for a half that was lost or counted twice"),
)
"""Factors by which answers are usually wrong, and what is said then."""

_NEAR = 0.04


def feedback(asked: Asked, text: str) -> Feedback:
    """Judge an answer as it was typed.

    Parameters
    ----------
    asked : Asked
    text : str
        A number, with or without a unit.
    """
    try:
        given = _read(asked, text)
    except QuantityError as error:
        return Feedback("no number", f"This cannot be read: {_remedy(asked, error)}.")
    close = math.isclose(abs(given), abs(asked.expected), rel_tol=asked.tolerance)
    wrong_way = asked.sign and given * asked.expected < 0.0
    if wrong_way and close:
        return Feedback("wrong sign", f"The size is right, the sign is wrong: {asked.sign}")
    if wrong_way:
        size = _size(asked, given)
        return Feedback("wrong sign", f"The sign is wrong: {asked.sign} The size is off: {size}")
    if close and given * asked.expected > 0.0:
        return Feedback("right", "")
    size = _size(asked, given)
    return Feedback("wrong", f"{size[0].upper()}{size[1:]}")


def _read(asked: Asked, text: str) -> float:
    """Return an answer in the unit that is asked for; a plain number is in it already."""
    try:
        return quantities.parse(text, "number")
    except QuantityError:
        if asked.dimension == "number":
            raise
    value = quantities.parse(text, asked.dimension)
    return float(value / quantities.unit_factor(asked.unit, asked.dimension))


def _remedy(asked: Asked, error: QuantityError) -> str:
    """Return what would be right, with an example of what is asked for here."""
    example = f", such as '{DIMENSIONS[asked.dimension].example}'"
    return re.sub(r"(, followed by its unit)?, such as '[^']*'", example, error.first.remedy)


def _size(asked: Asked, given: float) -> str:
    """Return by how much an answer is off, and what usually makes it so."""
    if given == 0.0:
        return "it is not zero."
    ratio = abs(given / asked.expected)
    factor = max(ratio, 1.0 / ratio)
    way = "large" if ratio > 1.0 else "small"
    said = f"it is too {way} by a factor of {number(factor)}"
    for usual, hint in _USUAL:
        if abs(factor / usual - 1.0) < _NEAR:
            return f"{said}; {hint}."
    return f"{said}."
