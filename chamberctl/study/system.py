"""What is described of the vacuum system: gas, chamber, line, pumps, drive and gauges."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise
from typing import Literal

from chamberctl.study.fields import (
    Part,
    choice,
    pairs,
    part,
    parts,
    quantity,
    words,
)
from chamberctl.study.instruments import Drive, Gauge, SpeedMap

ROOM = "assumed, because most pump rooms are near it"
ABSENT = "assumed, because most systems have none worth counting"

GasName = Literal["N2", "air", "Ar", "He", "H2", "H2O", "CO2", "O2"]


class Gas(Part):
    """The gas that flows."""

    name: GasName = choice(
        ("N2", "air", "Ar", "He", "H2", "H2O", "CO2", "O2"), "gas that makes up most of the flow"
    )


class HotZone(Part):
    """A part of the chamber whose gas has another temperature."""

    volume_m3: float = quantity(
        "volume", "L", "gas volume there, in addition to the chamber's", "1 mL", "10000 m3"
    )
    temperature_k: float = quantity(
        "temperature", "K", "mean temperature of the gas there", "50 K", "3500 K"
    )


class Chamber(Part):
    """The chamber; its volume is the part at its temperature, hot zones come on top."""

    volume_m3: float = quantity("volume", "L", "gas volume of the chamber", "1 mL", "10000 m3")
    temperature_k: float = quantity(
        "temperature", "degC", "mean temperature of the gas in that volume", "50 K", "1500 K",
        default="293.15 K", source=ROOM,
    )  # fmt: skip
    hot_zones: tuple[HotZone, ...] = parts("hot parts of the chamber", key="hot_zone")


class LinePart(Part):
    """One part of the line from the chamber to the pumps."""

    kind: Literal["tube", "orifice", "conductance"] = choice(
        ("tube", "orifice", "conductance"), "what the part is"
    )
    name: str = words("what the part is called on the machine")
    diameter_m: float | None = quantity(
        "length", "mm", "inner diameter of a tube or orifice", "0.1 mm", "5 m", default=None,
        source="only for a tube or an orifice",
    )  # fmt: skip
    length_m: float | None = quantity(
        "length", "m", "length of a tube along its axis", "1 mm", "1000 m", default=None,
        source="only for a tube",
    )  # fmt: skip
    temperature_k: float = quantity(
        "temperature", "degC", "temperature of the gas in the part", "50 K", "1500 K",
        default="293.15 K", source=ROOM,
    )  # fmt: skip
    discharge_coefficient: float = quantity(
        "number", "", "what a choked orifice passes of the ideal flow", "0.3", "1", default="0.85",
        source="assumed, because sharp edges pass 0.8 to 0.9 of the ideal flow (from memory)",
    )  # fmt: skip
    conductance_m3_s: float | None = quantity(
        "volume_flow", "L/s", "fixed conductance: gas flow per pressure difference", "1e-6 L/s",
        "1e6 m3/s", default=None, source="only for a fixed conductance",
    )  # fmt: skip
    volume_m3: float | None = quantity(
        "volume", "L", "gas volume of the part, half of it counted at each end", "0 L", "1000 m3",
        default=None, shown="a tube's from its size, otherwise 0 L", source="geometry",
    )  # fmt: skip

    def contradictions(self) -> Iterator[tuple[str, str]]:
        """Yield what is missing or does not belong to this kind of part."""
        needs = {
            "tube": ("diameter", "length"), "orifice": ("diameter",), "conductance":
            ("conductance",),
        }[self.kind]  # fmt: skip
        for key, attribute, example in (
            ("diameter", "diameter_m", "160 mm"),
            ("length", "length_m", "12 m"),
            ("conductance", "conductance_m3_s", "100 L/s"),
        ):
            given = getattr(self, attribute) is not None
            if key in needs and not given:
                yield key, f'missing: a part of kind "{self.kind}" needs {key} = "{example}"'
            if given and key not in needs:
                yield key, f'does not belong to a part of kind "{self.kind}"; remove it'


class Booster(Part):
    """A booster in front of the backing pump; gap data are for the study's gas."""

    swept_speed_m3_s: float = quantity(
        "volume_flow", "m3/h", "geometric pumping speed at rated speed", "0.01 m3/h", "1e6 m3/h"
    )
    gap_conductance_m3_s: float = quantity(
        "volume_flow", "L/s", "gap leakage per pressure difference, molecular part",
        "0 L/s", "100 m3/s",
    )  # fmt: skip
    gap_conductance_per_pressure_m3_s_pa: float = quantity(
        "conductance_per_pressure", "L/s/mbar", "growth of the gap leakage with the mean pressure",
        "0 L/s/mbar", "1 m3/s/Pa", default="0 L/s/mbar",
        source="assumed, because below about 1 mbar the molecular part rules",
    )  # fmt: skip
    carry_back_speed_m3_s: float = quantity(
        "volume_flow", "L/s", "volume the rotors carry back at rated speed", "0 L/s", "100 m3/s",
        default="0 L/s", source="assumed, because gap leakage rules in most duties",
    )  # fmt: skip
    inlet_volume_m3: float = quantity(
        "volume", "L", "gas volume at the booster's inlet", "0 L", "1000 m3", default="0 L",
        source=ABSENT,
    )  # fmt: skip
    inlet_temperature_k: float = quantity(
        "temperature", "degC", "temperature of the gas at the booster's inlet", "50 K", "1000 K",
        default="293.15 K", source=ROOM,
    )  # fmt: skip
    overflow_difference_pa: float | None = quantity(
        "pressure", "mbar", "pressure difference at which the overflow valve opens", "1 Pa",
        "1 bar", default=None, shown="no overflow valve", source=ABSENT,
    )  # fmt: skip
    difference_limit_pa: float | None = quantity(
        "pressure", "mbar", "highest continuous pressure difference, from the data sheet", "1 Pa",
        "1 bar", default=None, shown="not checked", source="user data; no value is assumed",
    )  # fmt: skip


