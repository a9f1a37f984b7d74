"""What is described of the job and of the controller: duty, limits, form, spans and habits."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, Literal

from chamberctl.quantities import DIMENSIONS
from chamberctl.study.fields import (
    Part,
    choice,
    part,
    parts,
    quantities_list,
    quantity,
    table,
    whole,
    words,
)

PRACTICE = "common practice"


class Hold(Part):
    """A pressure to hold, as read at the loop's gauge, and the gas flows it is held against."""

    setpoint_pa: float = quantity(
        "pressure", "mbar", "indicated pressure as typed into the controller", "1e-3 Pa",
        "1100 mbar",
    )  # fmt: skip
    gas_loads_pa_m3_s: tuple[float, ...] = quantities_list(
        "throughput", "mbar L/s", "metered gas flows into the chamber, without leakage",
        "0 mbar L/s", "1e6 mbar L/s",
    )  # fmt: skip


_JUDGED = "no limit is built in; the simulated scenarios are judged by it where it is given"


def _limit(dimension: str, unit: str, help: str, low: str, high: str, key: str = "") -> Any:
    """Declare a limit on what a scenario shows."""
    return quantity(
        dimension, unit, help, low, high, default=None, shown="not asked", source=_JUDGED, key=key
    )


class Limits(Part):
    """Margins the loop must keep at every point of the duty, and limits on its real days."""

    ms: float = quantity(
        "number", "", "highest peak of the sensitivity, Ms", "1.05", "10", default="2",
        source="1.2 to 2.0 is usual: Astrom and Hagglund, PID Controllers (1995), from memory",
    )  # fmt: skip
    gain_margin: float | None = quantity(
        "number", "", "smallest gain margin, as a factor", "1", "100", default=None,
        shown="not asked", source="Ms bounds it: at least Ms/(Ms - 1)",
    )  # fmt: skip
    phase_margin_deg: float | None = quantity(
        "angle", "deg", "smallest phase margin", "0 deg", "180 deg", default=None,
        shown="not asked", source="Ms bounds it: at least 2 asin(1/(2 Ms))",
    )  # fmt: skip
    delay_margin_s: float | None = quantity(
        "time", "s", "smallest extra dead time the loop must survive", "0 s", "1 h", default=None,
        shown="not asked", source="known only from the plant",
    )  # fmt: skip
    disk_margin: float | None = quantity(
        "number", "", "smallest disk margin, for gain and phase changing together", "0.01", "1.99",
        default=None, shown="not asked", source="Ms bounds it: at least 2 (Ms - 1)/(Ms + 1)",
    )  # fmt: skip
    noise_gain: float | None = quantity(
        "number", "", "largest change of speed by noise, in % of rated speed per % of the reading",
        "1e-3", "1e4", default=None, shown="not asked", source="known only from the drive",
    )  # fmt: skip
    overshoot: float | None = _limit(
        "fraction", "%", "highest overshoot, of setpoint", "0 %", "10000 %"
    )
    undershoot: float | None = _limit(
        "fraction", "%", "deepest undershoot, of setpoint", "0 %", "100 %"
    )
    peak_deviation: float | None = _limit(
        "fraction", "%", "largest deviation to either side, of setpoint", "0 %", "10000 %"
    )
    settling_s: float | None = _limit(
        "time", "s", "longest time to the last exit from the hold band", "0 s", "24 h"
    )
    recovery_s: float | None = _limit(
        "time", "s", "longest time from the peak to the last exit from the band", "0 s", "24 h"
    )
    time_in_band: float | None = _limit(
        "fraction", "%", "smallest share of the time within the hold band", "0 %", "100 %"
    )
    drive_travel_per_h: float | None = _limit(
        "number", "", "longest way of the speed, in rated speeds per hour", "0", "1e6"
    )
    booster_difference_pa: float | None = _limit(
        "pressure", "mbar", "largest pressure difference across the booster, at any time", "1 Pa",
        "1100 mbar",
    )  # fmt: skip


class Duty(Part):
    """What the loop is for."""

    holds: tuple[Hold, ...] = parts("pressures to hold", key="hold", least=1)
    hold_band: float = quantity(
        "fraction", "%", "half width of the allowed band around the setpoint, of setpoint",
        "0.01 %", "100 %",
    )  # fmt: skip
    said_by: str = words("who says so: recipe, specification or person")
    gas_load_step: float = quantity(
        "fraction", "%", "change of gas flow the responses are shown for", "0 %", "100 %",
        default="20 %", source="assumed, because recipes step flows by about a fifth",
    )  # fmt: skip
    setpoint_step: float = quantity(
        "fraction", "%", "change of setpoint the responses are shown for", "0.1 %", "100 %",
        default="10 %", source="assumed, because it stays near the point the model holds for",
    )  # fmt: skip
    minimum_controllable_pressure_pa: float | None = quantity(
        "pressure", "mbar", "true pressure in the chamber below which the plant is known not to be "
        "controllable, whatever the model says", "1e-3 Pa", "1 bar", default=None, shown="none",
        source="known only from the plant",
    )  # fmt: skip
    minimum_controllable_reason: str = words("how that is known")
    limits: Limits = part("margins to keep", default=Limits(), source="Ms only")


