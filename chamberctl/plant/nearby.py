"""Steady states of changed systems, found from those of the system they were changed from.

Newton's method on all node balances at once, for any number of changed systems and states together.
The two of speed, gas load and pressures that a state is asked at are held; the rest is found.
A step that makes the balances worse is halved (flow through a wide line goes with the square root
of a tiny pressure difference, where whole steps would swing for ever).
Where a step does not settle, the state is marked as not found and the bracketed search of
`steady.py` must decide.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from chamberctl.physics.constants import HIGHEST_PRESSURE_PA
from chamberctl.plant.chain import Chain
from chamberctl.plant.sensitivity import flows_and_derivatives

Array = NDArray[np.float64]

SPEED, GAS_LOAD = -2, -1
"""What is held beside the indices of nodes, whose pressures may be held."""

ROUNDS = 60
"""Most steps; from a state near by six are enough."""

SETTLED = 1e-10
"""Largest last step in ln p and ln n: Newton's next one would be its square."""

LARGEST_STEP = 1.5
"""Longest step in ln p and ln n, so that a far state is walked to and not jumped past."""

_TABLES = ("curves", "compression")


@dataclass(frozen=True)
class States:
    """Steady states, M of them.

    Parameters
    ----------
    pressures_pa : array, shape (N, M)
        Node pressures [Pa].
    speed, gas_load_pa_m3_s : array, shape (M,)
        Controller output [-] and gas entering the chamber [Pa m3/s].
    found : bool array, shape (M,)
        Whether the search settled.
    """

    pressures_pa: Array
    speed: Array
    gas_load_pa_m3_s: Array
    found: NDArray[np.bool_]

    def __getitem__(self, which: slice | NDArray) -> States:
        """Return some of the states."""
        return States(
            self.pressures_pa[:, which],
            self.speed[which],
            self.gas_load_pa_m3_s[which],
            self.found[which],
        )


def joined(parts: Sequence[States]) -> States:
    """Return states one after the other.

    Parameters
    ----------
    parts : sequence of States
        At least one, of systems of the same size.
    """
    return States(
        np.concatenate([part.pressures_pa for part in parts], axis=1),
        np.concatenate([part.speed for part in parts]),
        np.concatenate([part.gas_load_pa_m3_s for part in parts]),
        np.concatenate([part.found for part in parts]),
    )


@dataclass(frozen=True)
class Held:
    """What each of M states is asked at: two quantities and their values.

    Parameters
    ----------
    which : int array, shape (2, M)
        SPEED, GAS_LOAD or the index of a node.
    values : array, shape (2, M)
        Speed [-], gas load [Pa m3/s] or pressure of the node [Pa].
    """

    which: NDArray[np.int64]
    values: Array


def same_shape(one: Chain, other: Chain) -> bool:
    """Say whether two systems differ in numbers that can be stacked, and in nothing else."""
    return all(
        np.array_equal(getattr(one, name), getattr(other, name))
        for name in ("kinds", "booster_map", "backing_map")
    ) and all(getattr(one, name).shape == getattr(other, name).shape for name in _TABLES)


def in_groups(chains: Sequence[Chain]) -> list[list[int]]:
    """Return the indices of systems that can be stacked, group by group.

    Parameters
    ----------
    chains : sequence of Chain
        Systems.
    """
    groups: list[list[int]] = []
    for index, chain in enumerate(chains):
        for group in groups:
            if same_shape(chains[group[0]], chain):
                group.append(index)
                break
        else:
            groups.append([index])
    return groups


def stacked(chains: Sequence[Chain], each: int | Sequence[int]) -> Chain:
    """Join systems of the same shape into one with a state axis.

    Parameters
    ----------
    chains : sequence of Chain
        Systems for which `same_shape` holds.
    each : int or sequence of int
        States of each system, side by side.

    Returns
    -------
    Chain
        For `net_flows` with all these states; the volumes are the first system's.
    """

    def side_by_side(name: str) -> Array:
        return np.repeat(np.stack([getattr(c, name) for c in chains], axis=-1), each, axis=-1)

    # tables are looked up faster where all systems share them
    own = [name for name in _TABLES if not _shared([getattr(c, name) for c in chains])]
    arrays: dict[str, Any] = {name: side_by_side(name) for name in ("rows", "nodes", "vapor", *own)}
    return replace(chains[0], **arrays)


def _shared(tables: Sequence[Array]) -> bool:
    """Say whether all tables are the same."""
    first = tables[0]
    return all(table is first or np.array_equal(table, first) for table in tables)


