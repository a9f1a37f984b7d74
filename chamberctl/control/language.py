"""A controller's own language, and the rows of numbers that stand on its panel.

A bare gain says nothing: spans, units, form and notation hide inside it. A `Language` holds them,
and the functions here write one row each, in numbers of that language.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from chamberctl import quantities
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
    from chamberctl.study import Controller, Drive

SAME_AS_TI = "same as Ti"
OFF = "off"


@dataclass(frozen=True)
class Language:
    """How one controller writes its settings.

    Parameters
    ----------
    form : {"ideal", "parallel", "series"}
    gain_as : {"gain", "proportional band", "engineering"}
        Percent of output span per percent of reading span, its reciprocal, or with units.
    integral_as, derivative_as, filter_as : str
        As in the study's controller table.
    reading : {"log10", "linear"}
    reading_unit : str
        Unit of pressure; a log10 reading is in decades of it.
    reading_low_pa, reading_high_pa : float
        Span of the reading [Pa].
    output_unit : {"%", "Hz", "rpm"}
        Unit of an engineering gain and of the output limits; % is percent of rated speed.
    output_low, output_high : float
        Span of the output [fraction of rated speed].
    output_per_fraction, pa_per_unit : float
        Output units in rated speed; Pa in one unit of pressure.
    decimals : mapping
        Decimals of "gain", "integral", "derivative" and "filter".
    """

    form: Literal["ideal", "parallel", "series"]
    gain_as: str
    integral_as: str
    derivative_as: str
    filter_as: str
    reading: Literal["log10", "linear"]
    reading_unit: str
    reading_low_pa: float
    reading_high_pa: float
    output_unit: str
    output_low: float
    output_high: float
    output_per_fraction: float
    pa_per_unit: float
    decimals: Mapping[str, int]

    @property
    def reading_span(self) -> float:
        """Width of the reading's span [decades or Pa]."""
        if self.reading == "log10":
            return math.log10(self.reading_high_pa / self.reading_low_pa)
        return self.reading_high_pa - self.reading_low_pa

    @property
    def span_factor(self) -> float:
        """Percent of output span per percent of reading span in one fraction per decade or Pa."""
        return self.reading_span / (self.output_high - self.output_low)

    @property
    def gain_factor(self) -> float:
        """The gain's number (that of a proportional band's reciprocal) in one SI unit of gain."""
        if self.gain_as == "engineering":
            per_reading = 1.0 if self.reading == "log10" else self.pa_per_unit
            return self.output_per_fraction * per_reading
        return self.span_factor

    @property
    def gain_unit(self) -> str:
        """Unit of a gain (Kp, and inside Ki and Kd)."""
        if self.gain_as == "engineering":
            return f"{self.output_unit}/{self.reading_step}"
        return "%/%"

    @property
    def reading_step(self) -> str:
        """Unit in which the controller counts its reading."""
        return "decade" if self.reading == "log10" else self.reading_unit

    @property
    def ramp_step(self) -> float:
        """Unit in which the controller counts its reading [decades or Pa]."""
        return 1.0 if self.reading == "log10" else self.pa_per_unit

    @property
    def reading_span_text(self) -> str:
        """The reading's span in words."""
        low, high = (
            f"{p / self.pa_per_unit:.6g}" for p in (self.reading_low_pa, self.reading_high_pa)
        )
        if self.reading == "log10":
            return f"{low} to {high} {self.reading_unit} (log10: {self.reading_span:.4g} decades)"
        return f"{low} to {high} {self.reading_unit} (linear)"

    @property
    def output_span_text(self) -> str:
        """The output's span in words."""
        low, high = (
            f"{n * self.output_per_fraction:.6g}" for n in (self.output_low, self.output_high)
        )
        return f"{low} to {high} {self.output_unit}"


def language(controller: Controller, drive: Drive) -> Language:
    """Return the language of a study's controller.

    Parameters
    ----------
    controller : Controller
        The study's controller table.
    drive : Drive
        The study's drive; it says what rated speed is in Hz or rpm.

    Raises
    ------
    FormError
        If a unit needs what the study does not hold, or a span is empty.
    """
    if controller.reading_high_pa <= controller.reading_low_pa:
        raise FormError("the reading's span is empty; its high end must lie above its low end")
    if controller.reading == "log10" and controller.reading_low_pa <= 0:
        raise FormError(
            "a log10 reading needs a span whose low end is above 0; give the lowest pressure of "
            "the signal",
            given=f"reading low {controller.reading_low_pa:g} Pa",
        )
    if controller.output_high <= controller.output_low:
        raise FormError("the output's span is empty; its high end must lie above its low end")
    return Language(
        form=controller.form,
        gain_as=controller.gain_as,
        integral_as=controller.integral_as,
        derivative_as=controller.derivative_as,
        filter_as=controller.filter_as,
        reading=controller.reading,
        reading_unit=controller.reading_unit,
        reading_low_pa=controller.reading_low_pa,
        reading_high_pa=controller.reading_high_pa,
        output_unit=controller.output_unit,
        output_low=controller.output_low,
        output_high=controller.output_high,
        output_per_fraction=_output_per_fraction(controller.output_unit, drive),
        pa_per_unit=quantities.unit_factor(controller.reading_unit, "pressure"),
        decimals={
            part: getattr(controller.decimals, part)
            for part in ("gain", "integral", "derivative", "filter")
        },
    )


def _output_per_fraction(unit: str, drive: Drive) -> float:
    if unit == "%":
        return 100.0
    rated = drive.rated_hz if unit == "Hz" else drive.rated_rpm
    if rated is None:
        raise FormError(
            f"the output is in {unit}, but the drive's rated speed is not given in {unit}; "
            "give it there, or take the output in %",
            given=unit,
        )
    return rated


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
    """

    key: str
    label: str
    text: str
    value: float
    unit: str
    meaning: str
    decimals: str = ""


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
        return row.value
    if not row.value > 0:
        raise FormError(
            "a filter as ratio or cut-off must be above 0; write off for none",
            given=row.text,
            field=row.label,
        )
    if row.unit == "Hz":
        return 1.0 / (2.0 * math.pi * row.value)
    return td_s / row.value


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
    return row.value * words.ramp_step / 60.0
