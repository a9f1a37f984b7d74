"""From each described part to its row of numbers for the right-hand side."""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from chamberctl.physics.boosters import booster_table, zero_flow_compression
from chamberctl.physics.chamber import effective_volume
from chamberctl.physics.constants import T_REF_K
from chamberctl.physics.gases import GASES, Gas, most_probable_speed, viscosity
from chamberctl.physics.passages import elbow_length, passage_lengths
from chamberctl.physics.pumps import curve_table, falling_step, scaled_slip
from chamberctl.plant import equations
from chamberctl.study.flowing import molecular_scale, viscous_scale

if TYPE_CHECKING:
    from chamberctl.study import Backing, Booster, LinePart

Array = NDArray[np.float64]

OVERFLOW_STIFFNESS = 20.0
"""Flow through an open overflow valve per excess difference, in multiples of the booster's swept
speed. Assumed: the valve passes the whole swept flow at an excess of 5 % of the inlet pressure."""

NEVER_PA = 1e12
"""Pressure difference at which a limiter that is not there would act [Pa]."""

ELBOW_DISCHARGE = 0.69
"""Discharge coefficient of a mitered 90 degree elbow: its 1.1 velocity heads besides the exit's
one, 1/sqrt(2.1) (handbook value of the loss from memory)."""

OPEN = 1.0
"""How far a line part is open at rest."""

NO_TABLE: Array = np.ones((6, 2))
"""Stands where a pump has no table; it is not read."""

_SAMPLES_PA = np.geomspace(1.0, 1e5, 41)
_HALVINGS = 50
_TRACE = 1e-12


def line_element(part: LinePart, gas: Gas) -> tuple[int, list[float], float]:
    """Kind, parameters and effective volume [m3] of a line part.

    Parameters
    ----------
    part : study.LinePart
        The part.
    gas : Gas
        The gas that flows.

    Returns
    -------
    tuple of (int, list of float, float)
        Kind of element, its row, and the volume it holds.
    """
    if part.conductance_m3_s is not None:
        volume = effective_volume([part.volume_m3 or 0.0], [part.temperature_k])
        return equations.CONDUCTANCE, [part.conductance_m3_s, *[0.0] * 8, OPEN], volume
    assert part.diameter_m is not None
    radius = 0.5 * part.diameter_m
    length, straight, discharge = 0.0, 0.0, part.discharge_coefficient
    if part.kind == "tube":
        assert part.length_m is not None
        length = straight = part.length_m
        discharge = 1.0
    elif part.kind == "elbow":
        assert part.leg_m is not None
        length, straight = 2.0 * part.leg_m, float(elbow_length(part.leg_m, radius))
        discharge = ELBOW_DISCHARGE
    row = [
        radius,
        float(passage_lengths(radius, length)[0]),
        float(passage_lengths(radius, straight)[1]),
        float(most_probable_speed(part.temperature_k, gas.molar_mass_kg_mol)),
        float(viscosity(part.temperature_k, gas.viscosity_20c_pa_s, gas.sutherland_k)),
        gas.heat_capacity_ratio,
        discharge,
        0.0,
        T_REF_K / part.temperature_k,
        OPEN,
    ]
    size = part.volume_m3 if part.volume_m3 is not None else np.pi * radius**2 * length
    return equations.PASSAGE, row, effective_volume([size], [part.temperature_k])


@lru_cache(maxsize=64)
def booster_element(booster: Booster, gas: Gas) -> tuple[int, list[float], Array]:
    """Kind, parameters and leakage table of a booster.

    Parameters
    ----------
    booster : study.Booster
        The booster.
    gas : Gas
        The gas that flows; stated leakage is converted to it.

    Returns
    -------
    tuple of (int, list of float, array)
        Kind of element, its row, and its leakage table, shape (6, K).

    Notes
    -----
    All volume flows at a pump, swept or leaking, are of gas at its inlet's temperature: each is
    counted with T_ref/T_inlet, so that stated compressions are met at every temperature.
    """
    stated = GASES[booster.stated_gas] if booster.stated_gas else gas
    warm = T_REF_K / booster.inlet_temperature_k
    swept = booster.swept_speed_m3_s
    limits = [
        booster.overflow_difference_pa or NEVER_PA,
        OVERFLOW_STIFFNESS * swept * warm,
        booster.torque_difference_pa or NEVER_PA,
    ]
    if booster.slip_split == "as given":
        assert booster.gap_conductance_m3_s is not None
        row = [
            swept * warm,
            booster.gap_conductance_m3_s * molecular_scale(stated, gas) * warm,
            booster.gap_conductance_per_pressure_m3_s_pa * viscous_scale(stated, gas) * warm,
            booster.carry_back_speed_m3_s * warm,
            *limits,
        ]
        return equations.BOOSTER, row, NO_TABLE
    pressures, compressions = _compression(booster)
    split = "peak" if booster.slip_split == "at peak" else booster.slip_split
    table = booster_table(pressures, compressions, swept, split)
    molecular = table[1].min()
    viscous = table[1] - molecular
    scales = molecular_scale(stated, gas), viscous_scale(stated, gas)
    table[1] = molecular * scales[0] + viscous * scales[1]
    table[2] *= scales[1]
    return equations.BOOSTER_TABLE, [swept * warm, warm, 0.0, warm, *limits], table


