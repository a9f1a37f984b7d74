"""What is described of the vacuum system: gas, chamber, line, pumps, drive and gauges."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Literal

from chamberctl.physics.gases import GASES
from chamberctl.quantities import format_quantity
from chamberctl.study.fields import ROOM, Part, choice, part, parts, quantity, words
from chamberctl.study.flowing import system_gas, viscous_scale
from chamberctl.study.gas import Gas, GasLoad, Purge
from chamberctl.study.instruments import AFTER, Drive, Gauge, SpeedMap
from chamberctl.study.pumps import Backing, Booster, fall_of


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
    wall_distance_m: float | None = quantity(
        "length", "mm", "distance from the middle of the gas to the nearest wall, which decides "
        "how fast the gas takes on the wall's temperature", "0.1 mm", "20 m", default=None,
        shown="estimated from the volume", source="geometry of a cylinder as long as wide",
    )  # fmt: skip


_NEEDS = {
    "tube": ("diameter", "length"),
    "elbow": ("diameter", "leg"),
    "orifice": ("diameter",),
    "valve": (),
    "conductance": ("conductance",),
    "cold trap": ("conductance",),
    "condenser": ("conductance",),
}
_MAY_HAVE = {
    "valve": ("diameter", "conductance", "opening_time"),
    "cold trap": ("vapor_pressure",),
    "condenser": ("vapor_pressure",),
}
LEAST_TURNING = 0.01
"""Slowest speed of a turning backing pump, of rated: as slow as a drive may be said to turn."""

A_TURNING = 0.2
"""Speed of a turning pump in an example."""

TRAPS = ("cold trap", "condenser")
"""Kinds of line parts that catch the vapor."""


class LinePart(Part):
    """One part of the line from the chamber to the pumps."""

    kind: Literal["tube", "elbow", "orifice", "valve", "conductance", "cold trap", "condenser"] = (
        choice(tuple(_NEEDS), "what the part is")
    )
    name: str = words("what the part is called on the machine")
    diameter_m: float | None = quantity(
        "length", "mm", "inner diameter of a tube, elbow, orifice or open valve", "0.1 mm", "5 m",
        default=None, source="only for a tube, elbow, orifice or valve",
    )  # fmt: skip
    length_m: float | None = quantity(
        "length", "m", "length of a tube along its axis", "1 mm", "1000 m", default=None,
        source="only for a tube",
    )  # fmt: skip
    leg_m: float | None = quantity(
        "length", "mm", "length of each of an elbow's two legs along its axis", "1 mm", "100 m",
        default=None, source="only for an elbow",
    )  # fmt: skip
    temperature_k: float = quantity(
        "temperature", "degC", "temperature of the gas in the part", "50 K", "1500 K",
        default="293.15 K", source=ROOM,
    )  # fmt: skip
    discharge_coefficient: float = quantity(
        "number", "", "what a choked orifice or valve passes of the ideal flow", "0.3", "1",
        default="0.85",
        source="assumed, because sharp edges pass 0.8 to 0.9 of the ideal flow (from memory)",
    )  # fmt: skip
    conductance_m3_s: float | None = quantity(
        "volume_flow", "L/s", "fixed conductance: gas flow per pressure difference (of a valve: "
        "open)", "1e-6 L/s", "1e6 m3/s", default=None,
        source="only for a fixed conductance, valve, cold trap or condenser",
    )  # fmt: skip
    opening_time_s: float = quantity(
        "time", "s", "time a valve takes from closed to open", "0 s", "1 h", default="0 s",
        source="assumed, because most isolation valves open within a second or two (from memory)",
    )  # fmt: skip
    vapor_pressure_pa: float = quantity(
        "pressure", "mbar", "pressure that a cold trap or condenser holds the vapor at: of the ice "
        "or liquid on its wall", "0 Pa", "1 bar", default="0 Pa",
        source="assumed, because a cold wall catches all but a trace",
    )  # fmt: skip
    volume_m3: float | None = quantity(
        "volume", "L", "gas volume of the part, half of it counted at each end", "0 L", "1000 m3",
        default=None, shown="a tube's or elbow's from its size, otherwise 0 L", source="geometry",
    )  # fmt: skip

    def contradictions(self) -> Iterator[tuple[str, str]]:
        """Yield what is missing or does not belong to this kind of part."""
        needs = _NEEDS[self.kind]
        allowed = needs + _MAY_HAVE.get(self.kind, ())
        for key, value, example in (
            ("diameter", self.diameter_m, "160 mm"),
            ("length", self.length_m, "12 m"),
            ("leg", self.leg_m, "200 mm"),
            ("conductance", self.conductance_m3_s, "100 L/s"),
            ("opening_time", self.opening_time_s or None, "2 s"),
            ("vapor_pressure", self.vapor_pressure_pa or None, "0.1 mbar"),
        ):
            if key in needs and value is None:
                yield key, f'missing: a part of kind "{self.kind}" needs {key} = "{example}"'
            if value is not None and key not in allowed:
                yield key, f'does not belong to a part of kind "{self.kind}"; remove it'
        if self.kind == "valve" and (self.diameter_m is None) == (self.conductance_m3_s is None):
            given = "give one of them" if self.diameter_m is None else "keep one of them"
            yield "diameter", f"a valve is described by its diameter or its conductance: {given}"
        leg, diameter = self.leg_m or 0.0, self.diameter_m or 0.0
        # the inner wall is a radius shorter than the axis
        if self.kind == "elbow" and 0.0 < leg < 0.5 * diameter:
            remedy = (
                "an elbow's leg, along the axis to the corner, is at least half a diameter long"
            )
            yield "leg", f"{remedy}; leave shorter bends out of the line"

    @classmethod
    def foreign_keys(cls, table: Mapping[str, str]) -> frozenset[str]:
        """Return what belongs to other kinds of parts."""
        kind = table.get("kind", "")
        if kind not in _NEEDS:
            return frozenset()
        own = {*_NEEDS[kind], *_MAY_HAVE.get(kind, ())}
        every = {key for keys in (*_NEEDS.values(), *_MAY_HAVE.values()) for key in keys}
        return frozenset(every - own)

    def without_effect(self) -> Iterator[str]:
        """Yield what belongs to other kinds of parts."""
        if self.kind not in ("orifice", "valve") or self.diameter_m is None:
            yield "discharge_coefficient"
        if self.kind != "valve":
            yield "opening_time"
        if self.kind not in TRAPS:
            yield "vapor_pressure"


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

    @property
    def line_names(self) -> tuple[str, ...]:
        """Name of each line part; one without a name is its kind with its number, from 1."""
        return tuple(
            part.name or f"{part.kind} {number}" for number, part in enumerate(self.line, start=1)
        )

    def contradictions(self) -> Iterator[tuple[str, str]]:
        """Yield parts that do not fit each other."""
        yield from self._gauge_problems()
        yield from self._vapor_problems()
        yield from self._problems_in_this_gas()
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
        else:
            yield from self._standstill()

    def _standstill(self) -> Iterator[tuple[str, str]]:
        """Yield a backing pump that stands still somewhere between the drive's limits."""
        slowest = self.drive.minimum_speed
        turning = self.speed_map.backing_speed(slowest)
        if turning < LEAST_TURNING:
            kept = (f'"{100 * max(n, A_TURNING):.4g} %"' for n in self.speed_map.backing)
            yield (
                "speed_map.backing",
                f"at the drive's minimum speed, {100 * slowest:.4g} %, the backing pump "
                f"{'all but ' if turning > 0.0 else ''}stands still: it carries no gas there, and "
                f"no pressure can be held; give the speed that it keeps, such as "
                f"[{', '.join(kept)}], or raise drive.minimum_speed to where it turns",
            )

    def _gauge_problems(self) -> Iterator[tuple[str, str]]:
        tags = [gauge.tag for gauge in self.gauges]
        for index, gauge in enumerate(self.gauges):
            if gauge.tag in tags[:index]:
                yield f"gauge[{index}].tag", "another gauge has this tag; every tag must be unique"
            where = f"gauge[{index}].position"
            if gauge.position == "interstage" and self.booster is None:
                yield where, "there is no [system.booster] with a place behind it"
            if not gauge.position.startswith(AFTER):
                continue
            found = self.line_names.count(gauge.position.removeprefix(AFTER))
            if found == 0:
                known = ", ".join(f"'{AFTER}{name}'" for name in self.line_names)
                yield where, f"no part of the line has this name; known are: {known or 'none'}"
            elif found > 1:
                yield where, "several parts of the line have this name; rename one of them"

    def _vapor_problems(self) -> Iterator[tuple[str, str]]:
        traps = [index for index, part in enumerate(self.line) if part.kind in TRAPS]
        for index in traps[1:]:
            yield f"line[{index}].kind", "one cold trap or condenser in a line; join them into one"
        vapor = self.gas_load.vapor_conductance_m3_s > 0.0
        if traps and vapor:
            cold = self.line[traps[0]].vapor_pressure_pa
            if cold >= self.gas_load.vapor_saturation_pa:
                yield (
                    f"line[{traps[0]}].vapor_pressure",
                    "must be below gas_load.vapor_saturation, or nothing is caught here",
                )

    def _problems_in_this_gas(self) -> Iterator[tuple[str, str]]:
        """Yield what holds for the gas a pump's data are stated for, but not for the one pumped."""
        backing = self.backing
        if backing.stated_gas is None:
            return
        scale = viscous_scale(GASES[backing.stated_gas], system_gas(self.gas))
        in_gas = f"stated for {backing.stated_gas}; in the study's gas ({self.gas.name}) "
        leak, swept = scale * backing.clearance_conductance_m3_s, backing.displacement_m3_s
        if swept is not None and leak >= swept:
            shown = [format_quantity(speed, "L/s", 3) for speed in (leak, swept)]
            yield (
                "backing.clearance_conductance",
                f"{in_gas}{shown[0]} leak back, which must be below the displacement, {shown[1]}: "
                "this pump pumps nothing",
            )
        curves = {f"curves[{index}].points": c.points for index, c in enumerate(backing.curves)}
        if backing.curve is not None:
            curves["curve"] = backing.curve
        for key, points in curves.items():
            fall = fall_of(points, scale)
            if fall:
                yield (
                    f"backing.{key}",
                    f"{in_gas}slip is {scale:.3g} times that, and pressure times speed no longer "
                    f"rises: {fall}; give a curve measured in this gas and its stated_gas, or "
                    "leave out the rows where the speed dips",
                )
