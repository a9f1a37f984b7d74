"""One set of settings in every common notation side by side, and what goes with handing it over."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from chamberctl.control.conversions import (
    SECONDS,
    FormError,
    integral_number,
    proportional_band,
    series_from_ideal,
)
from chamberctl.control.forms import TypedSettings, language, to_typed
from chamberctl.findings import Finding

if TYPE_CHECKING:
    from chamberctl.control.controller import PidSettings
    from chamberctl.control.language import Language
    from chamberctl.plant.point import OperatingPoint
    from chamberctl.study import Controller, Drive

__all__ = ["Notation", "Notations", "all_notations", "manual_check", "respan"]

TEST_STEP = 0.03
SETTLED = 4.0


@dataclass(frozen=True)
class Notation:
    """One number in one notation.

    Parameters
    ----------
    group : {"gain", "integral", "derivative", "filter", "series form"}
    label, unit, text : str
        Name, unit and the number with three digits, or why there is none.
    value : float
        The number in full; inf for "off", nan where the notation cannot express it.
    """

    group: str
    label: str
    value: float
    unit: str
    text: str


@dataclass(frozen=True)
class Notations:
    """All notations of one set of settings, the spans they hold for, and notes."""

    rows: tuple[Notation, ...]
    reading_span: str
    output_span: str
    notes: tuple[Finding, ...]

    def value(self, group: str, unit: str) -> float:
        """Return the number of the first row of a group with a unit."""
        return next(row.value for row in self.rows if (row.group, row.unit) == (group, unit))


def all_notations(settings: PidSettings, controller: Controller, drive: Drive) -> Notations:
    """Return settings in every common notation, each with its unit.

    Parameters
    ----------
    settings : PidSettings
        The law's settings [SI].
    controller, drive : Controller, Drive
        The study's controller (its spans and units) and drive (rated speed).
    """
    words = language(controller, drive)
    units = _gain_units(words, drive)
    rows = [_row("gain", "Gain", settings.kc * factor, unit) for unit, factor in units.items()]
    band = proportional_band(settings.kc * words.span_factor)
    rows.insert(1, _row("gain", "Proportional band", band, "%"))
    for notation in SECONDS:
        unit = notation.replace("repeats per ", "repeats/").replace("second", "s")
        unit = unit.replace("minute", "min")
        label = "Integral action" if notation.startswith("repeats") else "Integral time Ti"
        rows.append(_row("integral", label, integral_number(settings.ti_s, notation), unit))
    for unit, factor in units.items():
        ki = settings.kc * factor / settings.ti_s
        rows.append(_row("integral", "Integral gain Ki", ki, f"{unit}/s"))
        rows.append(_row("integral", "Integral gain Ki", 60.0 * ki, f"{unit}/min"))
    rows.append(_row("derivative", "Derivative time Td", settings.td_s, "s"))
    rows.append(_row("derivative", "Derivative time Td", settings.td_s / 60.0, "min"))
    for unit, factor in units.items():
        kd = settings.kc * factor * settings.td_s
        rows.append(_row("derivative", "Derivative gain Kd", kd, f"{unit} s"))
    rows += _filter_rows(settings)
    rows += _series_rows(settings, words)
    return Notations(
        tuple(rows), words.reading_span_text, words.output_span_text, _notes(settings, words)
    )


def _gain_units(words: Language, drive: Drive) -> dict[str, float]:
    per_reading = 1.0 if words.reading == "log10" else words.pa_per_unit
    units = {"%/%": words.span_factor, f"%/{words.reading_step}": 100.0 * per_reading}
    if drive.rated_hz is not None:
        units[f"Hz/{words.reading_step}"] = drive.rated_hz * per_reading
    if drive.rated_rpm is not None:
        units[f"rpm/{words.reading_step}"] = drive.rated_rpm * per_reading
    return units


def _row(group: str, label: str, value: float, unit: str) -> Notation:
    return Notation(group, label, value, unit, _three_digits(value))


def _three_digits(value: float) -> str:
    if math.isinf(value):
        return "off"
    return f"{value:#.3g}".rstrip(".") if value else "0"


def _filter_rows(settings: PidSettings) -> list[Notation]:
    def cut_off(time_s: float) -> float:
        return 1.0 / (2.0 * math.pi * time_s) if time_s > 0 else math.inf

    ratio = settings.td_s / settings.tfd_s if settings.tfd_s > 0 else math.inf
    return [
        _row("filter", "Filter of the reading, time", settings.tf_s, "s"),
        _row("filter", "Filter of the reading, cut-off", cut_off(settings.tf_s), "Hz"),
        _row("filter", "Derivative filter, time", settings.tfd_s, "s"),
        _row("filter", "Derivative filter, cut-off", cut_off(settings.tfd_s), "Hz"),
        _row("filter", "Derivative filter, ratio N", ratio, "Td/Tf"),
    ]


def _series_rows(settings: PidSettings, words: Language) -> list[Notation]:
    gain = settings.kc * words.span_factor
    try:
        pid = series_from_ideal(gain, settings.ti_s, settings.td_s, settings.tfd_s)
    except FormError as refusal:
        return [Notation("series form", "none", math.nan, "", refusal.first.remedy)]
    return [
        _row("series form", "Gain", pid.gain, "%/%"),
        _row("series form", "Integral time", pid.ti_s, "s"),
        _row("series form", "Derivative time", pid.td_s, "s"),
    ]


def _notes(settings: PidSettings, words: Language) -> tuple[Finding, ...]:
    notes = [
        Finding(
            "note",
            "spans",
            f"%/% and the proportional band hold for a reading of {words.reading_span_text} and an "
            f"output of {words.output_span_text} only. If a span is changed, the gain must be "
            "changed together with it.",
        ),
        Finding(
            "note",
            "form",
            "In the ideal and series forms the gain acts on all terms; in the parallel form Kp "
            "acts on the proportional term alone, Ki and Kd are gains of their own.",
        ),
    ]
    if settings.td_s > 0 and settings.b > 0:
        notes.append(
            Finding(
                "note",
                "series form",
                "A series controller whose derivative sees the reading alone shows the setpoint "
                "the gain of the series form; its setpoint steps are softer. Margins are the same.",
            )
        )
    return tuple(notes)


def respan(
    settings: PidSettings, before: Controller, after: Controller, drive: Drive
) -> tuple[TypedSettings, Finding]:
    """Return the same settings for changed spans, and the note that has to go with them.

    Parameters
    ----------
    settings : PidSettings
        The law's settings [SI]; they stay as they are.
    before, after : Controller
        The controller with its spans before and after the change.
    drive : Drive
        The study's drive.

    Returns
    -------
    TypedSettings
        Settings to type in with the new span.
    Finding
        Caution with both gains in %/% and both proportional bands.
    """
    old, new = language(before, drive), language(after, drive)
    gains = [settings.kc * words.span_factor for words in (old, new)]
    first, second = (
        f"{_three_digits(gain)} %/% (proportional band {_three_digits(proportional_band(gain))} %)"
        for gain in gains
    )
    factor = max(gains[1] / gains[0], gains[0] / gains[1])
    text = (
        f"The span must be changed together with the gain, in manual: reading "
        f"{old.reading_span_text} and output {old.output_span_text} with {first}; reading "
        f"{new.reading_span_text} and output {new.output_span_text} with {second}. Changing one "
        f"alone makes the loop's gain wrong by a factor of {_three_digits(factor)}."
    )
    return to_typed(settings, after, drive), Finding("caution", "spans", text)


def manual_check(
    words: Language, point: OperatingPoint, output_min: float, output_max: float
) -> tuple[str, ...]:
    """Return the steps that prove the loop's sign before it is switched to automatic.

    Parameters
    ----------
    words : Language
        The controller's language.
    point : OperatingPoint
        Where the check is made.
    output_min, output_max : float
        Output limits [speed fraction].

    Returns
    -------
    tuple of str
        Steps in order, with the direction and size of the reading's expected answer.
    """
    up = point.speed + TEST_STEP <= output_max
    step = min(TEST_STEP, output_max - point.speed if up else point.speed - output_min)
    target = point.speed + (step if up else -step)
    decades = point.gain_decades_per_fraction * (target - point.speed)
    expected_pa = point.indicated_pa * 10.0**decades
    speeds = [f"{_output(words, speed)}" for speed in (point.speed, target)]
    readings = [f"{_reading(words, value)}" for value in (point.indicated_pa, expected_pa)]
    size = f"{abs(100.0 * (10.0**decades - 1.0)):.1f} %"
    if words.reading == "log10":
        size += f" or {abs(decades):.3f} decades"
    wait = _three_digits(SETTLED * point.time_constant_s)
    move, way = ("Raise", "FALL") if up else ("Lower", "RISE")
    return (
        "The words direct and reverse mean opposite things on different controllers; go by the "
        "sentence and by this check alone.",
        "Have permission, a safe range, a stop criterion and somebody at the machine; write down "
        "the values found.",
        f"Controller in manual, output {speeds[0]}, reading steady near {readings[0]}. {move} the "
        f"output to {speeds[1]} and wait {wait} s. The reading must {way} by about {size}, to "
        f"about {readings[1]}. If it goes the other way or does not move, stop: look for an "
        "inverted signal, a wrong scale or a closed valve.",
        "Put the output back and let the reading settle. Set the setpoint a little BELOW the "
        "reading (pressure above setpoint) and switch to automatic: the output must begin to go "
        "UP. If it goes down, back to manual at once and turn the controller's action round.",
    )


def _output(words: Language, speed: float) -> str:
    text = f"{_three_digits(speed * words.output_per_fraction)} {words.output_unit}"
    return text if words.output_unit == "%" else f"{text} ({_three_digits(100 * speed)} % of rated)"


def _reading(words: Language, pressure_pa: float) -> str:
    return f"{_three_digits(pressure_pa / words.pa_per_unit)} {words.reading_unit}"
