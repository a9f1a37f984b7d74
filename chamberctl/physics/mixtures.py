"""Properties of a gas blend, treated as one gas."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from chamberctl.physics.constants import T_REF_K
from chamberctl.physics.gases import Gas, viscosity

_SECOND_TEMPERATURE_K = 2.0 * T_REF_K


def blend(gases: Sequence[Gas], fractions: Sequence[float]) -> Gas:
    """Combine gases into one with the blend's mean properties.

    Parameters
    ----------
    gases : sequence of Gas
        The components.
    fractions : sequence of float
        Mole fractions [-], summing to 1.

    Returns
    -------
    Gas
        Mean molar mass [kg/mol], viscosity [Pa s], Sutherland constant [K] and heat capacity
        ratio [-].

    Raises
    ------
    ValueError
        If the fractions do not sum to 1.

    Notes
    -----
    Viscosity by Wilke's rule at 20 degC and at twice that absolute temperature; the Sutherland
    constant joins the two. In molecular flow each component would pass on its own and the blend
    would change along the line: not modeled.

    References
    ----------
    C.R. Wilke, A viscosity equation for gas mixtures, J. Chem. Phys. 18:517 (1950).

    Examples
    --------
    >>> from chamberctl.physics.gases import GASES
    >>> air = blend([GASES["N2"], GASES["O2"], GASES["Ar"]], [0.781, 0.2096, 0.0094])
    >>> round(air.molar_mass_kg_mol * 1e3, 2), round(air.viscosity_20c_pa_s * 1e6, 2)
    (28.96, 18.18)
    """
    shares = np.asarray(fractions, dtype=float)
    if abs(float(shares.sum()) - 1.0) > 1e-6:
        raise ValueError(f"mole fractions must sum to 1, not {shares.sum():g}")
    heat = [gas.heat_capacity_ratio / (gas.heat_capacity_ratio - 1.0) for gas in gases]
    mean_heat = float(shares @ heat)
    mass = np.array([gas.molar_mass_kg_mol for gas in gases])
    cold, hot = (
        _wilke(
            np.array([viscosity(t, gas.viscosity_20c_pa_s, gas.sutherland_k) for gas in gases]),
            mass,
            shares,
        )
        for t in (T_REF_K, _SECOND_TEMPERATURE_K)
    )
    ratio = _SECOND_TEMPERATURE_K / T_REF_K
    rise, power = hot / cold, ratio * np.sqrt(ratio)
    constant = (power * T_REF_K - rise * _SECOND_TEMPERATURE_K) / (rise - power)
    name = " + ".join(
        f"{share:.3g} {gas.name}" for share, gas in zip(fractions, gases, strict=True)
    )
    return Gas(name, float(shares @ mass), cold, float(constant), mean_heat / (mean_heat - 1.0))


def _wilke(viscosities: np.ndarray, masses: np.ndarray, shares: np.ndarray) -> float:
    """Viscosity of a blend from those of its components [Pa s]."""
    ratio = viscosities[:, None] / viscosities[None, :]
    mass = masses[:, None] / masses[None, :]
    weight = (1.0 + np.sqrt(ratio) * mass**-0.25) ** 2 / np.sqrt(8.0 * (1.0 + mass))
    return float(np.sum(shares * viscosities / (weight @ shares)))
