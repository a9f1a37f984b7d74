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

NEWTON_SHARE = 0.01
"""Error left by Newton's method, as a share of the tolerance of a step."""

_MOST_ITERATIONS = 8
_PERTURBATION = 1e-7
_LARGEST_CHANGE = 1.0
_SLOW = 0.7
_UNMEASURED = 0.2


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
    x: Any, flows: Any, pressures: Any,
) -> None:  # fmt: skip
    """Fill `flows` with the net flow into every node at time t of the stretch, for ln p in x.

    `pressures` is filled with the node pressures [Pa]. `rows` is written: the openness of the
    moving part, and swept and carried-back speed of a booster that turns slower than the map says.
    """
    for i in range(x.shape[0]):
        pressures[i] = np.exp(x[i])
    share = t / around.length_s if around.length_s > 0.0 else 0.0
    load = around.load + share * (around.load_end - around.load)
    if around.moving >= 0:
        rows[around.moving, 9] = around.open + share * (around.open_end - around.open)
    if around.booster >= 0:
        turning = around.share + share * (around.share_end - around.share)
        for swept in (0, 3):
            rows[around.booster, swept] = turning * plant.rows[around.booster, swept]
    net_flows(
        plant.kinds,
        rows,
        plant.curves,
        plant.compression,
        plant.nodes,
        plant.vapor,
        plant.booster_map,
        plant.backing_map,
        pressures,
        speed_at(around, drive, t),
        load,
        flows,
    )


def slopes(
    plant: PlantNumbers, rows: Any, around: Surroundings, drive: DriveNumbers, t: float,
    x: Any, matrix: Any, work: Any,
) -> None:  # fmt: skip
    """Fill `matrix` with d(net flows)/d(ln p) by forward differences; `work` as in `stage`."""
    count = x.shape[0]
    flows_at(plant, rows, around, drive, t, x, work[0], work[2])
    for column in range(count):
        kept = x[column]
        x[column] = kept + _PERTURBATION
        flows_at(plant, rows, around, drive, t, x, work[1], work[2])
        x[column] = kept
        for row in range(count):
            matrix[row, column] = (work[1, row] - work[0, row]) / _PERTURBATION


def factorize(matrix: Any, order: Any) -> None:
    """Factorize a small matrix in place, with row exchange; `order` is filled with the rows."""
    count = order.shape[0]
    for column in range(count):
        best = column
        for row in range(column + 1, count):
            if abs(matrix[row, column]) > abs(matrix[best, column]):
                best = row
        order[column] = best
        if best != column:
            for k in range(count):
                kept = matrix[column, k]
                matrix[column, k] = matrix[best, k]
                matrix[best, k] = kept
        for row in range(column + 1, count):
            if matrix[row, column] != 0.0:
                factor = matrix[row, column] / matrix[column, column]
                matrix[row, column] = factor
                for k in range(column + 1, count):
                    matrix[row, k] -= factor * matrix[column, k]


def substitute(matrix: Any, order: Any, right: Any) -> None:
    """Solve with a factorized matrix; `right` becomes the solution."""
    count = order.shape[0]
    for row in range(count):
        best = order[row]
        if best != row:
            kept = right[row]
            right[row] = right[best]
            right[best] = kept
    for row in range(1, count):
        total = right[row]
        for k in range(row):
            total -= matrix[row, k] * right[k]
        right[row] = total
    for row in range(count - 1, -1, -1):
        total = right[row]
        for k in range(row + 1, count):
            total -= matrix[row, k] * right[k]
        right[row] = total / matrix[row, row]


def prepare(
    plant: PlantNumbers, x: Any, weight_s: float, jacobian: Any, matrix: Any, order: Any
) -> None:
    """Factorize V p - weight dF/d(ln p), the matrix of both stages of a step from x [Pa m3]."""
    count = x.shape[0]
    for row in range(count):
        for column in range(count):
            matrix[row, column] = -weight_s * jacobian[row, column]
        matrix[row, row] += plant.volumes_m3[row] * np.exp(x[row])
    factorize(matrix, order)


def stage(
    plant: PlantNumbers, rows: Any, around: Surroundings, drive: DriveNumbers, t: float,
    base: Any, x: Any, weight_s: float, matrix: Any, order: Any, work: Any, goal: float,
    contraction: float,
) -> float:  # fmt: skip
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
    matrix, order : array
        From `prepare`; may be a little old.
    work : array, shape (4, N)
        Scratch.
    goal : float
        Largest error left in ln p [-].
    contraction : float
        By how much the stage before shrank its error per iteration [-].

    Returns
    -------
    float
        By how much an iteration shrinks the error [-]; negative where it does not.
    """
    count = x.shape[0]
    # trusted a little less each time it is not measured again
    shrinks = min(max(contraction, 1e-10) ** 0.9, _UNMEASURED)
    before = np.inf
    for iteration in range(_MOST_ITERATIONS):
        flows_at(plant, rows, around, drive, t, x, work[0], work[2])
        for row in range(count):
            content = plant.volumes_m3[row] * work[2, row]
            work[1, row] = weight_s * work[0, row] - content * (x[row] - base[row])
        substitute(matrix, order, work[1])
        largest = 0.0
        for row in range(count):
            change = work[1, row]
            if not abs(change) < 1e3:
                return -1.0
            # far from the solution the logarithm is not allowed to run away
            change = min(max(change, -_LARGEST_CHANGE), _LARGEST_CHANGE)
            x[row] += change
            largest = max(largest, abs(change))
        if iteration > 0 and largest > goal:
            ratio = largest / before
            if ratio > _SLOW:
                return -1.0
            shrinks = min(ratio, _SLOW)
        if largest < goal or largest * shrinks / (1.0 - shrinks) < goal:
            return shrinks
        before = largest
    return -1.0
