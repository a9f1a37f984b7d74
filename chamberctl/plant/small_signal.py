"""Linear models of many steady states of one study at once, for surveys of hundreds of plants.

The same balances as in `linearize.py`, differentiated by complex step instead of by small steps;
tests hold the two to each other. Where a point lies on a kink, `linearize` says so and takes the
side with the larger gain; here it is one side.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from chamberctl.plant.chain import Chain, gauge_node
from chamberctl.plant.gauge import reading
from chamberctl.plant.linear import INPUTS, OUTPUTS, LoopModel
from chamberctl.plant.sensitivity import state_matrix

if TYPE_CHECKING:
    from chamberctl.plant.variations import Outcome

Array = NDArray[np.float64]

_STEP = 1e-6


def loop_models(outcome: Outcome, which: NDArray, names: Sequence[str]) -> list[LoopModel]:
    """Linear models around held states of an outcome.

    Parameters
    ----------
    outcome : Outcome
        Steady states with their derivatives, from `outcomes`.
    which : int array, shape (M,)
        Which of its duty points.
    names : sequence of str
        Label of each.

    Returns
    -------
    list of LoopModel
        As from `linearize`.
    """
    from control import StateSpace

    system, gauge = outcome.study.system, outcome.study.loop_gauge()
    chain, node = outcome.chain, gauge_node(outcome.chain, gauge)
    pressures, load = outcome.pressures_pa[:, which], outcome.gas_load_pa_m3_s[which]
    a, b, gains, direct = _nodes(
        chain, pressures, load, outcome.by_pressure[which], outcome.by_speed[which]
    )
    at_gauge = pressures[node]
    shown = reading(system, gauge, at_gauge)
    ends = [np.log(reading(system, gauge, at_gauge * np.exp(s))) for s in (_STEP, -_STEP)]
    slope = (ends[0] - ends[1]) / (2.0 * _STEP)
    dead_time = system.drive.dead_time_s + gauge.dead_time_s + gauge.update_period_s
    models = []
    for i, name in enumerate(names):
        parts = _with_lags(a[i], b[i], gains[i], direct[i], node, system.drive.lag_s, gauge.lag_s)
        parts[2][0] *= slope[i]
        parts[3][0] *= slope[i]
        plant = StateSpace(
            *parts, inputs=list(INPUTS), outputs=list(OUTPUTS), remove_useless_states=False
        )
        models.append(LoopModel(plant, dead_time, float(shown[i]), float(load[i]), name))
    return models


def _nodes(
    chain: Chain, pressures: Array, load: Array, by_pressure: Array, by_speed: Array
) -> tuple[Array, Array, Array, Array]:
    """Chain without lags: A (M, K, K), B (M, K, 2), and ln p of all nodes from states and inputs.

    Inputs are speed [-] and gas load [multiples of the point's own].
    """
    count = len(by_speed)
    inputs = np.stack([by_speed, np.zeros(by_speed.shape)], axis=-1)
    inputs[:, 0, 1] = load
    held = np.flatnonzero(chain.volumes_m3 > 0.0)
    free = np.flatnonzero(chain.volumes_m3 == 0.0)
    gains = np.zeros((count, chain.size, held.size))
    direct = np.zeros((count, chain.size, 2))
    gains[:, held, np.arange(held.size)] = 1.0
    entering = inputs[:, held]
    if free.size:
        inner = by_pressure[:, free][:, :, free]
        gains[:, free] = -np.linalg.solve(inner, by_pressure[:, free][:, :, held])
        direct[:, free] = -np.linalg.solve(inner, inputs[:, free])
        entering = entering + by_pressure[:, held][:, :, free] @ direct[:, free]
    content = (chain.volumes_m3[held][:, None] * pressures[held]).T
    return (
        state_matrix(chain, by_pressure, pressures), entering / content[:, :, None], gains, direct
    )  # fmt: skip


def _with_lags(
    a: Array,
    b: Array,
    gains: Array,
    direct: Array,
    node: int,
    drive_lag_s: float,
    gauge_lag_s: float,
) -> tuple[Array, Array, Array, Array]:
    """Add drive and gauge lag to one state's matrices; outputs ln p at the gauge and chamber."""
    count = len(a)
    size = count + (drive_lag_s > 0.0) + (gauge_lag_s > 0.0)
    full_a, full_b = np.zeros((size, size)), np.zeros((size, 2))
    full_c, full_d = np.zeros((2, size)), np.zeros((2, 2))
    full_a[:count, :count], full_b[:count] = a, b
    full_c[:, :count], full_d[:] = gains[[node, 0]], direct[[node, 0]]
    if drive_lag_s > 0.0:
        full_a[:count, count], full_b[:count, 0] = b[:, 0], 0.0
        full_c[:, count], full_d[:, 0] = full_d[:, 0], 0.0
        full_a[count, count], full_b[count, 0] = -1.0 / drive_lag_s, 1.0 / drive_lag_s
    if gauge_lag_s > 0.0:
        full_a[-1] = full_c[0] / gauge_lag_s
        full_a[-1, -1] = -1.0 / gauge_lag_s
        full_b[-1] = full_d[0] / gauge_lag_s
        full_c[0], full_d[0] = 0.0, 0.0
        full_c[0, -1] = 1.0
    return full_a, full_b, full_c, full_d
