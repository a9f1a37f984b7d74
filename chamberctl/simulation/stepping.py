"""One time step of the nonlinear plant: small stiff volumes and the slow chamber together.

A two-stage, stiffly accurate, L-stable diagonally implicit method of second order (R. Alexander,
SIAM J. Numer. Anal. 14:1006 (1977)) in ln p. A node without a volume has an algebraic equation,
which the method meets at the end of every step. Plain functions, so that they also compile.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

from chamberctl.plant.equations import net_flows
from chamberctl.simulation.drive import DriveNumbers, speed_after

GAMMA = 1.0 - 1.0 / np.sqrt(2.0)
"""Diagonal coefficient of the method."""

NEWTON_TOLERANCE = 1e-11
"""Largest last Newton correction of ln p."""

_MOST_ITERATIONS = 12
_PERTURBATION = 1e-7


class PlantNumbers(NamedTuple):
    """The chain's arrays, see `plant.chain.Chain`."""

    kinds: Any
    rows: Any
    curves: Any
    compression: Any
    nodes: Any
    vapor: Any
    booster_map: Any
    backing_map: Any
    volumes_m3: Any


class Surroundings(NamedTuple):
    """What acts on the plant during one smooth stretch of time.

    Straight lines from `load` to `load_end` [Pa m3/s] and from `open` to `open_end` (factor on the
    conductance of element `moving`, -1 for none) over `length_s`; the drive runs from
    `speed_start` towards `target` since `since_s` before the stretch began. Element `booster` (-1:
    none) turns at a share of what the map says, on a straight line from `share` to `share_end`.
    """

    length_s: float
    load: float
    load_end: float
    moving: int
    open: float
    open_end: float
    speed_start: float
    target: float
    since_s: float
    booster: int = -1
    share: float = 1.0
    share_end: float = 1.0


def speed_at(around: Surroundings, drive: DriveNumbers, t: float) -> float:
    """Speed of the drive a time t into the stretch [-]."""
    return speed_after(around.speed_start, around.target, drive, around.since_s + t)


def flows_at(
    plant: PlantNumbers, rows: Any, around: Surroundings, drive: DriveNumbers, t: float,
    x: Any, flows: Any,
) -> Any:  # fmt: skip
    """Net flow into every node at time t of the stretch, for ln p in x [Pa m3/s].

    `rows` is written: the openness of the moving part, and swept and carried-back speed of a
    booster that turns slower than the map says.
    """
    share = t / around.length_s if around.length_s > 0.0 else 0.0
    load = around.load + share * (around.load_end - around.load)
    if around.moving >= 0:
        rows[around.moving, 9] = around.open + share * (around.open_end - around.open)
    if around.booster >= 0:
        turning = around.share + share * (around.share_end - around.share)
        for swept in (0, 3):
            rows[around.booster, swept] = turning * plant.rows[around.booster, swept]
    return net_flows(
        plant.kinds,
        rows,
        plant.curves,
        plant.compression,
        plant.nodes,
        plant.vapor,
        plant.booster_map,
        plant.backing_map,
        np.exp(x),
        speed_at(around, drive, t),
        load,
        flows,
    )


def slopes(
    plant: PlantNumbers, rows: Any, around: Surroundings, drive: DriveNumbers, t: float,
    x: Any, matrix: Any, work: Any,
) -> None:  # fmt: skip
    """Fill `matrix` with d(net flows)/d(ln p) by forward differences."""
    count = x.shape[0]
    flows_at(plant, rows, around, drive, t, x, work[0])
    for column in range(count):
        kept = x[column]
        x[column] = kept + _PERTURBATION
        flows_at(plant, rows, around, drive, t, x, work[1])
        x[column] = kept
        for row in range(count):
            matrix[row, column] = (work[1, row] - work[0, row]) / _PERTURBATION


def solve(matrix: Any, right: Any) -> None:
    """Solve a small linear system in place by elimination with row exchange; result in `right`."""
    count = right.shape[0]
    for column in range(count):
        best = column
        for row in range(column + 1, count):
            if abs(matrix[row, column]) > abs(matrix[best, column]):
                best = row
        if best != column:
            for k in range(count):
                kept = matrix[column, k]
                matrix[column, k] = matrix[best, k]
                matrix[best, k] = kept
            kept = right[column]
            right[column] = right[best]
            right[best] = kept
        for row in range(column + 1, count):
            factor = matrix[row, column] / matrix[column, column]
            if factor != 0.0:
                for k in range(column + 1, count):
                    matrix[row, k] -= factor * matrix[column, k]
                right[row] -= factor * right[column]
    for row in range(count - 1, -1, -1):
        total = right[row]
        for k in range(row + 1, count):
            total -= matrix[row, k] * right[k]
        right[row] = total / matrix[row, row]


def stage(
    plant: PlantNumbers, rows: Any, around: Surroundings, drive: DriveNumbers, t: float,
    base: Any, x: Any, weight_s: float, jacobian: Any, work: Any, matrix: Any,
) -> bool:  # fmt: skip
    """Solve one implicit stage, V p (x - base) = weight F(x), by Newton's method from the guess x.

    Parameters
    ----------
    plant, rows, around, drive
        The plant and what acts on it; `rows` may be written (openness of a moving part).
    t : float
        Time of the stage in the stretch [s].
    base, x : array, shape (N,)
        Explicit part, and guess that becomes the solution [ln Pa].
    weight_s : float
        Diagonal coefficient times step [s].
    jacobian : array, shape (N, N)
        d(net flows)/d(ln p), may be a little old.
    work, matrix : array
        Scratch, shapes (3, N) and (N, N).

    Returns
    -------
    bool
        Whether the iteration converged.
    """
    count = x.shape[0]
    for _ in range(_MOST_ITERATIONS):
        flows_at(plant, rows, around, drive, t, x, work[0])
        for row in range(count):
            content = plant.volumes_m3[row] * np.exp(x[row])
            work[2, row] = weight_s * work[0, row] - content * (x[row] - base[row])
            for column in range(count):
                matrix[row, column] = -weight_s * jacobian[row, column]
            matrix[row, row] += content * (1.0 + x[row] - base[row])
        solve(matrix, work[2])
        largest = 0.0
        for row in range(count):
            change = work[2, row]
            if not abs(change) < 1e3:
                return False
            # far from the solution the logarithm is not allowed to run away
            change = min(max(change, -2.0), 2.0)
            x[row] += change
            largest = max(largest, abs(change))
        if largest < NEWTON_TOLERANCE:
            return True
    return largest < 1e-8
