"""What is described between the controller and the plant: speed map, drive and gauges."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise
from typing import Literal

from chamberctl.physics.instruments import pump_speed
from chamberctl.study.fields import (
    Part,
    choice,
    pairs,
    quantities_list,
    quantity,
    specs,
    whole,
    words,
)

AFTER = "after "
"""How the position of a gauge behind a part of the line begins."""


class SpeedMap(Part):
    """What the controller's output does to each pump, piecewise linear."""

    output: tuple[float, ...] = quantities_list(
        "speed", "%", "points of the controller's output, rising", "0 %", "100 %", least=2,
        default=("0 %", "100 %"), source="straight to rated speed",
    )  # fmt: skip
    booster: tuple[float, ...] | None = quantities_list(
        "fraction", "%", "booster speed at these points, fraction of its rated speed", "0 %",
        "150 %", least=2, default=None, source="needed with a booster",
    )  # fmt: skip
    backing: tuple[float, ...] = quantities_list(
        "fraction", "%", "backing pump speed at these points, fraction of its rated speed", "0 %",
        "150 %", least=2, default=("0 %", "100 %"), source="straight to rated speed",
    )  # fmt: skip

    def contradictions(self) -> Iterator[tuple[str, str]]:
        """Yield lists that do not match or turn back."""
        if any(low >= high for low, high in pairwise(self.output)):
            yield "output", 'points must rise, such as ["0 %", "100 %"]'
        for key in ("booster", "backing"):
            speeds = getattr(self, key)
            if speeds is None:
                continue
            if len(speeds) != len(self.output):
                yield key, f"needs one speed for each of the {len(self.output)} points of output"
            elif any(low > high for low, high in pairwise(speeds)):
                yield (
                    key,
                    "speeds must not fall while the output rises: such a loop has the wrong sign; "
                    "turn the signal round in the drive, and the speeds here",
                )
        ends = [speeds for speeds in (self.booster, self.backing) if speeds]
        if all(speeds[0] == speeds[-1] for speeds in ends):
            yield "backing", "no pump follows the output; at least one speed must rise with it"

    def backing_speed(self, output: float) -> float:
        """Return the backing pump's speed at an output, both fractions of rated [-]."""
        return float(pump_speed(output, self.output, self.backing))


class Drive(Part):
    """The variable-speed drive."""

    rated_hz: float | None = quantity(
        "frequency", "Hz", "what 100 % speed is on the drive, in Hz or rpm", "1 Hz", "2 kHz",
        default=None, key="rated", source="needed",
    )  # fmt: skip
    rated_rpm: float | None = quantity(
        "rotation", "rpm", "what 100 % speed is on the drive, in Hz or rpm", "10 rpm", "1e5 rpm",
        default=None, key="rated", source="needed",
    )  # fmt: skip
    minimum_speed: float = quantity("speed", "%", "slowest continuous speed", "1 %", "100 %")
    minimum_reason: str = words("why not slower: cooling, lubrication, dilution flow ...")
    maximum_speed: float = quantity(
        "speed", "%", "fastest allowed continuous speed", "1 %", "100 %", default="100 %",
        source="rated speed",
    )  # fmt: skip
    rise_time_s: float = quantity("time", "s", "ramp from standstill to rated speed", "0 s", "1 h")
    fall_time_s: float = quantity("time", "s", "ramp from rated speed to standstill", "0 s", "1 h")
    lag_s: float = quantity(
        "time", "s", "time constant of the speed after the ramp", "0 s", "600 s", default="0 s",
        source="assumed, because ramps are slower than the drive's own control",
    )  # fmt: skip
    dead_time_s: float = quantity(
        "time", "s", "delay from command to first change of speed", "0 s", "600 s", default="0 s",
        source="assumed, because a wired command acts within a scan; buses and gateways do not",
    )  # fmt: skip
    resolution: float = quantity(
        "speed", "%", "smallest step of the speed command, of rated", "0 %", "10 %",
        default="0 %", source="assumed, because most commands are finer than 0.1 %",
    )  # fmt: skip
    avoid_bands: tuple[tuple[float, float], ...] = pairs(
        ("speed", "speed"), ("%", "%"), "bands of speed the drive skips (resonances)", default=(),
        shown="none", source="user data; no band is assumed",
    )  # fmt: skip
    second_ramp_s: float = quantity(
        "time", "s", "a second ramp, in the controller or another device, 0 to rated", "0 s", "1 h",
        default="0 s", source="assumed, because one ramp is the rule",
    )  # fmt: skip

    def contradictions(self) -> Iterator[tuple[str, str]]:
        """Yield limits that leave no speed to run at."""
        if (self.rated_hz is None) == (self.rated_rpm is None):
            yield "rated", 'give it once, as rated = "50 Hz" or rated = "3000 rpm"'
        if self.minimum_speed >= self.maximum_speed:
            yield "minimum_speed", "must be below maximum_speed"
        for low, high in self.avoid_bands:
            if not 0.0 <= low < high <= 1.0:
                yield "avoid_bands", "each band goes from its lower to its upper edge, 0 to 100 %"
        bands = sorted(self.avoid_bands)
        if any(first[1] > second[0] for first, second in pairwise(bands)):
            yield "avoid_bands", "bands overlap; join them into one"


