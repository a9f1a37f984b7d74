"""A controller's own language: the settings as its panel takes them, and back to the law in SI.

`to_typed` and `from_typed` are exact inverses of each other; `rounded` gives the numbers as they
will be typed in. Numbers are rounded half up (away from zero) on their shortest decimal text, as a
person does it.
"""

from __future__ import annotations

import difflib
import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from decimal import ROUND_HALF_UP, Decimal, localcontext
from typing import TYPE_CHECKING

from chamberctl import quantities
from chamberctl.control import conversions
from chamberctl.control.controller import PidSettings
from chamberctl.control.conversions import FormError, Pid
from chamberctl.control.language import Language, language
from chamberctl.control.panel import (
    OFF,
    SAME_AS_TI,
    TypedValue,
    derivative_row,
    filter_row,
    filter_time,
    gain_row,
    integral_row,
    other_rows,
    ramp_per_s,
)
from chamberctl.control.registers import Registers, register_findings
from chamberctl.errors import QuantityError
from chamberctl.findings import Finding

if TYPE_CHECKING:
    from chamberctl.study import Controller, Drive

__all__ = [
    "ACTION_SENTENCE",
    "FormError",
    "Language",
    "TypedSettings",
    "TypedValue",
    "from_typed",
    "language",
    "read_typed",
    "rounded",
    "rounded_text",
    "rounding_findings",
    "to_typed",
]

ACTION_SENTENCE = "Pressure above setpoint -> speed must go up."
LOSS_LIMIT = 0.05


@dataclass(frozen=True)
class TypedSettings:
    """All settings in one controller's language, in the order of its panel.

    Parameters
    ----------
    language : Language
    rows : tuple of TypedValue
    base : PidSettings
        Where scan time, delay and the integral's order come from; its gains are not used.
    is_rounded : bool
        Whether the numbers are rounded to the controller's decimals.
    """

    language: Language
    rows: tuple[TypedValue, ...]
    base: PidSettings
    is_rounded: bool = False

    def __getitem__(self, key: str) -> TypedValue:
        """Return the row of one of the law's symbols."""
        return next(row for row in self.rows if row.key == key)

    def texts(self) -> dict[str, str]:
        """Return the numbers as typed, by the law's symbols."""
        return {row.key: row.text for row in self.rows}


def to_typed(
    settings: PidSettings, controller: Controller, drive: Drive, *, decimals: bool = False
) -> TypedSettings:
    """Write settings in a controller's language.

    Parameters
    ----------
    settings : PidSettings
        The law's settings [SI].
    controller, drive : Controller, Drive
        The study's controller and drive.
    decimals : bool
        Round to the controller's decimals; otherwise all digits are kept.

    Returns
    -------
    TypedSettings
        `from_typed` of it is `settings` again.

    Raises
    ------
    FormError
        If the form or notation cannot express a term.
    """
    words = language(controller, drive)
    if settings.reading != words.reading:
        raise FormError(
            f"these settings are for a {settings.reading} reading, the controller's is "
            f"{words.reading}; convert or tune anew"
        )
    if not settings.kc > 0:
        raise FormError(
            f"the gain must be above 0 ({ACTION_SENTENCE}); set the controller's action instead "
            "of a negative gain",
            given=f"Kc {settings.kc:g}",
        )
    pid = Pid(settings.kc, settings.ti_s, settings.td_s, settings.tfd_s)
    if pid.td_s == 0 and pid.filter_s > 0 and words.filter_as == "ratio":
        raise FormError(
            "without derivative time its filter cannot be given as a ratio; set the filter to 0"
        )
    if words.form == "series":
        pid = conversions.series_from_ideal(*pid)
    rows = (
        gain_row(words, pid.gain),
        integral_row(words, pid),
        derivative_row(words, pid),
        filter_row(words, "Tfd", pid.filter_s, pid.td_s),
        filter_row(words, "Tf", settings.tf_s, 0.0),
        *other_rows(words, settings),
    )
    if words.registers:
        rows = tuple(_in_register(row, words.registers) for row in rows)
    typed = TypedSettings(words, rows, settings)
    return rounded(typed) if decimals else typed


def _in_register(row: TypedValue, registers: Registers) -> TypedValue:
    """Return a row as the whole number, still with its fraction, that a register stands for."""
    if not row.decimals:
        return row
    scale = registers.scales[row.decimals]
    if not math.isfinite(row.value):
        return replace(row, scale=scale)
    value = row.value * scale
    return replace(row, text=repr(value), value=value, scale=scale)