class Backing(Part):
    """The backing pump, by displacement and slip or by a curve at rated speed."""

    displacement_m3_s: float | None = quantity(
        "volume_flow", "m3/h", "geometric pumping speed at rated speed", "1e-3 m3/h", "1e6 m3/h",
        default=None, source="needed unless a curve is given",
    )  # fmt: skip
    ultimate_pressure_pa: float = quantity(
        "pressure", "mbar", "lowest inlet pressure at rated speed without gas flow", "0 Pa",
        "200 mbar", default="0 Pa", source="assumed, because an ideal pump has no slip",
    )  # fmt: skip
    clearance_conductance_m3_s: float = quantity(
        "volume_flow", "L/s", "leakage back through clearances that grows with inlet pressure",
        "0 L/s", "100 m3/s", default="0 L/s",
        source="assumed, because an ideal pump has no clearances",
    )  # fmt: skip
    slip_exponent: float = quantity(
        "number", "", "m in slip(n) = slip(rated) n^-m; 0 only for a single stage", "0", "10",
        default="0", source="assumed, because a single stage leaks alike at every speed",
    )  # fmt: skip
    curve: tuple[tuple[float, float], ...] | None = pairs(
        ("pressure", "volume_flow"), ("mbar", "m3/h"),
        "pumping speed against inlet pressure at rated speed, pressures rising", default=None,
        shown="none", source="displacement and ultimate pressure are used instead", least=2,
    )  # fmt: skip
    curve_known_down_to_speed: float = quantity(
        "speed", "%", "slowest speed at which the curve was confirmed; slower is marked "
        "extrapolated", "1 %", "100 %", default="100 %",
        source="data sheets show curves at rated speed only",
    )  # fmt: skip
    inlet_volume_m3: float = quantity(
        "volume", "L", "gas volume at the pump's inlet or between booster and pump", "0 L",
        "1000 m3", default="0 L", source=ABSENT,
    )  # fmt: skip
    inlet_temperature_k: float = quantity(
        "temperature", "degC", "temperature of the gas at the pump's inlet", "50 K", "1000 K",
        default="293.15 K", source=ROOM,
    )  # fmt: skip

    def contradictions(self) -> Iterator[tuple[str, str]]:
        """Yield a pump described twice or not at all, and a curve that is none."""
        if self.curve is None:
            if self.displacement_m3_s is None:
                yield "displacement", 'missing: give displacement = "600 m3/h" or a curve'
            return
        for key in ("displacement_m3_s", "ultimate_pressure_pa"):
            if getattr(self, key):
                short = key.removesuffix("_m3_s").removesuffix("_pa")
                yield short, "the curve says it already; remove this field or the curve"
        pressures = [pressure for pressure, _ in self.curve]
        if any(low >= high for low, high in pairwise(pressures)) or pressures[0] <= 0.0:
            yield "curve", "inlet pressures must be above 0 and rise from row to row"
        speeds = [speed for _, speed in self.curve]
        if min(speeds) < 0.0 or max(speeds) <= 0.0:
            yield "curve", "pumping speeds must not be negative, and not all 0"


