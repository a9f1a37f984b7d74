"""Units at the edge: one typed text such as ``"5 mbar"`` to one SI float, and back.

Only this module converts. Every dimension has its own closed table of units; nothing is evaluated
and nothing is guessed: what is ambiguous is refused with the reason.
"""

from __future__ import annotations

import difflib
import math
import re
from collections.abc import Mapping
from functools import lru_cache
from types import MappingProxyType
from typing import NoReturn, TypeVar

import numpy as np
from numpy.typing import NDArray

from chamberctl.errors import QuantityError
from chamberctl.physics.constants import STANDARD_ATMOSPHERE_PA, T_REF_K
from chamberctl.quantities.units import DIMENSIONS, STANDARD_FLOW, THROUGHPUT, Dimension

__all__ = [
    "DIMENSIONS",
    "Dimension",
    "convert",
    "dimension_of",
    "format_number",
    "format_quantity",
    "parse",
    "split_number",
    "unit_factor",
]

_Value = TypeVar("_Value", float, NDArray[np.float64])

_ALIASES: Mapping[str, str] = MappingProxyType({
    "torr": "Torr", "mtorr": "mTorr", "microns": "micron", "umHg": "micron", "inHg (conventional)":
    "inHg", "sec": "s", "hr": "h", "C": "degC", "F": "degF", "cc/s": "cm3/s", "cc/min": "cm3/min",
    "U/min": "rpm", "percent": "%", "ft3/min": "cfm", "V/dec": "V/decade",
})  # fmt: skip
_CHARACTERS = str.maketrans({
    "\u2212": "-", "\u2013": "-", "\u00a0": " ", "\u202f": " ", "\u2009": " ", "\u00b5": "u",
    "\u03bc": "u", "\u00b0": "deg", "\u2103": "degC", "\u00b2": "2", "\u00b3": "3", "\u00b7": " ",
    "\u22c5": " ", "*": " ", "^": "", "\u2113": "L",
})  # fmt: skip
_NUMBER = re.compile(r"\s*([+-]?)([0-9]*)(?:([.,])([0-9]+))?(?:[eE]([+-]?[0-9]+))?(?![0-9.,'_])")
_RELATIVE = re.compile(
    r"\(\s*g\s*\)|gauge|\brel\b|relative|\bvac(?:uum)?\b|(?:bar|psi|Pa)\s?g\b", re.IGNORECASE
)
_ABSOLUTE = re.compile(r"(?<=[A-Za-z])(?:\s*\(\s*a\s*\)|\s+abs(?:olute)?\.?|(?<=bar)a|(?<=psi)a)$")
_REFERRED = re.compile(r"(.*?[^\s(])\s*\(([^()]*)\)$")
_LONGEST = 200


def _shown(text: str) -> str:
    return repr(text if len(text) <= 60 else text[:57] + "...")


def split_number(text: str) -> tuple[float, str]:
    """Split a typed text into its one number and the unit text that follows.

    Parameters
    ----------
    text : str
        Typed text; a decimal point or one decimal comma.

    Returns
    -------
    tuple of float and str
        The number and the rest of the text, in plain characters.

    Raises
    ------
    QuantityError
        Not one finite number, or a number that can be read in two ways.
    """
    given = _shown(text)
    if len(text) > _LONGEST:
        raise QuantityError("too long for one number and one unit", given=given)
    plain = text.translate(_CHARACTERS).strip()
    if re.match(r"[+-]?(nan|inf|infinity)\b", plain, re.IGNORECASE):
        raise QuantityError("a finite number is needed", given=given)
    match = _NUMBER.match(plain)
    if match is None or not (match[2] or match[4]):
        _refuse_number(plain, given)
    sign, whole, separator, decimals, exponent = match.groups()
    if separator == "," and len(decimals) == 3 and 1 <= len(whole) <= 3 and whole.strip("0"):
        raise QuantityError(
            f"ambiguous: '{whole},{decimals}' is one number in some countries and a thousand times "
            f"it in others; write '{whole}.{decimals}' or '{whole}{decimals}'",
            given=given,
        )
    number = float(f"{sign}{whole or '0'}.{decimals or '0'}e{exponent or '0'}")
    if not math.isfinite(number):
        raise QuantityError("too large: a finite number is needed", given=given)
    if number == 0.0 and (whole + (decimals or "")).strip("0"):
        raise QuantityError("too small: it would be kept as 0", given=given)
    rest = plain[match.end() :]
    if re.match(r"\s+(?!1/)[0-9.,]", rest):
        raise QuantityError(
            "two numbers; write one number without grouping its digits, such as '1000 Pa'",
            given=given,
        )
    return number, " ".join(rest.split())


