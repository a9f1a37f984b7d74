"""What the physics tests share: gases as numbers, and derivatives."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from hypothesis import settings
from hypothesis import strategies as st

from chamberctl.physics.constants import T_REF_K
from chamberctl.physics.gases import GASES, Gas, most_probable_speed, viscosity
from chamberctl.physics.passages import kinetic_throughput, passage_lengths, passage_throughput

#: The same examples in every run, and few enough for a fast suite.
modest = settings(derandomize=True, max_examples=60, deadline=None, database=None)

#: Twelve decades and more of pressure [Pa].
pressures = st.floats(-7.0, 5.0).map(lambda exponent: 10.0**exponent)


def speed_and_viscosity(gas: str, temperature_k: float = T_REF_K) -> tuple[float, float]:
    """Most probable speed [m/s] and viscosity [Pa s] of a gas."""
    found = GASES[gas]
    return (
        float(most_probable_speed(temperature_k, found.molar_mass_kg_mol)),
        float(viscosity(temperature_k, found.viscosity_20c_pa_s, found.sutherland_k)),
    )


def long_tube(
    inlet_pa: Any,
    outlet_pa: Any,
    diameter_m: float,
    length_m: float,
    gas: str,
    temperature_k: float = T_REF_K,
) -> Any:
    """Throughput [Pa m3/s] of a tube whose ends do not count, friction only."""
    speed, mu = speed_and_viscosity(gas, temperature_k)
    radius = 0.5 * diameter_m
    return kinetic_throughput(inlet_pa, outlet_pa, radius, length_m, length_m, speed, mu)


def passage(
    inlet_pa: Any,
    outlet_pa: Any,
    diameter_m: float,
    length_m: float = 0.0,
    gas: str | Gas = "N2",
    temperature_k: float = T_REF_K,
    discharge_coefficient: float = 1.0,
) -> Any:
    """Throughput [Pa m3/s] of a tube or an orifice with everything that rules it."""
    found = GASES[gas] if isinstance(gas, str) else gas
    radius = 0.5 * diameter_m
    return passage_throughput(
        inlet_pa,
        outlet_pa,
        radius,
        *passage_lengths(radius, length_m),
        most_probable_speed(temperature_k, found.molar_mass_kg_mol),
        viscosity(temperature_k, found.viscosity_20c_pa_s, found.sutherland_k),
        found.heat_capacity_ratio,
        discharge_coefficient,
    )


def slope(function: Callable[[Any], Any], at: float, step: float = 1e-30) -> float:
    """Return the derivative by complex step: exact to rounding, on the side that `at` lies on."""
    return float(np.imag(function(at + 1j * step * at)) / (step * at))


def difference_quotient(function: Callable[[Any], Any], at: float, relative: float = 1e-5) -> float:
    """Return the central difference."""
    step = relative * at
    return float((function(at + step) - function(at - step)) / (2.0 * step))
