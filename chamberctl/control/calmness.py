"""Is a loop worth having? How long it lets the pressure be off, against the plant by itself."""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Literal, NamedTuple

import numpy as np

from chamberctl.errors import Infeasible

if TYPE_CHECKING:
    from chamberctl.control.envelope import EnvelopePlant
    from chamberctl.control.pace import LoopLimits
    from chamberctl.plant.linear import LoopModel, Reading

HIGHEST_MS, LOWEST_DISK_MARGIN = 4.0, 0.3
"""No nearest request is sought beyond these."""

STEP = 0.01
"""The nearest Ms or disk margin is told to this step."""


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
    a, b, c, d = model.a, model.b, model.c[0], model.d[0]
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


def nearest(
    limits: LoopLimits, name: Literal["ms", "disk_margin"], good: Callable[[LoopLimits], bool]
) -> float | None:
    """Return what to ask for in place of one limit, as near as will do, by bisection.

    Parameters
    ----------
    limits : LoopLimits
        What was asked for, and will not do.
    name : {"ms", "disk_margin"}
        The limit that is loosened: Ms rises, the disk margin falls.
    good : callable
        Whether limits will do; they may not be feasible at all.

    Returns
    -------
    float or None
        Ms or disk margin [-], a multiple of STEP; None if none does.
    """
    if name == "ms":
        steps = range(math.floor(limits.ms / STEP) + 1, round(HIGHEST_MS / STEP) + 1)
    else:
        asked = limits.disk_margin or 0.0
        steps = range(math.ceil(asked / STEP) - 1, round(LOWEST_DISK_MARGIN / STEP) - 1, -1)

    def does(step: int) -> bool:
        value = step * STEP
        looser = limits.at_peak(value) if name == "ms" else replace(limits, disk_margin=value)
        try:
            return good(looser)
        except Infeasible:
            return False

    if not steps or not does(steps[-1]):
        return None
    return steps[bisect_left(steps, True, key=does)] * STEP
