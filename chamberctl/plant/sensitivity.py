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


def flows_and_derivatives(
    chain: Chain, pressures_pa: Any, speed: Any, gas_load_pa_m3_s: Any
) -> tuple[Array, Array]:
    """Net flows, and their derivatives with respect to ln p of the nodes and to ln of speed.

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
        (shape (N, M), shape (N, N + 1, M) with speed last) [Pa m3/s].

    References
    ----------
    W. Squire, G. Trapp, Using complex variables to estimate derivatives of real functions, SIAM
    Review 40:110 (1998).
    """
    size, pressures = chain.size, np.asarray(pressures_pa, dtype=float)
    # every direction of change in one call: shape (directions, states) behind the nodes
    moved = np.repeat(pressures[:, None].astype(complex), size + 1, axis=1)
    output = np.repeat(np.asarray(speed)[None].astype(complex), size + 1, axis=0)
    nodes = np.arange(size)
    moved[nodes, nodes] *= 1.0 + 1j * _STEP
    output[size] *= 1.0 + 1j * _STEP
    flows = chain.net_flows(moved, output, gas_load_pa_m3_s)
    return flows[:, 0].real, flows.imag / _STEP


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
    """
    _, derivatives = flows_and_derivatives(chain, pressures_pa, speed, gas_load_pa_m3_s)
    by_speed = derivatives[:, -1] / np.asarray(speed)
    return np.ascontiguousarray(derivatives[:, :-1].transpose(2, 0, 1)), by_speed.T


def speed_authority(by_pressure: Array, by_speed: Array, speed: Any) -> Array:
    """Speed authority -d ln p/d ln n at constant gas load, for every node.

    Parameters
    ----------
    by_pressure, by_speed : array, shape (M, N, N) and (M, N)
        From `jacobian`, at rest.
    speed : array, shape (M,)
        Speed fraction [-].

    Returns
    -------
    array, shape (N, M)
        Authority [-]: 1 for an ideal pump, toward 0 where the line rules.
    """
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


def slowest_time_constant(chain: Chain, by_pressure: Array, pressures_pa: Any) -> Array:
    """Time constant of the slowest pole of the vacuum system itself (without drive and gauge).

    Parameters
    ----------
    chain : Chain
        The system.
    by_pressure : array, shape (M, N, N)
        From `jacobian`, at rest [Pa m3/s].
    pressures_pa : array, shape (N, M)
        Node pressures [Pa].

    Returns
    -------
    array, shape (M,)
        Time constant [s].
    """
    poles = np.linalg.eigvals(state_matrix(chain, by_pressure, pressures_pa))
    return np.asarray(1.0 / np.min(np.abs(poles), axis=1))
