"""The rows of numbers on a controller's panel, one function each, in numbers of its language."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from chamberctl.control.conversions import (
    SECONDS,
    FormError,
    Pid,
    integral_number,
    parallel_from_ideal,
    proportional_band,
)

if TYPE_CHECKING:
    from chamberctl.control.controller import PidSettings
    from chamberctl.control.language import Language

SAME_AS_TI = "same as Ti"
OFF = "off"


@dataclass(frozen=True)
class TypedValue:
    """One setting as it is typed in.

    Parameters
    ----------
    key : str
        The law's symbol that it stands for: "Kc", "Ti", "Td", "Tfd", "Tf", "b", "c", "Tt",
        "output_min", "output_max".
    label, text, unit, meaning : str
        The panel's name, the number as typed (or "off", "same as Ti"), its unit, and in words.
    value : float
        The number; inf for a cut-off or ratio that is off, nan where it repeats another one.
    decimals : str
        The entry of the controller's decimals that rounds it; "" for none.
    scale : float
        Integer in a register that stands for 1 of the unit; 1 for a number typed as it is.
    """

    key: str
    label: str
    text: str
    value: float
    unit: str
    meaning: str
    decimals: str = ""
    scale: float = 1.0

    @property
    def number(self) -> float:
        """The number in its unit, whatever the register holds."""
        return self.value / self.scale

    @property
    def shown_unit(self) -> str:
        """The unit of what is typed in, such as "%/% x 100" for a register."""
        return self.unit if self.scale == 1.0 else f"{self.unit} x {self.scale:g}".strip()


def gain_row(words: Language, gain: float) -> TypedValue:
    """Return the row of a gain [SI]."""
    number = gain * words.gain_factor
    if words.gain_as == "proportional band":
        band = proportional_band(number)
        meaning = "percent of the reading's span that moves the output over its whole span"
        return TypedValue("Kc", "Proportional band", repr(band), band, "%", meaning, "gain")
    if words.gain_as == "engineering":
        percent = " of rated speed" if words.output_unit == "%" else ""
        meaning = f"{words.output_unit}{percent} of output per {words.reading_step} of reading"
    else:
        meaning = "percent of the output's span per percent of the reading's span"
    label = {"ideal": "Gain", "series": "Gain (series)", "parallel": "Proportional gain Kp"}
    return TypedValue(
        "Kc", label[words.form], repr(number), number, words.gain_unit, meaning, "gain"
    )


def integral_row(words: Language, pid: Pid) -> TypedValue:
    """Return the row of the integral action of a PID in the controller's form."""
    notation = words.integral_as
    if words.form == "parallel":
        gains = parallel_from_ideal(pid.gain * words.gain_factor, pid.ti_s, pid.td_s)
        number = gains.ki * SECONDS[notation]
        per = "min" if SECONDS[notation] == 60.0 else "s"
        meaning = "output per reading's deviation and time; 0 switches it off"
        unit = f"{words.gain_unit}/{per}"
        return TypedValue("Ti", "Integral gain Ki", repr(number), number, unit, meaning, "integral")
    if notation.startswith("repeats"):
        number = integral_number(pid.ti_s, notation)
        meaning = "how often integral action repeats the proportional step; 0 switches it off"
        unit = f"repeats/{'min' if notation.endswith('minute') else 's'}"
        return TypedValue("Ti", "Integral action", repr(number), number, unit, meaning, "integral")
    if math.isinf(pid.ti_s):
        raise FormError(
            "a loop without integral action has no integral time that can be typed in; take "
            "repeats per minute or the parallel form, where 0 switches it off"
        )
    number = integral_number(pid.ti_s, notation)
    meaning = "time in which integral action repeats the proportional step"
    label = "Integral time (series)" if words.form == "series" else "Integral time"
    return TypedValue("Ti", label, repr(number), number, notation, meaning, "integral")


