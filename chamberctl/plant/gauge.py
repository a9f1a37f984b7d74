"""What the loop's gauge shows for the pressure at its place, and back."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from chamberctl.physics.gases import GASES, Gas, most_probable_speed, viscosity
from chamberctl.physics.instruments import indicated_pressure
from chamberctl.physics.thermal_gauge import TYPICAL_GAS_FACTORS, thermal_gauge_factor
from chamberctl.physics.transpiration import transpiration_ratio
from chamberctl.study.flowing import system_gas

if TYPE_CHECKING:
    from chamberctl.study import Gauge, System

_ROUNDS = 60
"""Fixed-point rounds; each one gains at least a factor of 2, as the exponent is at most 1/2."""


def reading(system: System, gauge: Gauge, pressure_pa: Any) -> Any:
    """Pressure that a gauge indicates.

    Parameters
    ----------
    system : study.System
        The system, for its gas and the chamber's temperature.
    gauge : study.Gauge
        The gauge.
    pressure_pa : float or array
        True pressure at its place [Pa].

    Returns
    -------
    float or array
        Indicated pressure [Pa]: gas factor and a heated head are accounted for.
    """
    return indicated_pressure(
        pressure_pa * _head_ratio(system, gauge, pressure_pa), gauge.gas_factor
    )


def true_pressure(system: System, gauge: Gauge, indicated_pa: Any) -> Any:
    """Pressure at a gauge's place that makes it indicate a value.

    Parameters
    ----------
    system : study.System
        The system, for its gas and the chamber's temperature.
    gauge : study.Gauge
        The gauge.
    indicated_pa : float or array
        Indicated pressure [Pa].

    Returns
    -------
    float or array
        True pressure [Pa].
    """
    in_head = np.asarray(indicated_pa, dtype=float) * gauge.gas_factor
    if gauge.head_temperature_k is None:
        return in_head
    pressure = in_head
    for _ in range(_ROUNDS):
        before, pressure = pressure, in_head / _head_ratio(system, gauge, pressure)
        if np.array_equal(pressure, before):
            break
    return pressure


def expected_gas_factor(gas: Gas) -> float:
    """Gas factor to expect of a thermal gauge calibrated for nitrogen.

    Parameters
    ----------
    gas : Gas
        The gas that flows.

    Returns
    -------
    float
        True over indicated pressure: the typical value of a known gas, of another one what
        kinetic theory gives.
    """
    nitrogen = GASES["N2"]
    kinetic = thermal_gauge_factor(
        gas.heat_capacity_ratio,
        gas.molar_mass_kg_mol,
        nitrogen.heat_capacity_ratio,
        nitrogen.molar_mass_kg_mol,
    )
    return TYPICAL_GAS_FACTORS.get(gas.name, float(kinetic))


def _head_ratio(system: System, gauge: Gauge, pressure_pa: Any) -> Any:
    """Pressure in the gauge's head over pressure at its place."""
    if gauge.head_temperature_k is None:
        return 1.0
    gas, chamber_k = system_gas(system.gas), system.chamber.temperature_k
    mean = 0.5 * (gauge.head_temperature_k + chamber_k)
    return transpiration_ratio(
        pressure_pa,
        gauge.head_temperature_k,
        chamber_k,
        0.5 * gauge.tube_bore_m,
        viscosity(mean, gas.viscosity_20c_pa_s, gas.sutherland_k),
        most_probable_speed(mean, gas.molar_mass_kg_mol),
    )
