"""From an operating point to the linear model of the loop's plant.

The derivatives are exact at the point itself. They are also taken a little above and below it
along the plant's own steady curve: where the two sides differ, the point lies on a kink (an
overflow valve about to open, a knot of the speed map), and the model of the side with the larger
gain is returned, with a finding.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from chamberctl.errors import Infeasible
from chamberctl.findings import Finding
from chamberctl.plant.chain import build_chain, gauge_node
from chamberctl.plant.linear import LoopModel
from chamberctl.plant.point import OperatingPoint
from chamberctl.plant.sensitivity import jacobian
from chamberctl.plant.small_signal import Resting, models_at, reading_slope

if TYPE_CHECKING:
    from chamberctl.study import Gauge, System

Array = NDArray[np.float64]

STEP = 1e-5
"""How far to either side kinks are looked for, in speed fraction."""

KINK = 1e-3
"""Relative difference of the static gains on the two sides above which a point may lie on a kink;
it does if at a tenth of the step more than half of the difference stands, which of curvature
a tenth does."""


def linearize(system: System, point: OperatingPoint, gauge: Gauge | None = None) -> LoopModel:
    """Linear model around an operating point.

    Parameters
    ----------
    system : study.System
        The system.
    point : OperatingPoint
        A feasible point of it, where speed acts.
    gauge : study.Gauge, optional
        The loop's gauge; the first one if not given.

    Returns
    -------
    LoopModel
        Speed command to ln of the indicated pressure. Dead times of drive and gauge and one update
        period of the gauge (the worst case of an asynchronous gauge) stay exact beside it.

    Raises
    ------
    Infeasible
        If there is no steady state, or speed does not act there.
    """
    if not point.feasible:
        raise Infeasible(point.reason, point.nearest)
    if point.limited_by:
        raise Infeasible(
            f"The {point.limited_by} rules at {point.where or 'this point'}: speed does not act, "
            "so there is no loop to tune.",
            "Nearest: a lower gas load or a slower booster.",
        )
    gauge = gauge if gauge is not None else system.gauges[0]
    chain = build_chain(system)
    load = np.array([point.gas_load_pa_m3_s])
    pressures = np.asarray(point.node_pressures_pa)[:, None]
    here = jacobian(chain, pressures, np.array([point.speed]), load)
    steps = STEP * np.array([1.0, -1.0, 0.1, -0.1])
    moved = pressures * np.exp(-np.linalg.solve(here[0][0], here[1][0])[:, None] * steps)
    loads = np.repeat(load, steps.size)
    beside = Resting(moved, loads, *jacobian(chain, moved, point.speed + steps, loads))
    gains = _static_gains(system, gauge, beside, gauge_node(chain, gauge))
    gap, closer = (abs(up - down) / max(abs(up), abs(down)) for up, down in (gains[:2], gains[2:]))
    if gap > KINK and closer > 0.5 * gap:
        larger = 2 + int(np.argmax(np.abs(gains[2:])))
        text = (
            f"The point lies on a kink: with rising speed ln p changes by {abs(gains[2]):.3g}, "
            f"with falling speed by {abs(gains[3]):.3g} per unit of speed. The larger gain is used."
        )
        model = models_at(chain, system, gauge, beside, [point.where] * steps.size)[larger]
        findings: tuple[Finding, ...] = (Finding("caution", "kink", text),)
    else:
        model = models_at(chain, system, gauge, Resting(pressures, load, *here), [point.where])[0]
        findings = ()
    return replace(model, reading_pa=point.indicated_pa, point=point, findings=findings)


def _static_gains(system: System, gauge: Gauge, resting: Resting, node: int) -> Array:
    """Change of ln of the reading per speed fraction."""
    change = np.linalg.solve(resting.by_pressure, resting.by_speed[..., None])[:, node, 0]
    gains: Array = -change * reading_slope(system, gauge, resting.pressures_pa[node])
    return gains
