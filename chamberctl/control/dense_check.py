"""Settings that hold between the plants they were tuned for, and are stable at all corners."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from chamberctl.control.dense_envelope import corner_envelope, dense_envelope
from chamberctl.control.gain_gaps import LimitName, excess
from chamberctl.control.loop_grid import Shape, loop_grid
from chamberctl.control.margins import margins
from chamberctl.errors import Infeasible

if TYPE_CHECKING:
    from chamberctl.control.envelope import EnvelopePlant
    from chamberctl.control.frequency import Array
    from chamberctl.control.optimum import Optimum, Order
    from chamberctl.control.pace import LoopLimits
    from chamberctl.control.problem import Problem
    from chamberctl.plant.linear import LoopModel

TOLERATED = 1e-3
"""By so much a limit may be exceeded between the plants that were tuned for [relative]."""

ROUNDS = 12
"""Most rounds in which plants join."""


@dataclass(frozen=True)
class DenseCheck:
    """What a denser check found.

    Parameters
    ----------
    plants : int
        Plants between those tuned for, at which the limits hold.
    joined : tuple of str
        Those of them, and of the corners, that the settings had to be changed for.
    corners : int
        Plants with every tolerance at one of its ends, at which the loop is stable.
    worst_corner : str
        The one of them with the largest Ms.
    worst_corner_ms : float
        Its Ms [-].
    """

    plants: int
    joined: tuple[str, ...]
    corners: int
    worst_corner: str
    worst_corner_ms: float


def densely(
    problem: Problem, plants: Sequence[EnvelopePlant], limits: LoopLimits, optimum: Optimum
) -> tuple[tuple[EnvelopePlant, ...], Optimum, DenseCheck]:
    """Let the worst plants of the denser check join until all is well.

    Parameters
    ----------
    problem : Problem
        What is sought.
    plants : sequence of EnvelopePlant
        The plants that were tuned for.
    limits : LoopLimits
        Their limits.
    optimum : Optimum
        What was found for them.

    Returns
    -------
    tuple of (tuple of EnvelopePlant, Optimum, DenseCheck)
        The plants with those that joined at the end, the optimum for them and what was checked.

    Raises
    ------
    Infeasible
        If no gain does for the plants that joined, or they do not come to an end.
    """
    dense = dense_envelope(problem.study, problem.points).plants
    corners = corner_envelope(problem.study, problem.points).plants
    every = tuple(plants)
    for _ in range(ROUNDS):
        found = _peaks(problem, [plant.model for plant in dense], limits, optimum)
        joining = [dense[i] for i in _worst(found, 1.0 + TOLERATED)]
        at_corners = _peaks(problem, [plant.model for plant in corners], limits, optimum)["ms"]
        worst = int(np.argmax(at_corners))
        if np.isinf(at_corners[worst]):
            joining.append(corners[worst])
        if not joining:
            names = tuple(plant.where for plant in every[len(plants) :])
            ms = float(at_corners[worst]) * limits.ms
            check = DenseCheck(len(dense), names, len(corners), corners[worst].where, ms)
            return every, optimum, check
        every = (*every, *joining)
        optimum = problem.finder(every).best(limits)
    raise Infeasible(
        f"Between the plants that were tuned for, the limits do not hold after {ROUNDS} rounds.",
        "Allow a larger Ms, or narrow the tolerances.",
    )


def _worst(peaks: Mapping[LimitName, Array], most: float) -> list[int]:
    """Return, for every limit, the plant that exceeds it most."""
    worst = [int(np.argmax(size)) for size in peaks.values() if np.max(size) > most]
    return list(dict.fromkeys(worst))


def _peaks(
    problem: Problem, models: Sequence[LoopModel], limits: LoopLimits, optimum: Optimum
) -> dict[LimitName, Array]:
    """Return each peak over its limit, with the worse order of the integral; inf if unstable."""
    each = [_of_order(models, order, limits, optimum) for order in problem.orders]
    peaks: dict[LimitName, Array] = {
        name: np.max([one[name] for one in each], axis=0) for name in each[0]
    }
    if limits.noise_gain is not None:
        peaks["noise_gain"] = _noise(problem, models, limits, optimum)
    return peaks


def _of_order(
    models: Sequence[LoopModel], order: Order, limits: LoopLimits, optimum: Optimum
) -> dict[LimitName, Array]:
    found = margins(models, replace(optimum.settings, integral=order))
    peaks: dict[LimitName, Array] = {"ms": found.ms / limits.ms}
    if limits.mt is not None:
        peaks["mt"] = found.mt / limits.mt
    if limits.disk_margin is not None:
        peaks["disk_margin"] = limits.disk_margin / found.disk_margin
    return {name: np.where(found.stable, size, np.inf) for name, size in peaks.items()}


def _noise(
    problem: Problem, models: Sequence[LoopModel], limits: LoopLimits, optimum: Optimum
) -> Array:
    """Return the noise gain over its limit; on the frequency grid, where it is flat."""
    one = optimum.settings
    grid = loop_grid(models, one, problem.orders)
    size = excess(grid, one.kc, Shape(one.ti_s, one.td_s, one.tfd_s), limits)["noise_gain"]
    peaks: Array = np.maximum.reduceat(size, grid.start[:-1]).reshape(len(problem.orders), -1)
    return np.max(peaks, axis=0)
