"""What calmness costs: the optimum for every Ms between very calm and too lively."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from chamberctl.control.calmness import slowest
from chamberctl.control.loop_excess import largest_noise_gain
from chamberctl.control.pace import PACES
from chamberctl.control.problem import Problem
from chamberctl.errors import Infeasible

if TYPE_CHECKING:
    from chamberctl.control.finder import Structure
    from chamberctl.control.frequency import Array
    from chamberctl.control.robust import RobustOptimum
    from chamberctl.plant.linear import Reading
    from chamberctl.study import Study

LOWEST_MS, HIGHEST_MS, STEP_MS = 1.2, 2.4, 0.1
"""Range of the curve; the ready choices lie within it."""


@dataclass(frozen=True)
class TradeOff:
    """Optima over Ms; arrays of shape (N,), NaN where no gain keeps the limits.

    Parameters
    ----------
    ms : array
        Largest Ms at every plant [-].
    integral_action : array
        Kc/Ti [speed fraction per decade and s, or per Pa and s].
    kc : array
        Gain [speed fraction per decade, or per Pa].
    ti_s, td_s : array
        Integral and derivative time [s].
    noise_gain : array
        Largest |K S| [speed fraction per fraction of reading].
    recovery_s : array
        Integrated deviation after a step of the gas load over the lasting deviation without
        control, at the duty point as stated where it is longest against the plant by itself [s].
    reading : {"log10", "linear"}
        The loop's reading.
    structure : {"PI", "PID"}
        Whether derivative action was allowed.
    chosen_ms : float
        Ms of the settings that the curve was drawn for [-].
    """

    ms: Array
    integral_action: Array
    kc: Array
    ti_s: Array
    td_s: Array
    noise_gain: Array
    recovery_s: Array
    reading: Reading
    structure: Structure
    chosen_ms: float


def trade_off(study: Study, optimum: RobustOptimum, ms: Sequence[float] | None = None) -> TradeOff:
    """Return the optima over Ms, for the plants of one optimum and its other limits.

    Parameters
    ----------
    study : Study
        The study.
    optimum : RobustOptimum
        From `robust_settings`.
    ms : sequence of float, optional
        Where [-]; from LOWEST_MS to HIGHEST_MS, with the ready choices and the optimum's own Ms,
        if not given.
    """
    if ms is None:
        count = round((HIGHEST_MS - LOWEST_MS) / STEP_MS)
        regular = (round(LOWEST_MS + STEP_MS * i, 3) for i in range(count + 1))
        ms = sorted({*regular, *PACES.values(), optimum.limits.ms})
    problem = Problem(study, (), optimum.structure, optimum.settings)
    finder = problem.finder(optimum.plants)
    stated = [plant for plant in optimum.plants if not plant.case.label]
    reading = optimum.settings.reading
    rows = []
    for value in ms:
        try:
            gain, shape = finder.solve(optimum.limits.at_peak(value))
        except Infeasible:
            rows.append([np.nan] * 6)
            continue
        found = gain / shape.ti_s
        noise = largest_noise_gain(finder.grid, gain, shape)
        recovery = slowest(stated, reading, found).loop_s
        rows.append([found, gain, shape.ti_s, shape.td_s, noise, recovery])
    action, kc, ti_s, td_s, noise_gain, recovery_s = np.array(rows).T
    return TradeOff(
        ms=np.array(ms, dtype=float),
        integral_action=action,
        kc=kc,
        ti_s=ti_s,
        td_s=td_s,
        noise_gain=noise_gain,
        recovery_s=recovery_s,
        reading=reading,
        structure=optimum.structure,
        chosen_ms=optimum.limits.ms,
    )