def _compression(booster: Booster) -> tuple[Array, Array]:
    """Zero-flow compression over backing pressure at rated speed, as given or as it follows."""
    if booster.compression_curve is not None:
        pressures, compressions = (
            np.array(part) for part in zip(*booster.compression_curve, strict=True)
        )
        return pressures, compressions
    assert booster.gap_conductance_m3_s is not None
    compression = np.full(_SAMPLES_PA.size, 10.0)
    for _ in range(100):
        mean = 0.5 * _SAMPLES_PA * (1.0 + 1.0 / compression)
        gap = booster.gap_conductance_m3_s + booster.gap_conductance_per_pressure_m3_s_pa * mean
        compression = zero_flow_compression(
            1.0, booster.swept_speed_m3_s, gap, booster.carry_back_speed_m3_s
        )
    return _SAMPLES_PA, compression


@lru_cache(maxsize=64)
def backing_element(backing: Backing, gas: Gas) -> tuple[int, list[float], Array]:
    """Kind, parameters and speed curves of a backing pump.

    Parameters
    ----------
    backing : study.Backing
        The pump.
    gas : Gas
        The gas that flows; stated slip is converted to it.

    Returns
    -------
    tuple of (int, list of float, array)
        Kind of element, its row, and its curves, shape (J, 6, K).

    Notes
    -----
    As for a booster, all volume flows are counted with T_ref/T_inlet: the stated ultimate pressure
    is met at every temperature.
    """
    stated = GASES[backing.stated_gas] if backing.stated_gas else gas
    slip = viscous_scale(stated, gas)
    warm = T_REF_K / backing.inlet_temperature_k
    if backing.displacement_m3_s is not None:
        clearance = backing.clearance_conductance_m3_s
        free = backing.displacement_m3_s - clearance
        swept = backing.displacement_m3_s
        # the constant part of the slip is what holds the ultimate pressure with the stated gas
        constant = slip * backing.ultimate_pressure_pa * free
        # of clearances varied within their tolerance to all that is displaced, a trace is left
        left = swept - slip * clearance or _TRACE * swept
        row = [
            swept * warm,
            constant / left,
            slip * clearance * warm,
            backing.slip_exponent,
        ]
        return equations.BACKING, row, NO_TABLE[None]
    curves = rated_curves(backing)
    tables = [
        curve_table(pressures, _in_this_gas(pressures, speeds, slip), speed)
        for speed, pressures, speeds in curves
    ]
    row = [0.0, 0.0, 0.0, backing.slip_exponent, warm]
    return equations.BACKING_CURVES, row, _same_size(tables)


def rated_curves(backing: Backing) -> list[tuple[float, Array, Array]]:
    """Speed curves of a pump, slowest first.

    Parameters
    ----------
    backing : study.Backing
        A pump given by curves.

    Returns
    -------
    list of (float, array, array)
        Speed fraction [-], inlet pressures [Pa] and pumping speeds [m3/s].
    """
    if backing.curve is not None:
        return [(1.0, *np.array(backing.curve).T)]
    ordered = sorted(backing.curves, key=lambda curve: curve.speed)
    return [(curve.speed, *np.array(curve.points).T) for curve in ordered]


def _in_this_gas(pressures: Array, speeds: Array, scale: float) -> Array:
    """Curve with its slip scaled as far as its throughput rises.

    A study whose gas goes beyond is refused when it is read; a gas varied within its tolerance
    stays at the last scale that leaves the curve a pump's.
    """
    scaled: Array = scaled_slip(speeds, scale)
    if falling_step(pressures, scaled) < 0:
        return scaled
    rising, falling = 1.0, scale
    for _ in range(_HALVINGS):
        middle = 0.5 * (rising + falling)
        rises = falling_step(pressures, scaled_slip(speeds, middle)) < 0
        rising, falling = (middle, falling) if rises else (rising, middle)
    limited: Array = scaled_slip(speeds, rising)
    return limited


def _same_size(tables: list[Array]) -> Array:
    """Stack tables of different length; the shorter ones go on flat far beyond any pressure."""
    size = max(table.shape[1] for table in tables)
    stacked = []
    for table in tables:
        extra = size - table.shape[1]
        tail = np.repeat(table[:, -1:], extra, axis=1)
        tail[0] += np.arange(1, extra + 1) * 5.0
        stacked.append(np.hstack([table, tail]))
    return np.array(stacked)
