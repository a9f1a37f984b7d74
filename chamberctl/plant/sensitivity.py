"""Derivatives of the right-hand side at a steady state: authority, time constants.

By complex step: exact to rounding, vectorized over any number of operating points.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from chamberctl.plant.chain import Chain

Array = NDArray[np.float64]
_STEP = 1e-30


def jacobian(
    chain: Chain, pressures_pa: Any, speed: Any, gas_load_pa_m3_s: Any
) -> tuple[Array, Array]:
    """Derivatives of the net flows with respect to ln p of the nodes and to speed.

    Parameters
    ----------
    chain : Chain
        The system.
    pressures_pa : array, shape (N, M)
        Node pressures [Pa].
    speed, gas_load_pa_m3_s : array, shape (M,)
        Speed fraction [-] and gas load [Pa m3/s].

    Returns
    -------
    tuple of array
        (shape (M, N, N) [Pa m3/s], shape (M, N) [Pa m3/s per speed fraction]).

    References
    ----------
    W. Squire, G. Trapp, Using complex variables to estimate derivatives of real functions, SIAM
    Review 40:110 (1998).
    """
    pressures = np.asarray(pressures_pa, dtype=float)
    count = pressures.shape[1]
    by_pressure = np.empty((count, chain.size, chain.size))
    for node in range(chain.size):
        moved = pressures.astype(complex)
        moved[node] *= 1.0 + 1j * _STEP
        flows = chain.net_flows(moved, speed, gas_load_pa_m3_s)
        by_pressure[:, :, node] = (flows.imag / _STEP).T
    moved_speed = np.asarray(speed) + 1j * _STEP
    flows = chain.net_flows(pressures, moved_speed, gas_load_pa_m3_s)
    return by_pressure, (flows.imag / _STEP).T


def speed_authority(chain: Chain, pressures_pa: Any, speed: Any, gas_load_pa_m3_s: Any) -> Array:
    """Speed authority -d ln p/d ln n at constant gas load, for every node.

    Parameters
    ----------
    chain : Chain
        The system.
    pressures_pa : array, shape (N, M)
        Node pressures at rest [Pa].
    speed, gas_load_pa_m3_s : array, shape (M,)
        Speed fraction [-] and gas load [Pa m3/s].

    Returns
    -------
    array, shape (N, M)
        Authority [-]: 1 for an ideal pump, toward 0 where the line rules.
    """
    by_pressure, by_speed = jacobian(chain, pressures_pa, speed, gas_load_pa_m3_s)
    change = np.linalg.solve(by_pressure, by_speed[..., None])[..., 0]
    return (np.asarray(speed)[:, None] * change).T


def state_matrix(chain: Chain, by_pressure: Array, pressures_pa: Any) -> Array:
    """Matrix of d/dt (ln p) for the nodes that have a volume.

    Parameters
    ----------
    chain : Chain
        The system.
    by_pressure : array, shape (M, N, N)
        From `jacobian` [Pa m3/s].
    pressures_pa : array, shape (N, M)
        Node pressures [Pa].

    Returns
    -------
    array, shape (M, K, K)
        State matrix [1/s]; nodes without a volume are eliminated exactly.
    """
    held = np.flatnonzero(chain.volumes_m3 > 0.0)
    free = np.flatnonzero(chain.volumes_m3 == 0.0)
    reduced = by_pressure[:, held][:, :, held]
    if free.size:
        inner = np.linalg.solve(by_pressure[:, free][:, :, free], by_pressure[:, free][:, :, held])
        reduced = reduced - by_pressure[:, held][:, :, free] @ inner
    content = (chain.volumes_m3[held][:, None] * np.asarray(pressures_pa)[held]).T
    return reduced / content[:, :, None]


def slowest_time_constant(
    chain: Chain, pressures_pa: Any, speed: Any, gas_load_pa_m3_s: Any
) -> Array:
    """Time constant of the slowest pole of the vacuum system itself (without drive and gauge).

    Parameters
    ----------
    chain : Chain
        The system.
    pressures_pa : array, shape (N, M)
        Node pressures at rest [Pa].
    speed, gas_load_pa_m3_s : array, shape (M,)
        Speed fraction [-] and gas load [Pa m3/s].

    Returns
    -------
    array, shape (M,)
        Time constant [s].
    """
    by_pressure, _ = jacobian(chain, pressures_pa, speed, gas_load_pa_m3_s)
    poles = np.linalg.eigvals(state_matrix(chain, by_pressure, pressures_pa))
    return 1.0 / np.min(np.abs(poles), axis=1)
