"""Is a loop worth having? How long it lets the pressure be off, against the plant by itself."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from chamberctl.errors import Infeasible

if TYPE_CHECKING:
    from chamberctl.control.envelope import EnvelopePlant
    from chamberctl.control.pace import LoopLimits
    from chamberctl.plant.linear import LoopModel, Reading

HIGHEST_MS = 4.0
"""No nearest request is sought above this Ms."""

MS_STEP = 0.01
"""The nearest Ms is told to this step."""


class Recovery(NamedTuple):
    """How a plant gets over a step of the gas load, in units of the deviation without control.

    Parameters
    ----------
    where : str
        The plant.
    loop_s : float
        Integrated deviation with the loop over the lasting deviation without it [s].
    own_s : float
        The same of the plant on its way to its new pressure, if speed stays [s].
    """

    where: str
    loop_s: float
    own_s: float

    @property
    def ratio(self) -> float:
        """Above 1 the loop lets pass more than the plant's own transient [-]."""
        return self.loop_s / self.own_s


def recovery(where: str, model: LoopModel, reading: Reading, integral_action: float) -> Recovery:
    """Return how a plant recovers with an integral action.

    Parameters
    ----------
    where : str
        The plant in words.
    model : LoopModel
        The plant.
    reading : {"log10", "linear"}
        The loop's reading.
    integral_action : float
        Kc/Ti [speed fraction per decade and s, or per Pa and s].

    Returns
    -------
    Recovery
        A plant that does not come to rest by itself takes for ever.

    Notes
    -----
    The loop ends when the speed has changed by the lasting deviation over the plant's static gain
    |G(0)|, and the integrated deviation is that change over Kc/Ti: 1/(ki |G(0)|) of the lasting
    deviation. By itself the plant takes -D'(0)/D(0) with D from gas load to reading.
    """
    a, b = np.asarray(model.plant.A, dtype=float), np.asarray(model.plant.B, dtype=float)
    c, d = np.asarray(model.plant.C, dtype=float)[0], np.asarray(model.plant.D, dtype=float)[0]
    if a.size and np.linalg.matrix_rank(a) < a.shape[0]:
        return Recovery(where, 0.0, math.inf)
    inner = np.linalg.solve(a, b) if a.size else np.zeros((0, 2))
    static = d - c @ inner
    slope = c @ np.linalg.solve(a, inner[:, 1]) if a.size else 0.0
    gain = abs(float(static[0])) * model.output_scale(reading)
    return Recovery(where, 1.0 / (integral_action * gain), abs(float(slope / static[1])))


def slowest(plants: Sequence[EnvelopePlant], reading: Reading, integral_action: float) -> Recovery:
    """Return the plant whose loop is slowest against the plant itself.

    Parameters
    ----------
    plants : sequence of EnvelopePlant
        The plants.
    reading : {"log10", "linear"}
        The loop's reading.
    integral_action : float
        Kc/Ti [speed fraction per decade and s, or per Pa and s].
    """
    every = (recovery(one.where, one.model, reading, integral_action) for one in plants)
    return max(every, key=lambda one: one.ratio)


def nearest_ms(limits: LoopLimits, good: Callable[[LoopLimits], bool]) -> float | None:
    """Return the smallest Ms above the one asked for that will do, by bisection.

    Parameters
    ----------
    limits : LoopLimits
        What was asked for, and will not do.
    good : callable
        Whether limits will do; they may not be feasible at all.

    Returns
    -------
    float or None
        Ms [-], a multiple of MS_STEP; None if none does.
    """

    def does(steps: int) -> bool:
        try:
            return good(limits.at_peak(steps * MS_STEP))
        except Infeasible:
            return False

    low, high = math.floor(limits.ms / MS_STEP), round(HIGHEST_MS / MS_STEP)
    if low >= high or not does(high):
        return None
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if does(middle) else (middle, high)
    return high * MS_STEP
