"""The robust optimum: the most integral action that keeps every limit at every plant.

Integral action ki = Kc/Ti is the inverse of the integrated error after a step of the gas load.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from chamberctl.control.crossing_limits import Excess
from chamberctl.control.finder import Finder, Order
from chamberctl.control.loop_excess import excesses, largest_noise_gain
from chamberctl.control.margins import margins
from chamberctl.errors import Infeasible

if TYPE_CHECKING:
    from chamberctl.control.controller import PidSettings
    from chamberctl.control.margins import EnvelopeMargins
    from chamberctl.control.pace import LimitName, LoopLimits

BINDING = 2e-3
"""A peak within this share of its limit binds."""


@dataclass(frozen=True)
class Binding:
    """A plant at which a limit binds.

    Parameters
    ----------
    plant : int
        Which of the plants.
    limit : str
        The limit, as a field of LoopLimits.
    omega_rad_s : float
        Where the peak or the crossing is [rad/s].
    order : {"after", "before"}
        Order of the integral with which it binds.
    """

    plant: int
    limit: LimitName
    omega_rad_s: float
    order: Order


@dataclass(frozen=True)
class Optimum:
    """The settings with the most integral action over many plants.

    Parameters
    ----------
    settings : PidSettings
        Gain, times and filters; of several orders of the integral the one with the larger Ms.
    integral_action : float
        ki = Kc/Ti [speed fraction per decade and s, or per Pa and s].
    bindings : tuple of Binding
        Where limits bind, the nearest to its limit first.
    margins : EnvelopeMargins
        Margins of `settings` at every plant.
    noise_gain : float
        Largest |K S| over all plants [speed fraction per fraction of reading].
    """

    settings: PidSettings
    integral_action: float
    bindings: tuple[Binding, ...]
    margins: EnvelopeMargins
    noise_gain: float


def optimum_of(finder: Finder, limits: LoopLimits) -> Optimum:
    """Return the settings with the most integral action within the limits at every plant.

    Parameters
    ----------
    finder : Finder
        The plants, prepared, and what is given of the law.
    limits : LoopLimits
        What every plant must keep.

    Returns
    -------
    Optimum
        Settings, what binds, margins.

    Raises
    ------
    Infeasible
        If no gain does, or any does.
    """
    law = finder.solve(limits)
    shape = law.shape
    settings = replace(
        finder.frame, kc=law.gain, ti_s=shape.ti_s, td_s=shape.td_s, tfd_s=shape.tfd_s
    )
    found = {
        order: margins(finder.models, replace(settings, integral=order)) for order in finder.orders
    }
    if not all(one.stable.all() for one in found.values()):
        raise Infeasible(
            "No gain was found with which the loop is stable and keeps the limits at every plant: "
            "one of them swings almost without damping by itself.",
            "Check lags, volumes and dead times; or ask for a smaller Ms.",
        )
    worse = max(finder.orders, key=lambda order: float(np.max(found[order].ms)))
    return Optimum(
        settings=replace(settings, integral=worse),
        integral_action=law.integral_action,
        bindings=_bindings(finder, excesses(finder.grid, *law, limits)),
        margins=found[worse],
        noise_gain=largest_noise_gain(finder.grid, law.gain, shape),
    )


def _bindings(finder: Finder, found: Mapping[LimitName, Excess]) -> tuple[Binding, ...]:
    count = len(finder.models)
    bindings = []
    for limit, excess in found.items():
        for row in np.flatnonzero(excess.size > 1.0 - BINDING):
            order, plant = finder.orders[row // count], int(row) % count
            omega = float(excess.omega[row])
            bindings.append((float(excess.size[row]), Binding(plant, limit, omega, order)))
    bindings.sort(key=lambda pair: -pair[0])
    return tuple(binding for _, binding in bindings)