class Decimals(Part):
    """Digits behind the point that the controller takes."""

    gain: int = whole("decimals of the gain", 0, 9, default=3, source=PRACTICE)
    integral: int = whole("decimals of the integral time", 0, 9, default=2, source=PRACTICE)
    derivative: int = whole("decimals of the derivative time", 0, 9, default=2, source=PRACTICE)
    filter: int = whole("decimals of the filter", 0, 9, default=2, source=PRACTICE)


class Integers(Part):
    """Whole numbers in registers, in which the controller takes its settings, as over a bus."""

    kind: Literal["int16", "uint16", "int32", "uint32"] = choice(
        ("int16", "uint16", "int32", "uint32"), "type of the registers, signed or not"
    )
    gain: float = quantity(
        "number", "", "integer that stands for a gain (or a proportional band) of 1", "1e-3", "1e9",
        default="1", source="the number itself",
    )  # fmt: skip
    integral: float = quantity(
        "number", "", "integer that stands for an integral time (or integral action) of 1", "1e-3",
        "1e9", default="1", source="the number itself",
    )  # fmt: skip
    derivative: float = quantity(
        "number", "", "integer that stands for a derivative time of 1", "1e-3", "1e9", default="1",
        source="the number itself",
    )  # fmt: skip
    filter: float = quantity(
        "number", "", "integer that stands for a filter of 1", "1e-3", "1e9", default="1",
        source="the number itself",
    )  # fmt: skip


