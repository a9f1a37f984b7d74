"""Isentropic flow of an ideal gas through a restriction: what inertia lets through at most."""

from __future__ import annotations

from typing import Any

import numpy as np


def critical_pressure_ratio(heat_capacity_ratio: Any) -> Any:
    """Pressure ratio p2/p1 at and below which the flow through a restriction is choked.

    Parameters
    ----------
    heat_capacity_ratio : float or array
        Ratio of heat capacities [-].

    Returns
    -------
    float or array
        (2/(g + 1))^(g/(g - 1)) [-].

    References
    ----------
    Ames Research Staff, Equations, Tables, and Charts for Compressible Flow, NACA Report 1135
    (1953).

    Examples
    --------
    >>> round(float(critical_pressure_ratio(1.4)), 5)
    0.52828
    """
    gamma = heat_capacity_ratio
    return (2.0 / (gamma + 1.0)) ** (gamma / (gamma - 1.0))


def critical_flow_function(heat_capacity_ratio: Any) -> Any:
    """Dimensionless choked flow C* of an ideal gas.

    Parameters
    ----------
    heat_capacity_ratio : float or array
        Ratio of heat capacities [-].

    Returns
    -------
    float or array
        sqrt(g) (2/(g + 1))^((g + 1)/(2 (g - 1))) [-]; mass flow = A p1 C* sqrt(M/(R T)).

    References
    ----------
    ISO 9300 (critical flow function, ideal gas, from memory); NACA Report 1135 (1953).

    Examples
    --------
    >>> round(float(critical_flow_function(1.4)), 5)
    0.68473
    """
    gamma = heat_capacity_ratio
    return np.sqrt(gamma) * (2.0 / (gamma + 1.0)) ** ((gamma + 1.0) / (2.0 * (gamma - 1.0)))


def isentropic_throughput_squared(
    inlet_pressure_pa: Any,
    outlet_pressure_pa: Any,
    area_m2: Any,
    most_probable_speed_m_s: Any,
    heat_capacity_ratio: Any,
) -> Any:
    """Square of the pV throughput that inertia allows through a restriction, for either direction.

    Parameters
    ----------
    inlet_pressure_pa, outlet_pressure_pa : float or array
        Pressure on the two sides [Pa]; the larger one is upstream.
    area_m2 : float or array
        Effective area: open area times discharge coefficient [m2].
    most_probable_speed_m_s : float or array
        sqrt(2 R T/M) of the gas upstream [m/s].
    heat_capacity_ratio : float or array
        Ratio of heat capacities [-].

    Returns
    -------
    float or array
        Squared throughput, counted at the gas temperature [(Pa m3/s)^2]. Zero at equal pressures
        and proportional to the pressure difference near them, so that its root would have no
        finite slope there: hence the square.

    Notes
    -----
    q^2 = (A p1)^2 (R T/M) 2 g/(g - 1) r^(2/g) (1 - r^((g - 1)/g)), r = max(p2/p1, critical ratio).

    References
    ----------
    NACA Report 1135 (1953), one-dimensional isentropic flow.

    Examples
    --------
    >>> q2 = isentropic_throughput_squared(101325.0, 0.0, 7.853982e-7, 410.2389, 1.4)
    >>> round(float(q2) ** 0.5, 3)
    15.807
    """
    forward = (inlet_pressure_pa.real >= outlet_pressure_pa.real) * 1.0
    high = forward * inlet_pressure_pa + (1.0 - forward) * outlet_pressure_pa
    low = forward * outlet_pressure_pa + (1.0 - forward) * inlet_pressure_pa
    gamma = heat_capacity_ratio
    critical = critical_pressure_ratio(gamma)
    subsonic = (low.real > critical * high.real) * 1.0
    drop = subsonic * (high - low) / high + (1.0 - subsonic) * (1.0 - critical)
    log_ratio = np.log1p(-drop)
    shape = -np.exp(2.0 / gamma * log_ratio) * np.expm1((gamma - 1.0) / gamma * log_ratio)
    speed = area_m2 * high * most_probable_speed_m_s
    return speed * speed * gamma / (gamma - 1.0) * shape
