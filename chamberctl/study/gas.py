"""What is described of the gas: its properties, and where it enters without a meter."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Literal

from chamberctl.physics.loads import outgassing_load
from chamberctl.study.fields import ABSENT, Part, choice, parts, quantity

GasName = Literal["N2", "air", "Ar", "He", "H2", "H2O", "CO2", "O2"]
GAS_NAMES: tuple[str, ...] = ("N2", "air", "Ar", "He", "H2", "H2O", "CO2", "O2")

_FOR_OWN = "only for a gas of your own"
_OWN = {
    "molar_mass": ("molar_mass_kg_mol", '"39.95 g/mol"'),
    "viscosity_20c": ("viscosity_20c_pa_s", '"22.3 uPa s"'),
    "sutherland": ("sutherland_k", '"159 K"'),
    "heat_capacity_ratio": ("heat_capacity_ratio", "1.4"),
}
_SUM_WITHIN = 1.001e-6


class GasShare(Part):
    """One gas of a blend."""

    name: GasName = choice(GAS_NAMES, "gas of the blend")
    fraction: float = quantity(
        "fraction", "%", "its share of the flow, by amount", "0.0001 %", "100 %"
    )


class Gas(Part):
    """The gas that flows: a known one, a blend of known ones, or one of your own."""

    name: Literal[GasName, "own", "blend"] = choice(
        (*GAS_NAMES, "own", "blend"),
        "gas that makes up most of the flow; own: its properties are given here, blend: its parts",
    )
    molar_mass_kg_mol: float | None = quantity(
        "molar_mass", "g/mol", "molar mass of the own gas", "1 g/mol", "500 g/mol", default=None,
        source=_FOR_OWN,
    )  # fmt: skip
    viscosity_20c_pa_s: float | None = quantity(
        "viscosity", "uPa s", "dynamic viscosity of the own gas at 20 degC", "1 uPa s",
        "100 uPa s", default=None, source=_FOR_OWN,
    )  # fmt: skip
    sutherland_k: float | None = quantity(
        "temperature", "K", "Sutherland constant of the own gas: how its viscosity grows when hot",
        "0 K", "2000 K", default=None, source=_FOR_OWN,
    )  # fmt: skip
    heat_capacity_ratio: float | None = quantity(
        "number", "", "ratio of the heat capacities of the own gas at 20 degC", "1.01", "1.67",
        default=None, source=_FOR_OWN,
    )  # fmt: skip
    parts: tuple[GasShare, ...] = parts("gases of a blend with their shares", key="part")

    @classmethod
    def foreign_keys(cls, table: Mapping[str, str]) -> frozenset[str]:
        """Return the properties of an own gas, and the parts of a blend, beside another name."""
        name = table.get("name", "")
        own = () if name == "own" else _OWN
        return frozenset((*own, *(() if name == "blend" else ("part",))))

    def contradictions(self) -> Iterator[tuple[str, str]]:
        """Yield properties that are missing or do not belong, and shares that do not add up."""
        is_own = self.name == "own"
        for key, (attribute, example) in _OWN.items():
            given = getattr(self, attribute) is not None
            if is_own and not given:
                yield key, f"missing: a gas of your own needs {key} = {example}"
            if given and not is_own:
                yield key, f'"{self.name}" is known; remove it, or write name = "own"'
        if self.name != "blend":
            if self.parts:
                yield "part", 'parts belong to a blend; remove them, or write name = "blend"'
            return
        names = [share.name for share in self.parts]
        if len(names) < 2:
            yield "part", "missing: a blend needs two parts or more, each under [[system.gas.part]]"
            return
        for index, name in enumerate(names):
            if name in names[:index]:
                yield f"part[{index}].name", "this gas is in the blend already; join the shares"
        total = sum(share.fraction for share in self.parts)
        if abs(total - 1.0) > _SUM_WITHIN:
            yield "part", f"the shares must add up to 100 %, these make {100 * total:.6g} %"


class GasLoad(Part):
    """Gas that enters the chamber unmetered."""

    leak_pa_m3_s: float = quantity(
        "throughput", "mbar L/s", "leakage into the chamber, added to every metered load",
        "0 mbar L/s", "1e5 mbar L/s", default="0 mbar L/s",
        source="assumed, because process flows are far larger in a tight system",
    )  # fmt: skip
    outgassing_1h_pa_m3_s: float = quantity(
        "throughput", "mbar L/s", "outgassing one hour after pump-down began, added like leakage",
        "0 mbar L/s", "1e5 mbar L/s", default="0 mbar L/s",
        source="assumed, because process flows are far larger in a dry system",
    )  # fmt: skip
    outgassing_exponent: float = quantity(
        "number", "", "m in outgassing(t) = outgassing(1 h) (t/1 h)^-m", "0", "3", default="1",
        source="metals fall as 1/t, plastics as t^-0.5 or slower (vacuum textbooks, from memory)",
    )  # fmt: skip
    outgassing_age_s: float = quantity(
        "time", "h", "time since pump-down began at which the duty is looked at", "1 s", "1e5 h",
        default="1 h", source="assumed, because outgassing is usually stated after one hour",
    )  # fmt: skip
    vapor_conductance_m3_s: float = quantity(
        "volume_flow", "L/s", "vapor given off by the product per pressure difference between its "
        "saturation pressure and the chamber", "0 L/s", "1e4 m3/s", default="0 L/s",
        source=ABSENT,
    )  # fmt: skip
    vapor_saturation_pa: float = quantity(
        "pressure", "mbar", "saturation pressure of the vapor at the product's temperature",
        "0 Pa", "2 bar", default="0 Pa", source="needed with vapor_conductance",
    )  # fmt: skip

    @property
    def outgassing_pa_m3_s(self) -> float:
        """Outgassing at its age [Pa m3/s]."""
        return float(
            outgassing_load(
                self.outgassing_1h_pa_m3_s, self.outgassing_exponent, self.outgassing_age_s
            )
        )

    @property
    def unmetered_pa_m3_s(self) -> float:
        """What is added to every metered load: leakage and outgassing at its age [Pa m3/s]."""
        return self.leak_pa_m3_s + self.outgassing_pa_m3_s

    def contradictions(self) -> Iterator[tuple[str, str]]:
        """Yield a vapor that is only half described."""
        if self.vapor_conductance_m3_s > 0.0 and self.vapor_saturation_pa == 0.0:
            yield "vapor_saturation", 'missing: vapor needs vapor_saturation = "6 mbar"'
        if self.vapor_saturation_pa > 0.0 and self.vapor_conductance_m3_s == 0.0:
            yield "vapor_conductance", 'missing: vapor needs vapor_conductance = "50 L/s"'

    def without_effect(self) -> Iterator[str]:
        """Yield how outgassing falls and what vapor saturates at where there is none."""
        if not self.outgassing_1h_pa_m3_s:
            yield from ("outgassing_exponent", "outgassing_age")
        if not self.vapor_conductance_m3_s:
            yield "vapor_saturation"


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
