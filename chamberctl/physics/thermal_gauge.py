"""What a thermal gauge that is calibrated for nitrogen makes of another gas."""

from __future__ import annotations

from typing import Any

import numpy as np

TYPICAL_GAS_FACTORS: dict[str, float] = {
    "N2": 1.0,
    "air": 1.0,
    "O2": 1.0,
    "Ar": 1.7,
    "He": 0.8,
    "H2": 0.5,
    "CO2": 0.9,
    "H2O": 0.6,
}
"""True over indicated pressure below about 1 mbar, rounded means of gauges at constant wire
temperature, within 10 % (K. Jousten (ed.), Handbook of Vacuum Technology, 2nd ed. (2016), thermal
conductivity gauges; from memory)."""


def thermal_gauge_factor(
    heat_capacity_ratio: Any,
    molar_mass_kg_mol: Any,
    calibrated_heat_capacity_ratio: Any,
    calibrated_molar_mass_kg_mol: Any,
) -> Any:
    """Factor from a thermal gauge's indication to the true pressure, by kinetic theory.

    Parameters
    ----------
    heat_capacity_ratio : float or array
        Ratio of heat capacities of the gas that is measured [-].
    molar_mass_kg_mol : float or array
        Its molar mass [kg/mol].
    calibrated_heat_capacity_ratio : float or array
        Ratio of heat capacities of the gas of calibration [-].
    calibrated_molar_mass_kg_mol : float or array
        Its molar mass [kg/mol].

    Returns
    -------
    float or array
        True over indicated pressure [-].

    Notes
    -----
    In molecular flow the wire gives off heat in proportion to p (g + 1)/(g - 1)/sqrt(M). Equal
    accommodation of both gases is assumed: that gives helium and hydrogen 30 to 45 % too little.

    References
    ----------
    S. Dushman, J.M. Lafferty, Scientific Foundations of Vacuum Technique, 2nd ed. (1962), ch. 1
    and 5.

    Examples
    --------
    Argon in a gauge calibrated for nitrogen:

    >>> round(float(thermal_gauge_factor(1.66666, 0.039948, 1.399569, 0.02801348)), 3)
    1.793
    """
    calibrated = _heat_per_pressure(calibrated_heat_capacity_ratio, calibrated_molar_mass_kg_mol)
    return calibrated / _heat_per_pressure(heat_capacity_ratio, molar_mass_kg_mol)


def _heat_per_pressure(heat_capacity_ratio: Any, molar_mass_kg_mol: Any) -> Any:
    """Free-molecular heat conduction per pressure, less what all gases share."""
    shape = (heat_capacity_ratio + 1.0) / (heat_capacity_ratio - 1.0)
    return shape / np.sqrt(molar_mass_kg_mol)
