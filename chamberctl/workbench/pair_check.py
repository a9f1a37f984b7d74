"""Which entries of a table of pairs cannot be used, so that it can be said beside each."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from chamberctl import quantities
from chamberctl.errors import QuantityError
from chamberctl.study.outline import Row

_SPEEDS: Final = ("fraction", "frequency", "rotation")
"""A speed may be given in any of these."""


def wrong_entries(row: Row) -> Mapping[tuple[int, int], str]:
    """Return what is wrong with the entries of a field of pairs.

    Parameters
    ----------
    row : Row
        The field; whether its pairs make sense together is asked elsewhere.

    Returns
    -------
    mapping of (int, int) to str
        What is wrong, by row and place in it, both from 0.
    """
    numbers: dict[tuple[int, int], float] = {}
    wrong: dict[tuple[int, int], str] = {}
    for number, pair in enumerate(row.pairs):
        for place, (text, unit) in enumerate(zip(pair, row.units, strict=True)):
            try:
                dimension = quantities.dimension_of(unit) if unit else "number"
                numbers[number, place] = _read(text, dimension)
            except QuantityError as error:
                wrong[number, place] = error.first.remedy
    if row.dimension == "pressure":
        for number in range(len(row.pairs)):
            here, before = numbers.get((number, 0)), numbers.get((number - 1, 0), 0.0)
            if here is not None and here <= before:
                wrong[number, 0] = (
                    "not above the pressure of the row before" if number else "not above 0"
                )
            if numbers.get((number, 1), 0.0) < 0.0:
                wrong[number, 1] = "below 0"
    return wrong


def _read(text: str, dimension: str) -> float:
    """Read one entry; of a speed the first way of writing it that fits."""
    for other in _SPEEDS if dimension == "fraction" else ():
        try:
            return quantities.parse(text, other)
        except QuantityError:
            continue
    return quantities.parse(text, dimension)
