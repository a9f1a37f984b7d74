"""Derivatives of the right-hand side at a steady state: authority, time constants.

By complex step: exact to rounding, vectorized over any number of operating points.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from chamberctl.physics.loads import vapor_load
from chamberctl.plant.chain import Chain
from chamberctl.plant.equations import LAST, PASSIVE, element_throughput, node_balance

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
    pressures = np.asarray(pressures_pa, dtype=float)
    size, states = chain.size, pressures.shape[1]
    directions = np.arange(size)
    moved = np.repeat(pressures[:, None].astype(complex), size + 1, axis=1)
    moved[directions, directions] *= 1.0 + 1j * _STEP
    evaporating = vapor_load(moved[0], *chain.vapor)
    arriving = gas_load_pa_m3_s + evaporating
    flows = np.empty((size, size + 1, states), dtype=complex)
    leaving = _leaving(chain, pressures, np.asarray(speed))
    for node in range(size):
        purge, cold, catching = chain.nodes[:, node]
        flows[node] = node_balance(
            arriving, purge, cold, catching, evaporating, leaving[node], moved[node]
        )
        arriving = leaving[node]
    return flows[:, 0].real, flows.imag / _STEP


def _leaving(chain: Chain, pressures_pa: Array, speed: Array) -> NDArray[np.complex128]:
    """Throughput of every element with one node or the speed moved, shape (N, N + 1, M).

    An element feels only the pressures at its ends and, if it is a pump, the speed.
    """
    size, turning = chain.size, speed * (1.0 + 1j * _STEP)
    pumps = chain.booster_speed(turning), chain.backing_speed(turning)
    result = np.empty((size, size + 1, pressures_pa.shape[1]), dtype=complex)
    for node in range(size):
        kind = int(chain.kinds[node])
        feels, speeds = [node], pumps
        if kind not in LAST:
            feels.append(node + 1)
        if kind not in PASSIVE:
            feels.append(size)
            at_speed = np.array(feels)[:, None] == size
            speeds = tuple(np.where(at_speed, pump, pump.real) for pump in pumps)
        moved = 1.0 + 1j * _STEP * (np.array(feels)[:, None, None] == [[node], [node + 1]])
        inlet = pressures_pa[node] * moved[:, 0]
        beyond = pressures_pa[node + 1] if kind not in LAST else np.zeros(speed.shape)
        flow = element_throughput(
            kind,
            chain.rows[node],
            chain.curves,
            chain.compression,
            inlet,
            beyond * moved[:, 1],
            *speeds,
        )
        result[node] = flow[0].real
        result[node, feels] = flow
    return result


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
