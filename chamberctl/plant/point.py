"""One operating point: where the plant rests and what speed can do there."""

from __future__ import annotations

from dataclasses import dataclass

from chamberctl.findings import Finding
from chamberctl.quantities import format_quantity

LITTLE_AUTHORITY = 0.3
"""Below this speed is called the wrong handle: a tenth more speed moves pressure by under 3 %
(common practice without a source)."""

STALLING_AUTHORITY = 1.5
"""Above this the pump nears stall: gain rises steeply as speed falls (assumed, because the loop
gain is then half as high again as that of an ideal pump)."""


@dataclass(frozen=True)
class OperatingPoint:
    """A steady state of the plant at one speed and gas load, or the statement that none exists.

    Parameters
    ----------
    where : str
        Label of the point.
    feasible : bool
        Whether speed holds the point; if not, `reason` and `nearest` say why and what could be had
        instead. Where no steady state exists, numbers are NaN.
    reason, nearest : str
        See `feasible`; empty otherwise.
    pressure_pa, indicated_pa : float
        True chamber pressure, and reading of the loop's gauge [Pa].
    gas_load_pa_m3_s : float
        All gas entering the chamber, at T_ref [Pa m3/s].
    speed, booster_speed, backing_speed : float
        Loop output and pump speeds, fractions of rated [-].
    node_names, node_pressures_pa : tuple
        Pressures along the chain [Pa].
    authority_chamber, authority_gauge : float
        -d ln p/d ln n [-]; 0 where a limiter rules.
    gain_decades_per_fraction, gain_pa_per_fraction : float
        Static gain of the reading [decades], [Pa] per speed fraction; negative.
    time_constant_s : float
        Slowest time constant of the vacuum system [s].
    slew_down_pa_s, slew_up_pa_s : float
        Quasi-steady rates of fall at maximum and rise at minimum speed [Pa/s]; zero or negative:
        cannot.
    gauge_offset_pa : float
        Pressure at the gauge less chamber pressure [Pa].
    booster_ratio, booster_difference_pa : float
        Compression [-] and pressure difference [Pa]; NaN without a booster.
    effective_speed_m3_s : float
        Pumping speed at the chamber [m3/s].
    regimes : tuple of (str, str)
        Flow regime of each tube and orifice.
    limited_by : str
        "" or "overflow valve": speed does not act, no margins are given.
    extrapolated : bool
        A pump works outside the range of its stated curve.
    findings : tuple of Finding
        What an engineer should know about this point.
    below_floor : bool
        Refused because the duty states that the plant cannot be controlled at so low a pressure;
        the numbers are those of the model.
    """

    where: str
    feasible: bool
    reason: str
    nearest: str
    pressure_pa: float
    indicated_pa: float
    gas_load_pa_m3_s: float
    speed: float
    booster_speed: float
    backing_speed: float
    node_names: tuple[str, ...]
    node_pressures_pa: tuple[float, ...]
    authority_chamber: float
    authority_gauge: float
    gain_decades_per_fraction: float
    gain_pa_per_fraction: float
    time_constant_s: float
    slew_down_pa_s: float
    slew_up_pa_s: float
    gauge_offset_pa: float
    booster_ratio: float
    booster_difference_pa: float
    effective_speed_m3_s: float
    regimes: tuple[tuple[str, str], ...]
    limited_by: str
    extrapolated: bool
    findings: tuple[Finding, ...]
    below_floor: bool


def pressure_text(pressure_pa: float) -> str:
    """Pressure in words for findings, in mbar."""
    return format_quantity(pressure_pa, "mbar", 3)


def throughput_text(flow_pa_m3_s: float) -> str:
    """Throughput in words for findings, in mbar L/s at 20 degC."""
    return format_quantity(flow_pa_m3_s, "mbar L/s", 3)


def percent_text(fraction: float) -> str:
    """Fraction in words for findings, in percent."""
    return format_quantity(fraction, "%", 3)
