"""The plant linearized by python-control from the balances, as an oracle for `linearize`.

python-control's nonlinear system holds the balances in ln p, drive and gauge lag included; it is
linearized by python-control with a step up and a step down, which are averaged. Its states are
the last node's ln p and, for every node before it, ln of the ratio to the next one, in units of
its value at rest: a wide line has a ratio of 1.0004 and less, and a step of 1e-5 in ln p itself
would err by percents there, while the ratio's own step errs by 1e-10.
"""

from __future__ import annotations

from typing import Any

import control
import numpy as np
from numpy.typing import NDArray
from scipy.optimize import root

from chamberctl.plant.chain import Chain, build_chain, gauge_node
from chamberctl.plant.gauge import reading
from chamberctl.plant.linear import INPUTS, OUTPUTS
from chamberctl.plant.point import OperatingPoint
from chamberctl.study import Gauge, System

Array = NDArray[np.float64]

STEP = 1e-5
"""Step of the linearization, in the scaled states."""

SMALLEST_RATIO = 1e-7
"""Least ln of a pressure ratio that a state is scaled by; below it the flow is linear in it."""


def library_plant(
    system: System, point: OperatingPoint, gauge: Gauge, load_scale_pa_m3_s: float
) -> control.StateSpace:
    """Inputs and outputs as those of a LoopModel, without the dead time."""
    chain = build_chain(system)
    nonlinear, state, inputs = _balances(chain, system, point, gauge, load_scale_pa_m3_s)
    up, down = (nonlinear.linearize(state, inputs, eps=eps) for eps in (STEP, -STEP))
    return control.ss(*(0.5 * (getattr(up, name) + getattr(down, name)) for name in "ABCD"))


def _balances(
    chain: Chain, system: System, point: OperatingPoint, gauge: Gauge, scale: float
) -> tuple[control.NonlinearIOSystem, Array, Array]:
    """The balances as python-control's nonlinear system, in ln p, with its state at the point."""
    held = np.flatnonzero(chain.volumes_m3 > 0.0)
    pressures = np.asarray(point.node_pressures_pa)
    node = gauge_node(chain, gauge)
    drive_lag, gauge_lag = system.drive.lag_s, gauge.lag_s
    count = held.size
    to_log = _from_scaled_ratios(np.log(pressures[held]))

    def log_pressures(x: Array, speed: float, load: float) -> Array:
        logs = to_log @ x[:count]
        return _all_log_pressures(chain, held, logs, np.log(pressures), speed, load)

    def split(x: Array, u: Array) -> tuple[float, float, Array]:
        speed = x[count] if drive_lag > 0.0 else u[0]
        load = point.gas_load_pa_m3_s + scale * u[1]
        return speed, load, log_pressures(x, speed, load)

    def update(_time: float, x: Array, u: Array, _params: Any) -> Array:
        speed, load, log_p = split(x, u)
        p = np.exp(log_p)
        flows = chain.net_flows(p, speed, load)
        log_rates = flows[held] / (chain.volumes_m3[held] * p[held])
        rates = [np.linalg.solve(to_log, log_rates)]
        if drive_lag > 0.0:
            rates.append(np.array([(u[0] - x[count]) / drive_lag]))
        if gauge_lag > 0.0:
            # the gauge lags in pressure, not in its logarithm
            rates.append(np.array([np.expm1(log_p[node] - x[-1]) / gauge_lag]))
        return np.concatenate(rates)

    def output(_time: float, x: Array, u: Array, _params: Any) -> Array:
        _, _, log_p = split(x, u)
        at_gauge = x[-1] if gauge_lag > 0.0 else log_p[node]
        return np.array([np.log(reading(system, gauge, np.exp(at_gauge))), log_p[0]])

    names = [f"ratio_{chain.node_names[i]}" for i in held[:-1]]
    names.append(f"ln_{chain.node_names[held[-1]]}")
    state = list(np.linalg.solve(to_log, np.log(pressures[held])))
    if drive_lag > 0.0:
        names.append("speed")
        state.append(point.speed)
    if gauge_lag > 0.0:
        names.append("ln_gauge")
        state.append(np.log(pressures[node]))
    nonlinear = control.nlsys(
        update, output, inputs=list(INPUTS), outputs=list(OUTPUTS), states=names
    )
    return nonlinear, np.array(state), np.array([point.speed, 0.0])


def _from_scaled_ratios(log_pressures: Array) -> Array:
    """Matrix from scaled ratios and the last node's ln p to ln p of all nodes with a volume."""
    size = log_pressures.size
    ratios = np.abs(log_pressures[:-1] - log_pressures[1:])
    scales = np.append(np.maximum(ratios, SMALLEST_RATIO), 1.0)
    return np.triu(np.ones((size, size))) * scales


def _all_log_pressures(
    chain: Chain,
    held: NDArray[np.int64],
    states: Array,
    guess: Array,
    speed: float,
    load: float,
) -> Array:
    """ln p of all nodes: states where there is a volume, balanced flows where there is none."""
    log_p = guess.copy()
    log_p[held] = states
    free = np.setdiff1d(np.arange(chain.size), held)
    if not free.size:
        return log_p
    turnover = float(np.max(np.exp(guess))) * 1e-3

    def imbalance(values: Array) -> Array:
        trial = log_p.copy()
        trial[free] = values
        return chain.net_flows(np.exp(trial), speed, load)[free] / turnover

    log_p[free] = root(imbalance, log_p[free], tol=1e-14).x
    return log_p
