"""A controller's own language: all that hides inside a bare gain.

Spans, units, form and notation are in it; the rows of its panel are written by `panel`.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from chamberctl import quantities
from chamberctl.control.conversions import FormError
from chamberctl.control.registers import PARTS, Registers, registers_of

if TYPE_CHECKING:
    from chamberctl.study import Controller, Drive


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
    registers : Registers or None
        Whole numbers that the controller takes instead.
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
    registers: Registers | None = None

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
        decimals={part: getattr(controller.decimals, part) for part in PARTS},
        registers=registers_of(controller.integers),
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
