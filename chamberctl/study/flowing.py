"""The gas of a system: from the table, described by the user, or blended."""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING

from chamberctl.physics.gases import GASES, Gas
from chamberctl.physics.mixtures import blend

if TYPE_CHECKING:
    from chamberctl import study


@lru_cache(maxsize=64)
def system_gas(described: study.Gas) -> Gas:
    """Properties of the gas that a study describes.

    Parameters
    ----------
    described : study.Gas
        The study's gas.

    Returns
    -------
    Gas
        Its properties.
    """
    if described.name == "blend":
        parts = [GASES[part.name] for part in described.parts]
        return blend(parts, [part.fraction for part in described.parts])
    if described.name != "own":
        return GASES[described.name]
    assert described.molar_mass_kg_mol is not None
    assert described.viscosity_20c_pa_s is not None
    assert described.sutherland_k is not None
    assert described.heat_capacity_ratio is not None
    return Gas(
        "own gas",
        described.molar_mass_kg_mol,
        described.viscosity_20c_pa_s,
        described.sutherland_k,
        described.heat_capacity_ratio,
    )


def molecular_scale(stated: Gas, flowing: Gas) -> float:
    """Factor on a molecular leak when another gas flows than it was stated for [-].

    Parameters
    ----------
    stated, flowing : Gas
        The two gases, at one temperature.

    Returns
    -------
    float
        sqrt(M_stated/M_flowing).
    """
    return float((stated.molar_mass_kg_mol / flowing.molar_mass_kg_mol) ** 0.5)


def viscous_scale(stated: Gas, flowing: Gas) -> float:
    """Factor on a viscous leak when another gas flows than it was stated for [-].

    Parameters
    ----------
    stated, flowing : Gas
        The two gases, at one temperature.

    Returns
    -------
    float
        mu_stated/mu_flowing.
    """
    return stated.viscosity_20c_pa_s / flowing.viscosity_20c_pa_s