class Controller(Part):
    """The controller's own language and habits."""

    tag: str = words("the loop's tag, such as PIC-101", default="PIC-1",
                     source="letters after ISA-5.1, number assumed")  # fmt: skip
    gauge: str = words("tag of the gauge the loop reads", required=True)
    reading: Literal["log10", "linear"] = choice(
        ("log10", "linear"), "whether the loop works on the logarithm of the pressure or on it"
    )
    form: Literal["ideal", "parallel", "series"] = choice(
        ("ideal", "parallel", "series"), "how the terms of the controller are joined"
    )
    gain_as: Literal["gain", "proportional band", "engineering"] = choice(
        ("gain", "proportional band", "engineering"),
        "gain in % of output per % of reading span, band in %, or output unit per reading unit",
        default="gain", source=PRACTICE,
    )  # fmt: skip
    integral_as: Literal["s", "min", "repeats per minute", "repeats per second"] = choice(
        ("s", "min", "repeats per minute", "repeats per second"), "how integral action is entered",
        default="s", source=PRACTICE,
    )  # fmt: skip
    derivative_as: Literal["s", "min"] = choice(
        ("s", "min"), "how derivative action is entered", default="s", source=PRACTICE
    )
    filter_as: Literal["time", "ratio", "cut-off"] = choice(
        ("time", "ratio", "cut-off"), "how the derivative's filter is entered", default="time",
        source=PRACTICE,
    )  # fmt: skip
    reading_low_pa: float = quantity(
        "pressure", "mbar", "reading at 0 % of the reading's span", "0 Pa", "2 bar"
    )
    reading_high_pa: float = quantity(
        "pressure", "mbar", "reading at 100 % of the reading's span", "1e-6 Pa", "2 bar"
    )
    output_low: float = quantity(
        "speed", "%", "speed at 0 % of the output's span", "0 %", "100 %", default="0 %",
        source="output from standstill to rated speed",
    )  # fmt: skip
    output_high: float = quantity(
        "speed", "%", "speed at 100 % of the output's span", "0 %", "100 %", default="100 %",
        source="output from standstill to rated speed",
    )  # fmt: skip
    output_unit: Literal["%", "Hz", "rpm"] = choice(
        ("%", "Hz", "rpm"), "unit of the output in engineering units", default="%", source=PRACTICE
    )
    reading_unit: str = choice(
        tuple(DIMENSIONS["pressure"].units), "unit of the reading in engineering units",
        default="mbar", source=PRACTICE,
    )  # fmt: skip
    scan_time_s: float = quantity("time", "s", "period of the controller", "1 ms", "10 min")
    computation_delay_s: float | None = quantity(
        "time", "s", "time from reading to output", "0 s", "10 min", default=None,
        shown="one scan time", source="assumed, because outputs are usually written a scan later",
    )  # fmt: skip
    integral: Literal["after", "before", "unknown"] = choice(
        ("after", "before", "unknown"), "whether the integral is renewed after or before its use",
        default="unknown", source="seldom documented; the worse order is reported",
    )  # fmt: skip
    decimals: Decimals = part("digits the controller takes", default=Decimals(), source=PRACTICE)
    integers: Integers | None = part(
        "whole numbers in registers, in place of digits", default=None,
        source="typed in with digits",
    )  # fmt: skip
    output_min: float | None = quantity(
        "speed", "%", "lowest output", "0 %", "100 %", default=None,
        shown="the drive's minimum speed", source="the drive's limit",
    )  # fmt: skip
    output_max: float | None = quantity(
        "speed", "%", "highest output", "0 %", "100 %", default=None,
        shown="the drive's maximum speed", source="the drive's limit",
    )  # fmt: skip
    start_output: float | None = quantity(
        "speed", "%", "output from which the loop starts", "0 %", "100 %", default=None,
        shown="the steady speed of the first hold", source="computed",
    )  # fmt: skip
    switch_pressure_pa: float | None = quantity(
        "pressure", "mbar", "indicated pressure at which the loop is switched to automatic",
        "1e-3 Pa", "1100 mbar", default=None, shown="not stated",
        source="known only from the plant",
    )  # fmt: skip
    bad_reading: Literal[
        "hold output", "go to start output", "go to minimum", "go to maximum"
    ] = choice(
        ("hold output", "go to start output", "go to minimum", "go to maximum"),
        "what the output does when the reading is bad, as the hazard review chose",
        default="hold output", source="assumed until the hazard review says otherwise; with alarm",
    )  # fmt: skip
    rule: Literal["robust", "simc"] = choice(
        ("robust", "simc"), "how settings are found: the most integral action that all plants of "
        "the envelope bear, or the SIMC rule at the hardest duty point", default="robust",
        source="one set of gains has to do for the whole duty, with its tolerances",
    )  # fmt: skip
    pace: Literal["calm", "balanced", "brisk"] = choice(
        ("calm", "balanced", "brisk"), "how briskly the robust settings act: Ms at most 1.4, 1.6 "
        "or 2 over the whole envelope", default="balanced", source=PRACTICE,
    )  # fmt: skip
    pace_ms: float | None = quantity(
        "number", "", "largest Ms of the robust settings over the whole envelope, in place of pace",
        "1.01", "4", default=None, shown="as pace says", source="pace",
    )  # fmt: skip
    terms: Literal["PI", "PID"] = choice(
        ("PI", "PID"), "whether the robust settings use derivative action", default="PI",
        source="derivative action moves the drive with the gauge's noise",
    )  # fmt: skip
    schedule: Literal["none", "reading", "output"] = choice(
        ("none", "reading", "output"), "whether the robust settings may change with the reading or "
        "with the output, in as few entries as leave each duty point half of what it could have "
        "alone",
        default="none",
        source="one set is less to type in and to try; with a log10 reading it costs little",
    )  # fmt: skip
    simc_tau_c_s: float | None = quantity(
        "time", "s", "closed-loop time constant of the rule", "1 ms", "24 h", default=None,
        shown="equal to the dead time of the reduced model",
        source="Skogestad, J. Process Control 13 (2003): tau_c = theta",
    )  # fmt: skip
    settings: dict[str, str] | None = table(
        "settings that a person chose, as typed in the controller, with their name; in place of "
        "those that the rule finds", source="those of the rule",
    )  # fmt: skip
    as_found: dict[str, str] | None = table(
        "settings as they were found, as typed in the controller", source="not recorded"
    )
    as_left: dict[str, str] | None = table(
        "settings as they were left, as typed in the controller", source="not recorded"
    )
    who: str = words("who set it")
    when: str = words("date of the setting, such as 2025-06-30")
    why: str = words("reason of the change")

    def contradictions(self) -> Iterator[tuple[str, str]]:
        """Yield spans without extent and limits that cross."""
        if self.reading_low_pa >= self.reading_high_pa:
            yield "reading_low", "must be below reading_high"
        if self.reading == "log10" and self.reading_low_pa <= 0.0:
            yield "reading_low", "must be above 0 for a log10 reading: 0 has no logarithm"
        if self.schedule != "none" and self.rule != "robust":
            yield "schedule", "a schedule is found for rule = 'robust' only; leave one of them out"
        if self.output_low >= self.output_high:
            yield "output_low", "must be below output_high"
        low = self.output_min if self.output_min is not None else 0.0
        high = self.output_max if self.output_max is not None else 1.0
        if low >= high:
            yield "output_min", "must be below output_max"
        elif self.start_output is not None and not low <= self.start_output <= high:
            yield "start_output", "must lie between output_min and output_max"

    def __hash__(self) -> int:
        return hash(self.model_dump_json())