def from_typed(typed: TypedSettings) -> PidSettings:
    """Return the settings [SI] that numbers in a controller's language mean, exactly.

    Raises
    ------
    FormError
        If the numbers mean no PID law with a positive gain.
    """
    words = typed.language
    number = {row.key: row.number for row in typed.rows}
    if not number["Kc"] > 0:
        raise FormError(f"the gain must be above 0; {ACTION_SENTENCE}", given=f"{typed['Kc'].text}")
    gain = 100.0 / number["Kc"] if words.gain_as == "proportional band" else number["Kc"]
    minutes = conversions.SECONDS[words.integral_as]
    td_unit = conversions.SECONDS[words.derivative_as]
    if words.form == "parallel":
        pid = conversions.ideal_from_parallel(gain, number["Ti"] / minutes, number["Td"] * td_unit)
    else:
        ti = conversions.integral_time(number["Ti"], words.integral_as)
        pid = Pid(gain, ti, number["Td"] * td_unit)
    if not pid.ti_s > 0:
        raise FormError("the integral time must be above 0", given=typed["Ti"].text)
    pid = pid._replace(filter_s=filter_time(typed["Tfd"], pid.td_s))
    if words.form == "series":
        pid = conversions.ideal_from_series(*pid)
    tt: float | None = number["Tt"]
    if typed["Tt"].text == SAME_AS_TI:
        tt = None if typed.base.tt_s is None else pid.ti_s
    return replace(
        typed.base,
        kc=pid.gain / words.gain_factor,
        ti_s=pid.ti_s,
        td_s=pid.td_s,
        tfd_s=pid.filter_s,
        tf_s=filter_time(typed["Tf"], 0.0),
        b=number["b"],
        c=number["c"],
        tt_s=tt,
        setpoint_ramp_per_s=ramp_per_s(typed["ramp"], words),
        output_min=number["output_min"] / words.output_per_fraction,
        output_max=number["output_max"] / words.output_per_fraction,
    )


def read_typed(typed: TypedSettings, texts: Mapping[str, str]) -> TypedSettings:
    """Return settings with numbers read from texts, as from a panel, an export or a study.

    Parameters
    ----------
    typed : TypedSettings
        Settings of the same controller; what `texts` does not name is taken from here.
    texts : mapping
        Texts by the law's symbols.

    Raises
    ------
    FormError
        If a symbol is unknown.
    QuantityError
        If a text is not one finite number; its field is the symbol.
    """
    known = [row.key for row in typed.rows]
    for key in texts:
        if key not in known:
            lower = {name.lower(): name for name in known}
            near = difflib.get_close_matches(key.lower(), lower, 1, 0.0)
            raise FormError(f"unknown setting; did you mean {lower[near[0]]}?", given=key)

    def read(row: TypedValue) -> TypedValue:
        text = texts.get(row.key, row.text).strip()
        if text == SAME_AS_TI and row.key == "Tt":
            return replace(row, text=text, value=math.nan)
        if text == OFF and row.key in ("Tf", "Tfd", "Tt", "ramp"):
            return replace(row, text=text, value=math.inf)
        try:
            return replace(row, text=text, value=quantities.parse(text, "number"))
        except QuantityError as error:
            raise QuantityError(error.first.remedy, given=text, field=row.key) from error

    return replace(typed, rows=tuple(read(row) for row in typed.rows), is_rounded=False)


def rounded_text(value: float, decimals: int) -> str:
    """Return a number with so many decimals, rounded half up on its shortest decimal text."""
    with localcontext() as context:
        context.prec = 400
        step = Decimal(1).scaleb(-decimals)
        return f"{Decimal(repr(float(value))).quantize(step, ROUND_HALF_UP):f}"


def rounded(typed: TypedSettings) -> TypedSettings:
    """Return the settings as they will be typed in: the controller's decimals, or integers."""

    def row(item: TypedValue) -> TypedValue:
        if not item.decimals or not math.isfinite(item.value):
            return item
        text = rounded_text(item.value, _places(typed.language, item))
        return replace(item, text=text, value=float(text))

    return replace(typed, rows=tuple(row(item) for item in typed.rows), is_rounded=True)


def _places(words: Language, row: TypedValue) -> int:
    return 0 if words.registers else words.decimals[row.decimals]


def rounding_findings(exact: TypedSettings, typed: TypedSettings) -> tuple[Finding, ...]:
    """Say what the controller's decimals take away.

    Returns
    -------
    tuple of Finding
        "no" where a term vanishes, becomes infinite or does not fit its register, "caution" where
        it moves by more than 5 %; of registers a note on the order of their words.
    """
    found: list[Finding] = []
    for before, after in zip(exact.rows, typed.rows, strict=True):
        if before.value == after.value or not math.isfinite(before.value) or before.value == 0:
            continue
        words = typed.language
        places = f"{_places(words, before)} decimals"
        if words.registers:
            places = f"whole numbers of {before.shown_unit}"
        change = after.value / before.value - 1.0
        what = f"{before.label} {before.number:.4g} {before.unit}".rstrip()
        if after.value == 0:
            found.append(
                Finding(
                    "no",
                    "decimals",
                    f"{what} becomes 0 with {places}; the controller cannot take it. "
                    "Use another notation, another span or more decimals. The settings shown keep "
                    "all digits and cannot be typed in.",
                )
            )
        elif abs(change) > LOSS_LIMIT:
            found.append(
                Finding(
                    "caution",
                    "decimals",
                    f"{what} becomes {after.text}, {100 * change:+.1f} %, with {places}; "
                    "another notation or span would keep it.",
                )
            )
    if typed.language.registers:
        entries = [(row.label, row.value) for row in typed.rows if row.decimals]
        found += register_findings(typed.language.registers, entries)
    return tuple(found)
