"""The closed tables of units, one per dimension; read through `chamberctl.quantities`.

A factor converts to the dimension's base unit. SI is the base with two exceptions that attribute
names carry (``rated_rpm``, ``phase_margin_deg``): rotation is kept in rpm and angles in deg.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from chamberctl.physics.constants import (
    MOLAR_GAS_CONSTANT_J_MOL_K,
    STANDARD_ATMOSPHERE_PA,
    T_REF_K,
)

_TORR = STANDARD_ATMOSPHERE_PA / 760.0  # NIST SP 811, exact
_MMHG = 133.322387415  # conventional, 13.5951 g/cm3 x 9.80665 m/s2; NIST SP 811, B.8
_FOOT = 0.3048  # exact, NIST SP 811
_INCH = 0.0254  # exact, NIST SP 811

_PRESSURE = {
    "Pa": 1.0, "hPa": 100.0, "kPa": 1e3, "mPa": 1e-3, "bar": 1e5, "mbar": 100.0, "ubar": 0.1,
    "Torr": _TORR, "mTorr": _TORR / 1e3, "micron": _MMHG / 1e3, "mmHg": _MMHG,
    "inHg": _MMHG * 25.4, "atm": STANDARD_ATMOSPHERE_PA,
    "psi": 0.45359237 * 9.80665 / _INCH**2,
}  # fmt: skip
_TIME = {"s": 1.0, "ms": 1e-3, "min": 60.0, "h": 3600.0, "d": 86400.0}
_VOLUME_FLOW = {
    "m3/s": 1.0, "m3/min": 1 / 60, "m3/h": 1 / 3600, "L/s": 1e-3, "L/min": 1e-3 / 60,
    "L/h": 1e-3 / 3600, "cm3/s": 1e-6, "cm3/min": 1e-6 / 60, "cfm": _FOOT**3 / 60,
}  # fmt: skip
_PV_OF_A_MOLE = MOLAR_GAS_CONSTANT_J_MOL_K * T_REF_K
MOLAR_FLOW = {"mol/s": _PV_OF_A_MOLE, "mmol/s": _PV_OF_A_MOLE / 1e3}
STANDARD_FLOW = {"sccm": 1e-6 / 60, "slm": 1e-3 / 60, "slpm": 1e-3 / 60, "scfm": _FOOT**3 / 60}


@dataclass(frozen=True)
class Dimension:
    """One dimension with its closed table of units.

    Parameters
    ----------
    name : str
        Name as used by `parse`.
    words : str
        The dimension in words, for messages.
    base : str
        Unit kept inside.
    example : str
        A text that is read without complaint.
    units : Mapping[str, float]
        Factor from each unit to the base unit.
    offsets : Mapping[str, float]
        Value of the unit's zero in the base unit, where it is not 0.
    """

    name: str
    words: str
    base: str
    example: str
    units: Mapping[str, float]
    offsets: Mapping[str, float]


def _dimension(
    name: str, words: str, base: str, example: str, units: dict[str, float], **offsets: float
) -> tuple[str, Dimension]:
    fixed = MappingProxyType(units), MappingProxyType(dict(offsets))
    return name, Dimension(name, words, base, example, *fixed)


THROUGHPUT = {f"{p} {v}": a * b for p, a in _PRESSURE.items() for v, b in _VOLUME_FLOW.items()}
_PRESSURE_RATE = {f"{p}/{t}": a / b for p, a in _PRESSURE.items() for t, b in _TIME.items()}
_PER_PRESSURE = {f"{v}/{p}": b / a for p, a in _PRESSURE.items() for v, b in _VOLUME_FLOW.items()}

DIMENSIONS: Mapping[str, Dimension] = MappingProxyType(
    dict(
        (
            _dimension("pressure", "an absolute pressure", "Pa", "5 mbar", _PRESSURE),
            _dimension("length", "a length", "m", "160 mm",
                       {"m": 1.0, "cm": 1e-2, "mm": 1e-3, "um": 1e-6, "in": _INCH, "ft": _FOOT}),
            _dimension("area", "an area", "m2", "0.02 m2",
                       {"m2": 1.0, "cm2": 1e-4, "mm2": 1e-6, "in2": _INCH**2, "ft2": _FOOT**2}),
            _dimension("volume", "a volume", "m3", "500 L",
                       {"m3": 1.0, "L": 1e-3, "mL": 1e-6, "cm3": 1e-6, "ft3": _FOOT**3}),
            _dimension("time", "a time", "s", "30 s", _TIME),
            _dimension("temperature", "a temperature", "K", "60 degC",
                       {"K": 1.0, "degC": 1.0, "degF": 5 / 9}, degC=273.15, degF=459.67 * 5 / 9),
            _dimension("volume_flow", "a pumping speed or conductance", "m3/s", "600 m3/h",
                       _VOLUME_FLOW),
            _dimension("throughput", "a gas flow", "Pa m3/s", "250 mbar L/s",
                       THROUGHPUT | MOLAR_FLOW),
            _dimension("fraction", "a fraction", "", "5 %", {"": 1.0, "%": 0.01, "ppm": 1e-6}),
            _dimension("frequency", "a frequency", "Hz", "50 Hz", {"Hz": 1.0, "kHz": 1e3}),
            _dimension("rotation", "a rotational speed", "rpm", "3000 rpm",
                       {"rpm": 1.0, "1/min": 1.0}),
            _dimension("angle", "an angle", "deg", "45 deg", {"deg": 1.0, "rad": 180 / math.pi}),
            _dimension("molar_mass", "a molar mass", "kg/mol", "39.95 g/mol",
                       {"kg/mol": 1.0, "g/mol": 1e-3}),
            _dimension("viscosity", "a viscosity", "Pa s", "22.3 uPa s",
                       {"Pa s": 1.0, "mPa s": 1e-3, "uPa s": 1e-6, "cP": 1e-3}),
            _dimension("voltage", "a voltage", "V", "10 V", {"V": 1.0, "mV": 1e-3}),
            _dimension("voltage_per_decade", "a voltage per decade", "V/decade", "1 V/decade",
                       {"V/decade": 1.0, "mV/decade": 1e-3}),
            _dimension("pressure_rate", "a rate of pressure change", "Pa/s", "0.5 mbar/s",
                       _PRESSURE_RATE),
            _dimension("number", "a plain number without unit", "", "2", {"": 1.0}),
            _dimension("conductance_per_pressure", "a conductance per pressure", "m3/s/Pa",
                       "0.2 L/s/mbar", _PER_PRESSURE),
        )
    )
)  # fmt: skip
