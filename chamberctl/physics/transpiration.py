"""What a gauge head at another temperature than the chamber shows."""

from __future__ import annotations

from typing import Any

import numpy as np

# gamma(delta) = 0.5/(1 + A sqrt(delta) + B delta + C delta^2): fitted here to the S-model solution
# (definitions: F. Sharipov, V. Seleznev, J. Phys. Chem. Ref. Data 27:657 (1998)); it holds 0.8 %
# for 1e-3 <= delta <= 100 and meets both limits.
_ROOT, _LINEAR, _SQUARE = 0.26643754, 0.48730762, 0.10753739


def transpiration_exponent(rarefaction: Any) -> Any:
    """Exponent of thermal transpiration between two volumes joined by a tube.

    Parameters
    ----------
    rarefaction : float or array
        delta = a p/(mu v0) of the joining tube [-].

    Returns
    -------
    float or array
        gamma in p2/p1 = (T2/T1)^gamma [-]: 1/2 in molecular flow, 0 in viscous flow.

    References
    ----------
    F. Sharipov, V. Seleznev, J. Phys. Chem. Ref. Data 27:657 (1998).

    Examples
    --------
    >>> round(float(transpiration_exponent(1.0)), 3)
    0.269
    """
    delta = rarefaction
    return 0.5 / (1.0 + _ROOT * np.sqrt(delta) + _LINEAR * delta + _SQUARE * delta * delta)


def transpiration_ratio(
    pressure_pa: Any,
    head_temperature_k: Any,
    chamber_temperature_k: Any,
    tube_radius_m: Any,
    viscosity_pa_s: Any,
    most_probable_speed_m_s: Any,
) -> Any:
    """Pressure in a gauge head over pressure in the chamber.

    Parameters
    ----------
    pressure_pa : float or array
        Chamber pressure [Pa].
    head_temperature_k, chamber_temperature_k : float or array
        Temperatures of head and chamber [K].
    tube_radius_m : float or array
        Radius of the tube to the head [m].
    viscosity_pa_s : float or array
        Viscosity at the mean temperature [Pa s].
    most_probable_speed_m_s : float or array
        sqrt(2 R T/M) at the mean temperature [m/s].

    Returns
    -------
    float or array
        (T_head/T_chamber)^gamma [-].

    References
    ----------
    M. Knudsen, Ann. Physik 31:205 (1910) for the limit; `transpiration_exponent` between.

    Examples
    --------
    >>> round(float(transpiration_ratio(1e-3, 318.15, 296.15, 0.002, 1.8e-5, 420.0)), 4)
    1.0363
    """
    delta = tube_radius_m * pressure_pa / (viscosity_pa_s * most_probable_speed_m_s)
    exponent = transpiration_exponent(delta)
    return np.exp(exponent * np.log(head_temperature_k / chamber_temperature_k))
