"""Gases: kinetic-theory properties and a table of the common ones.

The functions are written branch-free, so that they run on numbers, on arrays, with complex
arguments (for derivatives) and compiled.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from chamberctl.physics.constants import MOLAR_GAS_CONSTANT_J_MOL_K, T_REF_K


@dataclass(frozen=True)
class Gas:
    """Properties of one gas.

    Parameters
    ----------
    name : str
        Chemical symbol or "air".
    molar_mass_kg_mol : float
        Molar mass [kg/mol].
    viscosity_20c_pa_s : float
        Dynamic viscosity of the dilute gas at 20 degC [Pa s].
    sutherland_k : float
        Sutherland constant [K].
    heat_capacity_ratio : float
        Ratio of heat capacities at 20 degC [-].
    """

    name: str
    molar_mass_kg_mol: float
    viscosity_20c_pa_s: float
    sutherland_k: float
    heat_capacity_ratio: float


# Molar mass, viscosity and heat capacity ratio at 293.15 K and 100 Pa: reference correlations
# N2, air, Ar, O2: E.W. Lemmon, R.T. Jacobsen, Int. J. Thermophys. 25:21 (2004);
# He: V.D. Arp, R.D. McCarty, D.G. Friend, NIST TN 1334 (1998);
# H2: C.D. Muzny, M.L. Huber, A.F. Kazakov, J. Chem. Eng. Data 58:969 (2013);
# H2O: M.L. Huber et al., J. Phys. Chem. Ref. Data 38:101 (2009);
# CO2: A. Laesecke, C.D. Muzny, J. Phys. Chem. Ref. Data 46:013107 (2017).
# Sutherland constants: least-squares fits to the same correlations over 253-573 K, computed
# here; the fits hold 0.3 % (He 1.0 %, H2O 1.9 %).
GASES: dict[str, Gas] = {
    gas.name: gas
    for gas in (
        Gas("N2", 0.02801348, 1.755952e-05, 119.9, 1.399569),
        Gas("air", 0.02896546, 1.819114e-05, 121.9, 1.400118),
        Gas("Ar", 0.039948, 2.228926e-05, 159.3, 1.66666),
        Gas("He", 0.004002602, 1.961379e-05, 90.4, 1.666667),
        Gas("H2", 0.00201588, 8.796186e-06, 85.6, 1.405939),
        Gas("H2O", 0.01801527, 9.550205e-06, 638.7, 1.32927),
        Gas("CO2", 0.0440098, 1.466618e-05, 267.9, 1.290758),
        Gas("O2", 0.0319988, 2.025075e-05, 137.6, 1.395215),
    )
}


def viscosity(temperature_k: Any, viscosity_20c_pa_s: Any, sutherland_k: Any) -> Any:
    """Dynamic viscosity of a dilute gas by Sutherland's law.

    Parameters
    ----------
    temperature_k : float or array
        Gas temperature [K].
    viscosity_20c_pa_s : float or array
        Viscosity at 20 degC [Pa s].
    sutherland_k : float or array
        Sutherland constant [K].

    Returns
    -------
    float or array
        Dynamic viscosity [Pa s].

    Notes
    -----
    mu = mu_0 (T/T_0)^1.5 (T_0 + S)/(T + S), T_0 = 293.15 K; independent of pressure.

    References
    ----------
    W. Sutherland, The viscosity of gases and molecular force, Phil. Mag. 36:507 (1893).

    Examples
    --------
    >>> round(float(viscosity(293.15, 1.755952e-5, 119.9)) * 1e6, 3)
    17.56
    """
    ratio = temperature_k / T_REF_K
    return (
        viscosity_20c_pa_s
        * ratio
        * np.sqrt(ratio)
        * (T_REF_K + sutherland_k)
        / (temperature_k + sutherland_k)
    )


def most_probable_speed(temperature_k: Any, molar_mass_kg_mol: Any) -> Any:
    """Most probable thermal speed of the molecules.

    Parameters
    ----------
    temperature_k : float or array
        Gas temperature [K].
    molar_mass_kg_mol : float or array
        Molar mass [kg/mol].

    Returns
    -------
    float or array
        sqrt(2 R T/M) [m/s].

    References
    ----------
    S. Dushman, J.M. Lafferty, Scientific Foundations of Vacuum Technique, 2nd ed. (1962), ch. 1.

    Examples
    --------
    >>> round(float(most_probable_speed(293.15, 0.02801348)), 2)
    417.15
    """
    return np.sqrt(2.0 * MOLAR_GAS_CONSTANT_J_MOL_K * temperature_k / molar_mass_kg_mol)


def mean_thermal_speed(temperature_k: Any, molar_mass_kg_mol: Any) -> Any:
    """Mean thermal speed of the molecules.

    Parameters
    ----------
    temperature_k : float or array
        Gas temperature [K].
    molar_mass_kg_mol : float or array
        Molar mass [kg/mol].

    Returns
    -------
    float or array
        sqrt(8 R T/(pi M)) [m/s].

    References
    ----------
    S. Dushman, J.M. Lafferty, Scientific Foundations of Vacuum Technique, 2nd ed. (1962), ch. 1.

    Examples
    --------
    >>> round(float(mean_thermal_speed(293.15, 0.02801348)), 2)
    470.7
    """
    return 2.0 / np.sqrt(np.pi) * most_probable_speed(temperature_k, molar_mass_kg_mol)


def mean_free_path(
    pressure_pa: Any, temperature_k: Any, molar_mass_kg_mol: Any, viscosity_pa_s: Any
) -> Any:
    """Mean free path by the viscosity-based definition.

    Parameters
    ----------
    pressure_pa : float or array
        Pressure [Pa].
    temperature_k : float or array
        Gas temperature [K].
    molar_mass_kg_mol : float or array
        Molar mass [kg/mol].
    viscosity_pa_s : float or array
        Dynamic viscosity [Pa s].

    Returns
    -------
    float or array
        mu sqrt(pi R T/(2 M))/p [m].

    Notes
    -----
    Other textbook definitions differ by up to 2 %.

    References
    ----------
    S. Dushman, J.M. Lafferty, Scientific Foundations of Vacuum Technique, 2nd ed. (1962), ch. 1.

    Examples
    --------
    >>> round(float(mean_free_path(1.0, 293.15, 0.02801348, 1.755952e-5)) * 1e3, 3)
    6.492
    """
    speed = most_probable_speed(temperature_k, molar_mass_kg_mol)
    return 0.5 * np.sqrt(np.pi) * viscosity_pa_s * speed / pressure_pa
