"""Gauge and drive: what the controller reads and what its command becomes."""

from __future__ import annotations

from typing import Any

import numpy as np


def indicated_pressure(true_pressure_pa: Any, gas_factor: Any) -> Any:
    """Pressure a gauge shows for a gas that it is not calibrated for.

    Parameters
    ----------
    true_pressure_pa : float or array
        Pressure at the gauge [Pa].
    gas_factor : float or array
        True over indicated pressure [-]; 1 for a gauge that does not depend on the gas.

    Returns
    -------
    float or array
        Indicated pressure [Pa].

    References
    ----------
    K. Jousten (ed.), Handbook of Vacuum Technology, 2nd ed. (2016), thermal conductivity gauges
    (from memory): p_true = factor x p_indicated.

    Examples
    --------
    >>> indicated_pressure(170.0, 1.7)
    100.0
    """
    return true_pressure_pa / gas_factor


def count_size(
    pressure_pa: Any, range_low_pa: Any, range_high_pa: Any, bits: int, signal: str
) -> Any:
    """Size of one count of a digitized gauge signal, relative to the reading.

    Parameters
    ----------
    pressure_pa : float or array
        Reading [Pa].
    range_low_pa, range_high_pa : float or array
        Ends of the digitized range [Pa].
    bits : int
        Resolution of the converter.
    signal : {"linear", "log"}
        How the signal follows pressure.

    Returns
    -------
    float or array
        Relative pressure change per count [-].

    Notes
    -----
    Linear: (high - low)/(2^bits - 1)/p. Log: (high/low)^(1/(2^bits - 1)) - 1.

    References
    ----------
    Definition.

    Examples
    --------
    >>> round(float(count_size(500.0, 0.0, 1e5, 12, "linear")) * 100.0, 2)
    4.88
    """
    steps = 2.0**bits - 1.0
    if signal == "linear":
        return (range_high_pa - range_low_pa) / steps / pressure_pa
    return np.expm1(np.log(range_high_pa / range_low_pa) / steps) + 0.0 * pressure_pa


def pump_speed(output: Any, knots: Any, speeds: Any) -> Any:
    """Speed fraction of one pump for a controller output, piecewise linear.

    Parameters
    ----------
    output : float or array
        Controller output [-], fraction of rated speed.
    knots : array, shape (K,)
        Outputs at which the speed is given [-], rising.
    speeds : array, shape (K,)
        Speed fraction of the pump at the knots [-].

    Returns
    -------
    float or array
        Speed fraction [-]; straight on beyond the end knots (the drive's limits hold the output).

    References
    ----------
    Definition of the speed map.

    Examples
    --------
    >>> round(float(pump_speed(0.5, np.array([0.0, 1.0]), np.array([0.6, 1.0]))), 3)
    0.8
    """
    slope = (speeds[1] - speeds[0]) / (knots[1] - knots[0])
    total = speeds[0] + slope * (output - knots[0])
    for k in range(1, len(knots) - 1):
        steeper = (speeds[k + 1] - speeds[k]) / (knots[k + 1] - knots[k]) - slope
        over = output - knots[k]
        total = total + steeper * over * ((over.real > 0.0) * 1.0)
        slope = slope + steeper
    return total
