"""The chamber: how much gas a volume holds when parts of it are hot."""

from __future__ import annotations

from typing import Any

from chamberctl.physics.constants import T_REF_K


def effective_volume(volumes_m3: Any, temperatures_k: Any) -> Any:
    """Volume at the reference temperature that stores as much gas as the given parts.

    Parameters
    ----------
    volumes_m3 : sequence of float
        Volumes of the parts [m3].
    temperatures_k : sequence of float
        Gas temperatures of the parts [K].

    Returns
    -------
    float
        V_eff = T_ref sum(V_i/T_i) [m3]: a hot zone counts less than its size.

    References
    ----------
    Ideal gas at one pressure, flows counted at T_ref.

    Examples
    --------
    >>> round(effective_volume([1.0], [879.45]), 3)
    0.333
    """
    parts = zip(volumes_m3, temperatures_k, strict=True)
    return T_REF_K * sum(volume / temperature for volume, temperature in parts)