class GasLoad(Part):
    """Gas that enters the chamber unmetered."""

    leak_pa_m3_s: float = quantity(
        "throughput", "mbar L/s", "leakage into the chamber, added to every metered load",
        "0 mbar L/s", "1e5 mbar L/s", default="0 mbar L/s",
        source="assumed, because process flows are far larger in a tight system",
    )  # fmt: skip


class Purge(Part):
    """Gas let in at the pumps."""

    inlet_pa_m3_s: float = quantity(
        "throughput", "mbar L/s", "purge at the pumps' inlet", "0 mbar L/s", "1e5 mbar L/s",
        default="0 mbar L/s", source=ABSENT,
    )  # fmt: skip
    interstage_pa_m3_s: float = quantity(
        "throughput", "mbar L/s", "purge between booster and backing pump", "0 mbar L/s",
        "1e5 mbar L/s", default="0 mbar L/s", source=ABSENT,
    )  # fmt: skip


class System(Part):
    """The vacuum system in flow order from the chamber to the backing pump."""

    gas: Gas = part("the gas that flows")
    chamber: Chamber = part("the chamber")
    line: tuple[LinePart, ...] = parts("parts of the line, in flow order from chamber to pumps")
    booster: Booster | None = part("the booster, where there is one", default=None,
                                   source="no booster")  # fmt: skip
    backing: Backing = part("the backing pump")
    speed_map: SpeedMap = part(
        "what the controller's output does to each pump", default=SpeedMap(),
        source="the backing pump follows the output",
    )  # fmt: skip
    drive: Drive = part("the drive")
    gauges: tuple[Gauge, ...] = parts("the pressure gauges", key="gauge", least=1)
    gas_load: GasLoad = part("unmetered gas", default=GasLoad(), source="none")
    purge: Purge = part("gas let in at the pumps", default=Purge(), source="none")

    def contradictions(self) -> Iterator[tuple[str, str]]:
        """Yield parts that do not fit each other."""
        tags = [gauge.tag for gauge in self.gauges]
        for index, tag in enumerate(tags):
            if tag in tags[:index]:
                yield f"gauge[{index}].tag", "another gauge has this tag; every tag must be unique"
        has_map = self.speed_map.booster is not None
        if self.booster is not None and not has_map:
            yield (
                "speed_map.booster",
                "missing: say what the controller's output does to the booster, such as "
                'booster = ["0 %", "100 %"], or ["100 %", "100 %"] where it always runs at rated',
            )
        if self.booster is None and has_map:
            yield "speed_map.booster", "there is no [system.booster]; remove it or describe one"
        low, high = self.speed_map.output[0], self.speed_map.output[-1]
        if low > self.drive.minimum_speed or high < self.drive.maximum_speed:
            yield "speed_map.output", "must cover the drive's minimum to maximum speed"
