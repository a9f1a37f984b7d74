"""How numbers are shown to people: in the units the study speaks, small ones never as 0."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from chamberctl import quantities

_FLOW_UNITS = {
    "Pa": ("Pa m3/s", "Pa/s"),
    "Torr": ("Torr L/s", "Torr/s"),
    "mTorr": ("Torr L/s", "mTorr/s"),
}


def number(value: float | None, digits: int = 3) -> str:
    """Return a number for a table: plain where short, with a power of ten where small or large.

    Parameters
    ----------
    value : float or None
        The number in the unit of its column; None and nan mean "does not exist".
    digits : int
        Significant digits.

    Returns
    -------
    str
        For example "5.0e-3", "12.5", "unlimited" (infinite) or "none" (does not exist).
    """
    if value is None or math.isnan(value):
        return "none"
    if math.isinf(value):
        return "unlimited" if value > 0 else "-unlimited"
    return quantities.format_number(value, digits)


def rounded_up(value: float, digits: int = 2) -> float:
    """Return the next number of a few digits that is not below a positive one.

    Parameters
    ----------
    value : float
        Above 0.
    digits : int
        Significant digits.
    """
    step = 10.0 ** (math.floor(math.log10(value)) + 1 - digits)
    return float(f"{math.ceil(value / step * (1.0 - 1e-12)) * step:.{digits}g}")


@dataclass(frozen=True)
class Display:
    """The units in which one study's results are shown.

    Parameters
    ----------
    pressure, gas_load, pressure_rate : str
        Unit names of the closed table in `chamberctl.quantities`.
    rated_hz, rated_rpm : float or None
        What a speed of 100 % is on the drive; one of the two, or neither.
    """

    pressure: str = "mbar"
    gas_load: str = "mbar L/s"
    pressure_rate: str = "mbar/s"
    rated_hz: float | None = None
    rated_rpm: float | None = None

    @classmethod
    def of(cls, study: Any) -> Display:
        """Return the units of a study: those its controller reads in."""
        pressure = study.controller.reading_unit or "mbar"
        gas_load, rate = _FLOW_UNITS.get(pressure, ("mbar L/s", "mbar/s"))
        drive = study.system.drive
        return cls(pressure, gas_load, rate, drive.rated_hz, getattr(drive, "rated_rpm", None))

    def to_pressure(self, pressure_pa: Any) -> Any:
        """Return a pressure (number or array) [Pa] in the shown unit."""
        return pressure_pa / quantities.unit_factor(self.pressure, "pressure")

    def to_gas_load(self, gas_load_pa_m3_s: Any) -> Any:
        """Return a gas load (number or array) [Pa m3/s] in the shown unit."""
        return gas_load_pa_m3_s / quantities.unit_factor(self.gas_load, "throughput")

    def pressure_text(self, pressure_pa: float, digits: int = 3) -> str:
        """Return a pressure [Pa] with its unit."""
        return f"{number(self.to_pressure(pressure_pa), digits)} {self.pressure}"

    def gas_load_text(self, gas_load_pa_m3_s: float, digits: int = 3) -> str:
        """Return a gas load [Pa m3/s] with its unit."""
        return f"{number(self.to_gas_load(gas_load_pa_m3_s), digits)} {self.gas_load}"

    def rate_text(self, rate_pa_s: float, digits: int = 3) -> str:
        """Return a rate of change of pressure [Pa/s] with its unit."""
        return f"{number(self.to_pressure(rate_pa_s), digits)} {self.pressure_rate}"

    def speed_text(self, speed: float) -> str:
        """Return a speed fraction as percent of rated and as the drive shows it."""
        percent = f"{number(100 * speed)} %"
        if self.rated_hz:
            return f"{percent} ({number(speed * self.rated_hz)} Hz)"
        if self.rated_rpm:
            return f"{percent} ({number(speed * self.rated_rpm, 4)} rpm)"
        return percent