def derivative_row(words: Language, pid: Pid) -> TypedValue:
    """Return the row of the derivative action of a PID in the controller's form."""
    unit = words.derivative_as
    number = pid.td_s / SECONDS[unit]
    if words.form == "parallel":
        gains = parallel_from_ideal(pid.gain * words.gain_factor, pid.ti_s, pid.td_s)
        number = gains.kd / SECONDS[unit]
        meaning = "output per rate of change of the reading; 0 switches it off"
        label, unit = "Derivative gain Kd", f"{words.gain_unit} {unit}"
    else:
        meaning = "derivative time; 0 switches it off"
        label = "Derivative time (series)" if words.form == "series" else "Derivative time"
    return TypedValue("Td", label, repr(number), number, unit, meaning, "derivative")


def filter_row(words: Language, key: str, filter_s: float, td_s: float) -> TypedValue:
    """Return the row of a filter; `td_s` is the derivative time of the controller's own form."""
    label = "Derivative filter" if key == "Tfd" else "Filter of the reading"
    if words.filter_as == "cut-off":
        number = 1.0 / (2.0 * math.pi * filter_s) if filter_s > 0 else math.inf
        unit, meaning = "Hz", "frequency 1/(2 pi T) above which the filter acts; or off"
    elif words.filter_as == "ratio" and key == "Tfd":
        number = td_s / filter_s if filter_s > 0 else math.inf
        unit, meaning = "", "ratio of derivative time to filter time; or off"
    else:
        number, unit, meaning = filter_s, "s", "time constant; 0 switches it off"
    text = OFF if math.isinf(number) else repr(number)
    return TypedValue(key, label, text, number, unit, meaning, "filter")


def filter_time(row: TypedValue, td_s: float) -> float:
    """Return the time constant [s] that a filter's row means; inverse of `filter_row`."""
    if row.unit == "s":
        return row.number
    if not row.value > 0:
        raise FormError(
            "a filter as ratio or cut-off must be above 0; write off for none",
            given=row.text,
            field=row.label,
        )
    if row.unit == "Hz":
        return 1.0 / (2.0 * math.pi * row.number)
    return td_s / row.number


def other_rows(words: Language, settings: PidSettings) -> tuple[TypedValue, ...]:
    """Return the rows that no form changes: weights, tracking time and output limits."""
    if settings.tt_s is None or settings.tt_s == settings.ti_s:
        tracking = (SAME_AS_TI, math.nan)
    else:
        tracking = (OFF if math.isinf(settings.tt_s) else repr(settings.tt_s), settings.tt_s)
    limits = [
        TypedValue(
            key,
            f"Output limit, {word}",
            f"{value * words.output_per_fraction:.6g}",
            value * words.output_per_fraction,
            words.output_unit,
            f"{word} output that the controller may send",
        )
        for key, word, value in (
            ("output_min", "lowest", settings.output_min),
            ("output_max", "highest", settings.output_max),
        )
    ]
    return (
        TypedValue(
            "b",
            "Setpoint weight",
            f"{settings.b:g}",
            settings.b,
            "",
            "share of a setpoint change that proportional action sees",
        ),
        TypedValue(
            "c",
            "Setpoint weight of derivative",
            f"{settings.c:g}",
            settings.c,
            "",
            "0: derivative acts on the reading alone",
        ),
        TypedValue(
            "Tt",
            "Tracking time (anti-windup)",
            *tracking,
            "s",
            "how fast the integral follows a limited output",
            "integral",
        ),
        ramp_row(words, settings.setpoint_ramp_per_s),
        *limits,
    )


def ramp_row(words: Language, ramp_per_s: float) -> TypedValue:
    """Return the row of the setpoint's ramp, per minute in the reading's own unit."""
    number = 60.0 * ramp_per_s / words.ramp_step
    text = OFF if math.isinf(number) else repr(number)
    return TypedValue(
        "ramp",
        "Setpoint ramp",
        text,
        number,
        f"{'decades' if words.reading == 'log10' else words.reading_unit}/min",
        "how fast the setpoint moves to what is typed in; or off",
        "filter",
    )


def ramp_per_s(row: TypedValue, words: Language) -> float:
    """Return the ramp [decades/s or Pa/s] that a row means; inverse of `ramp_row`."""
    if not row.value > 0:
        raise FormError(
            "a setpoint ramp must be above 0; write off for none", given=row.text, field=row.label
        )
    return row.number * words.ramp_step / 60.0