def _refuse_number(plain: str, given: str) -> NoReturn:
    if re.match(r"[+-]?[0-9]+[.,'_]?[0-9]*[.,'_]", plain):
        raise QuantityError(
            "ambiguous: more than one separator in the number; write one decimal point and no "
            "grouping, such as '1000.5 Pa'",
            given=given,
        )
    raise QuantityError(
        "must begin with one number, followed by its unit, such as '5e-3 mbar'", given=given
    )


@lru_cache(maxsize=1024)
def _spelled(unit: str) -> str:
    """Spell a unit as the tables do."""
    text = " ".join(unit.translate(_CHARACTERS).split())
    text = re.sub(r"\s*/\s*", "/", text)
    text = re.sub(r"\bdeg ([CF])\b", r"deg\1", text)
    text = re.sub(r"\bl\b", "L", text)
    text = re.sub(r"\bml\b", "mL", text)
    text = re.sub(r"\btorr\b", "Torr", text)
    text = re.sub(r"\bcc/", "cm3/", text)
    return _ALIASES.get(text, text)


def _table(dimension: str) -> Dimension:
    if dimension not in DIMENSIONS:
        raise QuantityError(
            f"no such dimension; known are {', '.join(DIMENSIONS)}", given=_shown(dimension)
        )
    return DIMENSIONS[dimension]


def _scale(unit: str, dimension: str, given: str) -> tuple[float, float]:
    """Factor and offset of a unit, or a refusal that says what would be right."""
    table = _table(dimension)
    spelled = _spelled(unit)
    if dimension == "pressure":
        if _RELATIVE.search(spelled):
            raise QuantityError(
                "relative pressures are refused: they count from the air pressure of the day and "
                "place, which is not known here; give the absolute pressure, such as '5 mbar'",
                given=given,
            )
        spelled = _spelled(_ABSOLUTE.sub("", spelled))
    if spelled in table.units:
        return table.units[spelled], table.offsets.get(spelled, 0.0)
    if dimension == "throughput":
        referred = _referred_flow(spelled, given)
        if referred is not None:
            return referred, 0.0
    raise QuantityError(_unit_remedy(spelled, table), given=given)


def _referred_flow(unit: str, given: str) -> float | None:
    """Factor of a flow whose unit names the conditions it is counted at, else None."""
    match = _REFERRED.fullmatch(unit)
    name = match[1] if match else unit
    if name in STANDARD_FLOW and match is None:
        raise QuantityError(
            f"a standard flow needs its reference temperature; write '40 {name}(0 degC)' or "
            f"'40 {name}(20 degC)', whichever the flow meter is set to: they differ by 7 %",
            given=given,
        )
    if match is None or not (name in STANDARD_FLOW or name in THROUGHPUT):
        return None
    conditions = re.split(r"[;,]\s+", match[2].strip())
    temperature = parse(conditions[0], "temperature")
    if temperature <= 0.0 or len(conditions) > 2:
        raise QuantityError(
            "the reference is one temperature above 0 K, such as '(0 degC)', and where it is not "
            "1 atm one pressure, such as '(0 degC, 1 bar)'",
            given=given,
        )
    if name in THROUGHPUT:
        return THROUGHPUT[name] * T_REF_K / temperature
    pressure = parse(conditions[1], "pressure") if len(conditions) == 2 else STANDARD_ATMOSPHERE_PA
    return STANDARD_FLOW[name] * pressure * T_REF_K / temperature


def _unit_remedy(unit: str, table: Dimension) -> str:
    wanted = f"{table.words} is wanted, such as '{table.example}'"
    if not unit:
        return f"the unit is missing; {wanted}"
    if table.name == "throughput" and re.match(r"(k?g|lb)/", unit):
        return (
            "a mass flow can only be converted for a known gas; give it as a pV flow such as "
            "'250 mbar L/s' or a standard flow such as '15 slm(0 degC)'"
        )
    if re.match(r"(sccm|slm|slpm|scfm)\b", unit):
        if table.name == "throughput":
            return "a standard flow is written with its reference temperature: '40 slm(0 degC)'"
        return f"'{unit}' is a gas flow; {wanted}"
    for other in DIMENSIONS.values():
        if unit in other.units:
            return f"'{unit}' is the unit of {other.words}; {wanted}"
    spellings = {known.lower(): known for known in table.units if known}
    near = difflib.get_close_matches(unit.lower(), spellings, n=3, cutoff=0.5)
    if near:
        names = " or ".join(f"'{spellings[name]}'" for name in near)
        return f"unknown unit '{unit}'; did you mean {names}?"
    few = ", ".join(f"'{known}'" for known in list(table.units)[:8] if known)
    return f"unknown unit '{unit}'; {wanted}" + (f" (units: {few})" if few else "")