def settle(chain: Chain, start: States, held: Held) -> States:
    """Find steady states from states near by.

    Parameters
    ----------
    chain : Chain
        One system, or several stacked.
    start : States
        Where to begin; its `found` is not read. One without a state (NaN) is not found.
    held : Held
        What each state is asked at.

    Returns
    -------
    States
        With `found` false where the search did not settle or left the model.
    """
    size, count = chain.size, start.speed.size
    scale = np.maximum(np.abs(start.gas_load_pa_m3_s), 1e-9 * start.pressures_pa[0])
    z = np.concatenate(
        [
            np.log(start.pressures_pa),
            np.log(start.speed)[None],
            (start.gas_load_pa_m3_s / scale)[None],
        ]
    )
    rows = np.where(held.which < 0, held.which + size + 2, held.which)
    wanted = np.log(np.where(rows > size, 1.0, held.values))
    wanted = np.where(rows > size, held.values / scale, wanted)
    settled = np.zeros(count, dtype=bool)
    before, tried, error = z.copy(), np.zeros(z.shape), np.full(count, np.inf)
    for _ in range(ROUNDS):
        # a state that begins nowhere, or whose step had no answer, is not asked about any more
        moving = np.flatnonzero(~settled & np.isfinite(z).all(axis=0))
        if moving.size == 0:
            break
        step, now = _step(
            _some(chain, moving), z[:, moving], scale[moving], rows[:, moving], wanted[:, moving]
        )
        longest = np.max(np.abs(step[: size + 1]), axis=0)
        settled[moving] = np.nan_to_num(np.max(np.abs(step), axis=0), nan=np.inf) < SETTLED
        worse = ~(now <= error[moving]) & ~settled[moving]
        with np.errstate(invalid="ignore", divide="ignore"):
            step *= np.where(longest > LARGEST_STEP, LARGEST_STEP / longest, 1.0)
        before[:, moving] = np.where(worse, before[:, moving], z[:, moving])
        tried[:, moving] = np.where(worse, 0.5 * tried[:, moving], step)
        error[moving] = np.where(worse, error[moving], now)
        z[:, moving] = before[:, moving] + tried[:, moving]
    pressures = np.exp(z[:size])
    found = settled & np.all(pressures <= HIGHEST_PRESSURE_PA, axis=0)
    return States(pressures, np.exp(z[size]), z[size + 1] * scale, found)


def _some(chain: Chain, which: NDArray[np.int64]) -> Chain:
    """Return the chain of some of its states, where it holds one for each."""
    parts = {"rows": 3, "nodes": 3, "vapor": 2, "curves": 4, "compression": 3}
    return replace(
        chain,
        **{
            name: getattr(chain, name)[..., which]
            for name, dimensions in parts.items()
            if getattr(chain, name).ndim == dimensions
        },
    )


def _step(
    chain: Chain, z: Array, scale: Array, rows: NDArray[np.int64], wanted: Array
) -> tuple[Array, Array]:
    """One Newton step for balances and held quantities, and how far off they are (relative)."""
    size, count = chain.size, z.shape[1]
    pressures, speed, load = np.exp(z[:size]), np.exp(z[size]), z[size + 1] * scale
    flows, derivatives = flows_and_derivatives(chain, pressures, speed, load)
    matrix = np.zeros((count, size + 2, size + 2))
    rest = np.zeros((count, size + 2))
    matrix[:, :size, : size + 1] = (derivatives / scale).transpose(2, 0, 1)
    rest[:, :size] = (flows / scale).T
    matrix[:, 0, size + 1] = 1.0
    states = np.arange(count)
    for k in (0, 1):
        matrix[states, size + k, rows[k]] = 1.0
        rest[:, size + k] = z[rows[k], states] - wanted[k]
    return _solved(matrix, rest), np.max(np.abs(rest), axis=1)


def _solved(matrix: Array, rest: Array) -> Array:
    """Solve each system; nan where it has no single answer."""
    good = np.isfinite(matrix).all(axis=(1, 2)) & np.isfinite(rest).all(axis=1)
    step = np.full(rest.shape, np.nan)
    if np.any(good):
        try:
            step[good] = -np.linalg.solve(matrix[good], rest[good][..., None])[..., 0]
        except np.linalg.LinAlgError:
            for i in np.flatnonzero(good):
                if np.linalg.matrix_rank(matrix[i]) == matrix.shape[1]:
                    step[i] = -np.linalg.solve(matrix[i], rest[i])
    return step.T


def limited(chain: Chain, pressures_pa: Array) -> NDArray[np.bool_]:
    """Say where overflow valve or torque limit holds the booster's pressure difference.

    Parameters
    ----------
    chain : Chain
        One system, or several stacked.
    pressures_pa : array, shape (N, M)
        Node pressures [Pa].
    """
    node = chain.booster_node
    if node is None:
        return np.zeros(pressures_pa.shape[1], dtype=bool)
    difference = pressures_pa[node + 1] - pressures_pa[node]
    limits = np.minimum(chain.rows[node, 4], chain.rows[node, 6])
    return np.asarray(difference > limits)
