"""Linear models around steady states, of one point or of many plants at once.

The balances in ln p, drive and gauge lag included, differentiated by complex step: exact to
rounding. Tests hold them to python-control's linearization of the same balances.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import NDArray

from chamberctl.plant.chain import Chain, gauge_node
from chamberctl.plant.gauge import reading
from chamberctl.plant.linear import LoopModel
from chamberctl.plant.sensitivity import state_matrix

if TYPE_CHECKING:
    from chamberctl.plant.variations import Outcome
    from chamberctl.study import Gauge, System

Array = NDArray[np.float64]

_STEP = 1e-6


class Resting(NamedTuple):
    """Steady states of one system, with the derivatives of its net flows there.

    Parameters
    ----------
    pressures_pa : array, shape (N, M)
        Node pressures [Pa].
    gas_load_pa_m3_s : array, shape (M,)
        Gas entering the chamber [Pa m3/s].
    by_pressure : array, shape (M, N, N)
        Derivatives by ln p, from `jacobian` [Pa m3/s].
    by_speed : array, shape (M, N)
        The same by speed [Pa m3/s per speed fraction].
    """

    pressures_pa: Array
    gas_load_pa_m3_s: Array
    by_pressure: Array
    by_speed: Array


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
        As from `linearize`; on a kink the model of one side, without a finding.
    """
    resting = Resting(
        outcome.pressures_pa[:, which],
        outcome.gas_load_pa_m3_s[which],
        outcome.by_pressure[which],
        outcome.by_speed[which],
    )
    return models_at(
        outcome.chain, outcome.study.system, outcome.study.loop_gauge(), resting, names
    )


def models_at(
    chain: Chain, system: System, gauge: Gauge, resting: Resting, names: Sequence[str]
) -> list[LoopModel]:
    """Linear models around steady states.

    Parameters
    ----------
    chain : Chain
        The system as arrays.
    system : study.System
        The system.
    gauge : study.Gauge
        The loop's gauge.
    resting : Resting
        M states to linearize at.
    names : sequence of str
        Label of each.

    Returns
    -------
    list of LoopModel
        Speed command to ln of the indicated pressure. Dead times of drive and gauge and one update
        period of the gauge (the worst case of an asynchronous gauge) stay exact beside it.
    """
    node = gauge_node(chain, gauge)
    drive_lag_s, gauge_lag_s = system.drive.lag_s, gauge.lag_s
    scales = load_scales(chain, resting)
    a, b, gains, direct = _nodes(chain, resting, scales)
    shown = reading(system, gauge, resting.pressures_pa[node])
    slope = reading_slope(system, gauge, resting.pressures_pa[node])
    dead_time_s = system.drive.dead_time_s + gauge.dead_time_s + gauge.update_period_s
    states = tuple(
        f"ln_{name}"
        for name, volume in zip(chain.node_names, chain.volumes_m3, strict=True)
        if volume > 0.0
    )
    states += ("speed",) * (drive_lag_s > 0.0) + ("ln_gauge",) * (gauge_lag_s > 0.0)
    models = []
    for i, name in enumerate(names):
        parts = _with_lags(a[i], b[i], gains[i], direct[i], node, drive_lag_s, gauge_lag_s)
        parts[2][0] *= slope[i]
        parts[3][0] *= slope[i]
        models.append(
            LoopModel(*parts, dead_time_s, float(shown[i]), float(scales[i]), name, states=states)
        )
    return models


def load_scales(chain: Chain, resting: Resting) -> Array:
    """Throughput that counts as 1 at the gas load's input: what leaves the chamber.

    Parameters
    ----------
    chain : Chain
        The system.
    resting : Resting
        M steady states.

    Returns
    -------
    array, shape (M,)
        Never zero [Pa m3/s].
    """
    purge = float(np.sum(chain.nodes[0]))
    floor = np.maximum(purge, 1e-12 * resting.pressures_pa[0])
    scales: Array = np.maximum(resting.gas_load_pa_m3_s, floor)
    return scales


def reading_slope(system: System, gauge: Gauge, pressures_pa: Array) -> Array:
    """d ln(reading)/d ln p of a gauge, the mean of both sides.

    Parameters
    ----------
    system : study.System
        The system.
    gauge : study.Gauge
        The gauge.
    pressures_pa : array, shape (M,)
        Pressure at the gauge [Pa].

    Returns
    -------
    array, shape (M,)
        Slope [-].
    """
    ends = [np.log(reading(system, gauge, pressures_pa * np.exp(s))) for s in (_STEP, -_STEP)]
    slope: Array = (ends[0] - ends[1]) / (2.0 * _STEP)
    return slope


def _nodes(chain: Chain, resting: Resting, scales: Array) -> tuple[Array, Array, Array, Array]:
    """Chain without lags: A (M, K, K), B (M, K, 2), and ln p of all nodes from states and inputs.

    Inputs are speed [-] and gas load [multiples of the scales].
    """
    pressures, _, by_pressure, by_speed = resting
    count = len(by_speed)
    inputs = np.stack([by_speed, np.zeros(by_speed.shape)], axis=-1)
    inputs[:, 0, 1] = scales
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