def parse(text: str, dimension: str) -> float:
    """Read one number with one unit.

    Parameters
    ----------
    text : str
        Typed text, such as ``"5e-3 mbar"`` or ``"0,005 mbar"``.
    dimension : str
        Name of a row of `DIMENSIONS`.

    Returns
    -------
    float
        Value in the dimension's base unit (SI; rotation in rpm, angle in deg). A gas flow is a pV
        flow counted at 293.15 K.

    Raises
    ------
    QuantityError
        Not one finite, unambiguous number with a unit of this dimension.

    Examples
    --------
    >>> parse("0,005 mbar", "pressure")
    0.5
    >>> round(parse("1 slm(0 degC)", "throughput"), 6)
    1.8124
    """
    number, unit = split_number(text)
    given = _shown(text)
    factor, offset = _scale(unit, dimension, given)
    value = number * factor + offset
    if not math.isfinite(value):
        raise QuantityError("too large: a finite number is needed", given=given)
    if value == 0.0 and number != 0.0 and offset == 0.0:
        raise QuantityError("too small: it would be kept as 0", given=given)
    if dimension == "temperature" and value < 0.0:
        raise QuantityError("below absolute zero (0 K, -273.15 degC)", given=given)
    return value


def unit_factor(unit: str, dimension: str) -> float:
    """Factor from a unit to the dimension's base unit.

    Parameters
    ----------
    unit : str
        Unit of the dimension's table.
    dimension : str
        Name of a row of `DIMENSIONS`.

    Returns
    -------
    float
        Value in the base unit = factor x value in `unit`.

    Raises
    ------
    QuantityError
        Unknown unit, or a temperature scale whose zero is not 0 K.
    """
    factor, offset = _scale(unit, dimension, _shown(unit))
    if offset:
        raise QuantityError(
            "this temperature scale does not begin at 0 K and has no mere factor; use convert()",
            given=_shown(unit),
        )
    return factor


def convert(value: _Value, from_unit: str, to_unit: str, dimension: str) -> _Value:
    """Convert a number or an array between two units of one dimension.

    Parameters
    ----------
    value : float or ndarray
        Value in `from_unit`.
    from_unit, to_unit : str
        Units of the dimension's table.
    dimension : str
        Name of a row of `DIMENSIONS`.

    Returns
    -------
    float or ndarray
        Value in `to_unit`.

    Raises
    ------
    QuantityError
        Unknown unit.
    """
    factor, offset = _scale(from_unit, dimension, _shown(from_unit))
    to_factor, to_offset = _scale(to_unit, dimension, _shown(to_unit))
    return (value * factor + (offset - to_offset)) / to_factor


def dimension_of(unit: str) -> str:
    """Name of the dimension a unit belongs to.

    Parameters
    ----------
    unit : str
        Unit of any table.

    Returns
    -------
    str
        Name of the first row of `DIMENSIONS` that holds the unit.

    Raises
    ------
    QuantityError
        The unit stands in no table.
    """
    spelled = _spelled(unit)
    for name, table in DIMENSIONS.items():
        if spelled in table.units:
            return name
    _scale(unit, "throughput", _shown(unit))
    return "throughput"


def format_number(value: float, digits: int = 4) -> str:
    """Write a number with so many significant digits; a small number never becomes 0.

    Parameters
    ----------
    value : float
        Any number.
    digits : int
        Significant digits.

    Returns
    -------
    str
        Without an exponent from 0.01 to below 1e6, with one beyond: ``"0.5"``, ``"5.0e-3"``.

    Examples
    --------
    >>> format_number(0.005), format_number(1200.0), format_number(0.0)
    ('5.0e-3', '1200', '0')
    """
    if value == 0.0 or not math.isfinite(value):
        return f"{value + 0.0:g}"
    mantissa, exponent_text = f"{value:.{max(digits, 1) - 1}e}".split("e")
    exponent = int(exponent_text)
    if -2 <= exponent < 6:
        rounded = float(f"{mantissa}e{exponent}")
        text = f"{rounded:.{max(0, digits - 1 - exponent)}f}"
        return text.rstrip("0").rstrip(".") if "." in text else text
    if "." in mantissa:
        mantissa = mantissa.rstrip("0")
    mantissa += "0" if mantissa.endswith(".") else ""
    return f"{mantissa if '.' in mantissa else mantissa + '.0'}e{exponent}"


def format_quantity(value_si: float, unit: str, digits: int = 4) -> str:
    """Write a value with its unit so that `parse` reads it back.

    Parameters
    ----------
    value_si : float
        Value in the base unit of the unit's dimension.
    unit : str
        Unit to write.
    digits : int
        Significant digits; 17 keep a float exactly.

    Returns
    -------
    str
        Such as ``"5 mbar"`` or ``"5.0e-3 mbar"``.

    Raises
    ------
    QuantityError
        The unit stands in no table.
    """
    dimension = dimension_of(unit)
    factor, offset = _scale(unit, dimension, _shown(unit))
    return f"{format_number((value_si - offset) / factor, digits)} {unit}".rstrip()