class Gauge(Part):
    """One pressure gauge."""

    tag: str = words("the gauge's tag, such as PT-101", required=True)
    kind: Literal["capacitance", "thermal", "other"] = choice(
        ("capacitance", "thermal", "other"), "principle of the gauge"
    )
    position: str = choice(
        ("chamber", "pump inlet", "interstage"),
        "where the gauge sits; 'after NAME' is behind the line part of that name",
        or_begins=AFTER,
    )  # fmt: skip
    range_low_pa: float = quantity(
        "pressure", "mbar", "lowest pressure of its range", "1e-6 Pa", "1 bar"
    )
    range_high_pa: float = quantity(
        "pressure", "mbar", "highest pressure of its range", "1e-3 Pa", "2 bar"
    )
    signal: Literal["linear", "log"] = choice(
        ("linear", "log"), "whether the signal is proportional to the pressure or to its logarithm"
    )
    bits: int | None = whole(
        "resolution of the converter in bits", 4, 32, default=None, shown="not counted",
        source="assumed finer than the noise",
    )  # fmt: skip
    noise: float = quantity(
        "fraction", "%", "standard deviation of the reading, of reading", "0 %", "50 %",
        default="0 %", source="assumed, because it is only known from a trend at constant pressure",
    )  # fmt: skip
    lag_s: float = quantity(
        "time", "s", "time constant of the gauge and its filter", "0 s", "600 s", default="0 s",
        source="assumed, because gauges answer within 0.1 s where no filter is set (from memory)",
    )  # fmt: skip
    update_period_s: float = quantity(
        "time", "s", "period in which the gauge renews its signal; counts as delay", "0 s", "60 s",
        default="0 s", source="assumed, because an analog signal is continuous",
    )  # fmt: skip
    dead_time_s: float = quantity(
        "time", "s", "delay of the reading, for example through a bus", "0 s", "600 s",
        default="0 s", source="assumed, because a wired signal has none",
    )  # fmt: skip
    gas_factor: float = quantity(
        "number", "", "true pressure = factor x indicated pressure", "0.05", "20", default="1",
        source="gauge calibrated for this gas, or independent of the gas",
    )  # fmt: skip
    head_temperature_k: float | None = quantity(
        "temperature", "degC", "temperature of a heated gauge head; at low pressure the head then "
        "holds a higher pressure than the chamber", "200 K", "700 K", default=None,
        shown="the chamber's", source="assumed not heated",
    )  # fmt: skip
    tube_bore_m: float = quantity(
        "length", "mm", "inner diameter of the tube to a heated head", "0.5 mm", "0.5 m",
        default="4 mm", source="assumed, because small heads have bores near it (from memory)",
    )  # fmt: skip
    fails_to: Literal["zero", "full scale", "last value", "unknown"] = choice(
        ("unknown", "zero", "full scale", "last value"), "what the gauge sends when it fails",
        default="unknown", source="not known until it is tried or read in the gauge's manual",
    )  # fmt: skip

    def contradictions(self) -> Iterator[tuple[str, str]]:
        """Yield a range without extent and an empty tag."""
        if not self.tag.strip():
            yield "tag", 'must not be empty, such as "PT-101"'
        if self.range_low_pa >= self.range_high_pa:
            yield "range_low", "must be below range_high"
        if not specs(Gauge)["position"].allows(self.position):
            yield "position", "must be 'chamber', 'pump inlet', 'interstage' or 'after NAME'"

    def without_effect(self) -> Iterator[str]:
        """Yield the tube of a head that is not heated."""
        if self.head_temperature_k is None:
            yield "tube_bore"
