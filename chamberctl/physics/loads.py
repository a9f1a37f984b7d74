"""Gas loads that follow a law: outgassing walls and evaporating goods."""

from __future__ import annotations

from typing import Any


def outgassing_load(load_1h_pa_m3_s: Any, exponent: Any, age_s: Any) -> Any:
    """Outgassing some time after pump-down.

    Parameters
    ----------
    load_1h_pa_m3_s : float or array
        Outgassing one hour after pump-down [Pa m3/s].
    exponent : float or array
        Exponent of decay [-]: about 1 for metals (water), about 0.5 for polymers (diffusion).
    age_s : float or array
        Time since pump-down [s].

    Returns
    -------
    float or array
        a1 (t/1 h)^-m [Pa m3/s].

    References
    ----------
    R.J. Elsey, Outgassing of vacuum materials, Vacuum 25:299 and 25:347 (1975) (from memory).

    Examples
    --------
    >>> round(float(outgassing_load(1e-3, 1.0, 36000.0)), 6)
    0.0001
    """
    return load_1h_pa_m3_s * (age_s / 3600.0) ** (-exponent)


def vapor_load(pressure_pa: Any, vapor_conductance_m3_s: Any, saturation_pressure_pa: Any) -> Any:
    """Vapor that goods give off into the chamber.

    Parameters
    ----------
    pressure_pa : float or array
        Chamber pressure [Pa].
    vapor_conductance_m3_s : float or array
        Vapor flow per pressure difference [m3/s].
    saturation_pressure_pa : float or array
        Vapor pressure at the goods [Pa].

    Returns
    -------
    float or array
        k (p_sat - p) [Pa m3/s], never negative.

    References
    ----------
    Linear resistance of the dry layer: assumed, as common in drying practice.

    Examples
    --------
    >>> float(vapor_load(10.0, 0.5, 30.0)), float(vapor_load(40.0, 0.5, 30.0))
    (10.0, -0.0)
    """
    excess = saturation_pressure_pa - pressure_pa
    return vapor_conductance_m3_s * excess * ((excess.real > 0.0) * 1.0)
