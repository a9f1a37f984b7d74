"""Steady states of the chain: pressures at given speed and gas load, and the inverse questions.

Every element passes more gas when its inlet pressure rises, so a steady state is found element by
element from the exhaust up, each by a bracketed search in ln p. Where none exists the result is
NaN; `operating.py` says why.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from chamberctl.physics.constants import HIGHEST_PRESSURE_PA
from chamberctl.physics.loads import vapor_load
from chamberctl.plant.bracketed import bracketed_root
from chamberctl.plant.chain import Chain
from chamberctl.plant.inlet import inlet_pressure
from chamberctl.plant.nearby import GAS_LOAD, SPEED, Held, States, settle

Array = NDArray[np.float64]

_LOAD_DECADES = 12.0
"""Decades of gas load that the search for a load covers."""

_TRACE = 1e-12
"""Least vapor flow that is searched for, of the most that there can be."""

_ABOVE_ATMOSPHERE = 30.0
"""Stands for ln p where no steady state exists below atmospheric pressure."""


def steady_pressures(chain: Chain, speed: Any, gas_load_pa_m3_s: Any) -> Array:
    """Node pressures at rest.

    Parameters
    ----------
    chain : Chain
        The system.
    speed : float or array
        Controller output, fraction of rated speed [-].
    gas_load_pa_m3_s : float or array
        Permanent gas entering the chamber, at T_ref [Pa m3/s].

    Returns
    -------
    array, shape (N, ...)
        Node pressures [Pa]; NaN where no steady state exists below 110 kPa.

    Notes
    -----
    Each element's throughput equals the gas that enters upstream of it, to rounding. A vapor load
    falls with chamber pressure, so that exactly one vapor flow agrees with the pressure it causes;
    where a cold surface catches it, the pressures behind do not depend on it.
    """
    n, load = np.broadcast_arrays(
        np.asarray(speed, dtype=float), np.asarray(gas_load_pa_m3_s, dtype=float)
    )
    speeds, loads = (np.atleast_1d(part).ravel() for part in (n, load))
    if chain.vapor[0] == 0.0 and _surface_node(chain) == chain.size:
        pressures = _searched(chain, speeds, loads)
    else:
        pressures = _with_vapor(chain, speeds, loads)
    return pressures.reshape((chain.size, *n.shape))


def _searched(chain: Chain, speed: Array, gas_load: Array) -> Array:
    """Node pressures by bracketed searches alone; with vapor they are nested and slow."""
    behind = _behind_surface(chain, speed, gas_load)
    vapor = _vapor_flow(chain, behind, speed, gas_load)
    before = _before_surface(chain, behind, speed, gas_load, vapor)
    pressures = np.concatenate([before, behind])
    return np.where(np.isnan(pressures[0]), np.nan, pressures)


def _with_vapor(chain: Chain, speed: Array, gas_load: Array) -> Array:
    """Node pressures by Newton's method from a guess of the vapor flow, else searched."""
    node = _surface_node(chain)
    behind = np.empty((0, *speed.shape))
    if node < chain.size:
        arriving = gas_load + np.sum(chain.nodes[0, : node + 1])
        behind = _from_exhaust(chain, node, speed, arriving)
        with np.errstate(invalid="ignore"):
            share = np.minimum(chain.nodes[1, node] / behind[0], 0.9)
        behind = _from_exhaust(chain, node, speed, arriving / (1.0 - share))
    floor = behind[0] if len(behind) else np.zeros(speed.shape)
    vapor = 0.5 * vapor_load(floor, *chain.vapor)
    guess = np.concatenate([_before_surface(chain, behind, speed, gas_load, vapor), behind])
    pressures = np.full(guess.shape, np.nan)
    begun = np.isfinite(guess).all(axis=0)
    if np.any(begun):
        count = int(begun.sum())
        start = States(guess[:, begun], speed[begun], gas_load[begun], begun[begun])
        held = Held(
            np.array([np.full(count, SPEED), np.full(count, GAS_LOAD)]),
            np.array([speed[begun], gas_load[begun]]),
        )
        states = settle(chain, start, held)
        pressures[:, begun] = np.where(states.found, states.pressures_pa, np.nan)
    lost = np.isnan(pressures[0])
    if np.any(lost):
        pressures[:, lost] = _searched(chain, speed[lost], gas_load[lost])
    return pressures


def _vapor_flow(chain: Chain, behind: Array, speed: Array, gas_load: Array) -> Array:
    """Vapor load that agrees with the chamber pressure it causes."""
    conductance, saturation = chain.vapor
    if conductance == 0.0:
        return np.zeros(speed.shape)

    def surplus(vapor: Any, speeds: Any, loads: Any, *outlet: Any) -> Any:
        nodes = np.array(outlet).reshape(len(outlet), *np.shape(vapor))
        pressure = _before_surface(chain, nodes, speeds, loads, vapor)[0]
        here = np.where(np.isnan(pressure), saturation, pressure)
        return vapor - vapor_load(here, conductance, saturation)

    most = np.full(speed.shape, conductance * saturation)
    trace = _TRACE * most  # not zero: without any other gas no pressure would belong to it
    args = (speed, gas_load, *behind[:1])
    found = bracketed_root(surplus, trace, most, args)
    return np.where(surplus(trace, *args) >= 0.0, 0.0, found)


def _pressures(chain: Chain, speed: Array, gas_load: Array, vapor: Array) -> Array:
    """Node pressures at rest for a given vapor flow; arguments of shape (M,)."""
    behind = _behind_surface(chain, speed, gas_load)
    pressures = np.concatenate([_before_surface(chain, behind, speed, gas_load, vapor), behind])
    return np.where(np.isnan(pressures[0]), np.nan, pressures)


def _surface_node(chain: Chain) -> int:
    """Index of the node with a cold surface; the number of nodes where there is none."""
    found = np.flatnonzero((chain.nodes[1] > 0.0) | (chain.nodes[2] > 0.0))
    return int(found[0]) if found.size else chain.size


def _before_surface(chain: Chain, behind: Array, speed: Any, gas_load: Any, vapor: Any) -> Array:
    """Pressures of the nodes before a cold surface, or of all where there is none."""
    count = _surface_node(chain)
    entered = np.cumsum(chain.nodes[0])
    outlet = behind[0] if len(behind) else np.zeros(np.shape(speed))
    pressures = np.empty((count, *np.shape(speed)))
    for element in range(count - 1, -1, -1):
        passing = gas_load + vapor + entered[element]
        outlet = pressures[element] = inlet_pressure(chain, element, outlet, speed, passing)
    return pressures


def _behind_surface(chain: Chain, speed: Array, gas_load: Array) -> Array:
    """Pressures of the node with the cold surface and of those behind it.

    The surface keeps its vapor at p_v, so that the gas q that arrives there without the caught
    vapor leaves as q/(1 - p_v/p); this grows with p, which itself grows with what leaves.
    """
    node = _surface_node(chain)
    if node == chain.size:
        return np.empty((0, *speed.shape))
    arriving = gas_load + np.sum(chain.nodes[0, : node + 1])
    vapor_pressure = chain.nodes[1, node]
    if vapor_pressure == 0.0:
        return _from_exhaust(chain, node, speed, arriving)

    def surplus(log_leaving: Any, speeds: Any, wanted: Any) -> Any:
        leaving = np.exp(log_leaving)
        pressure = _from_exhaust(chain, node, speeds, leaving)[0]
        share = np.where(np.isnan(pressure), 0.0, vapor_pressure / pressure)
        return leaving * (1.0 - share) - wanted

    least = np.maximum(arriving, _TRACE * _largest_speed(chain) * vapor_pressure)
    lowest = _from_exhaust(chain, node, speed, least)[0]
    # more leaves than arrives, so the pressure is above the lowest, and the share of vapor below
    share = np.where(lowest > 1.001 * vapor_pressure, vapor_pressure / lowest, np.nan)
    most = arriving + 2.0 * _largest_speed(chain) * HIGHEST_PRESSURE_PA
    most = np.where(np.isnan(share), most, 1.001 * arriving / (1.0 - share))
    low, high = np.log(least), np.log(np.maximum(most, 1.001 * least))
    found = bracketed_root(surplus, low, high, (speed, arriving))
    return _from_exhaust(chain, node, speed, np.exp(found))


def _from_exhaust(chain: Chain, first: int, speed: Any, leaving: Any) -> Array:
    """Pressures from a node to the exhaust, where a flow leaves this node."""
    purges = np.cumsum(chain.nodes[0, first:]) - chain.nodes[0, first]
    outlet = np.zeros(np.shape(speed))
    pressures = np.empty((chain.size - first, *np.shape(speed)))
    for element in range(chain.size - 1, first - 1, -1):
        passing = leaving + purges[element - first]
        outlet = pressures[element - first] = inlet_pressure(chain, element, outlet, speed, passing)
    return pressures


def speed_for_pressure(
    chain: Chain, node: int, pressure_pa: Any, gas_load_pa_m3_s: Any, low: float, high: float
) -> Array:
    """Controller output at which a node rests at a pressure.

    Parameters
    ----------
    chain : Chain
        The system.
    node : int
        Index of the node.
    pressure_pa : float or array
        Wanted pressure there [Pa].
    gas_load_pa_m3_s : float or array
        Gas entering the chamber [Pa m3/s].
    low, high : float
        Speed range [-].

    Returns
    -------
    array
        Speed fraction [-]; NaN where the pressure is not reachable within the range.
    """
    wanted, load = np.broadcast_arrays(
        np.asarray(pressure_pa, dtype=float), np.asarray(gas_load_pa_m3_s, dtype=float)
    )

    log_wanted, loads = np.atleast_1d(np.log(wanted)), np.atleast_1d(load)
    ends = np.array([low, high])
    logs = _logarithm(steady_pressures(chain, ends[:, None], loads))
    at_low, at_high = logs[node] - log_wanted
    result = np.where(np.abs(at_low) < 1e-12, low, np.where(np.abs(at_high) < 1e-12, high, np.nan))
    inside = np.isnan(result) & (at_low > 0.0) & (at_high < 0.0)
    if np.any(inside):
        result[inside] = _speed_between(
            chain, node, ends, logs[:, :, inside], log_wanted[inside], loads[inside]
        )
    return result.reshape(wanted.shape)


def _speed_between(
    chain: Chain, node: int, ends: Array, logs: Array, log_wanted: Array, loads: Array
) -> Array:
    """Speed between two ends whose ln p lie on either side: Newton's method, else bracketed."""
    at_low, at_high = logs[node]
    share = np.clip((at_low - log_wanted) / (at_low - at_high), 0.05, 0.95)
    start = States(
        np.exp(
            (1.0 - share) * np.minimum(logs[:, 0], np.log(HIGHEST_PRESSURE_PA)) + share * logs[:, 1]
        ),
        np.exp((1.0 - share) * np.log(ends[0]) + share * np.log(ends[1])),
        loads,
        np.ones(loads.shape, dtype=bool),
    )
    count = loads.size
    held = Held(
        np.array([np.full(count, node), np.full(count, GAS_LOAD)]),
        np.array([np.exp(log_wanted), loads]),
    )
    found = settle(chain, start, held)
    speeds = found.speed
    good = found.found & (speeds > ends[0]) & (speeds < ends[1])

    def excess(n: Any, target: Any, q: Any) -> Any:
        return _log_pressure(chain, node, n, q) - target

    lost = ~good
    if np.any(lost):
        left = int(lost.sum())
        low, high = (np.full(left, float(end)) for end in ends)
        speeds[lost] = bracketed_root(excess, low, high, (log_wanted[lost], loads[lost]))
    return speeds


def load_for_pressure(chain: Chain, pressure_pa: Any, speed: Any) -> Array:
    """Gas load that holds the chamber at a pressure at a speed.

    Parameters
    ----------
    chain : Chain
        The system.
    pressure_pa : float or array
        Chamber pressure [Pa].
    speed : float or array
        Controller output, fraction of rated speed [-].

    Returns
    -------
    array
        Gas load [Pa m3/s], that is, S p at the chamber with every other node at rest; 0 where
        the pumps cannot lower the pressure any further.
    """
    wanted, n = np.broadcast_arrays(
        np.asarray(pressure_pa, dtype=float), np.asarray(speed, dtype=float)
    )
    pressures, speeds = np.atleast_1d(wanted), np.atleast_1d(n)
    count = pressures.size
    trial = 0.02 * _largest_speed(chain) * pressures
    begun = steady_pressures(chain, speeds, trial)
    known = np.isfinite(begun[0])
    begun = np.where(known, begun, pressures)
    held = Held(
        np.array([np.full(count, SPEED), np.zeros(count, dtype=np.int64)]),
        np.array([speeds, pressures]),
    )
    states = settle(chain, States(begun, speeds, trial, known), held)
    result = np.maximum(states.gas_load_pa_m3_s, 0.0)
    lost = ~states.found
    if np.any(lost):
        result[lost] = _load_searched(chain, pressures[lost], speeds[lost])
    return result.reshape(wanted.shape)


def _load_searched(chain: Chain, pressure_pa: Array, speed: Array) -> Array:
    """Gas load that holds the chamber at a pressure, by bracketed search."""
    log_wanted = np.log(pressure_pa)

    def excess(log_load: Any, log_target: Any, output: Any) -> Any:
        # the chamber pressure is given, and with it the vapor load
        vapor = vapor_load(np.exp(log_target), *chain.vapor)
        return _logarithm(_pressures(chain, output, np.exp(log_load), vapor)[0]) - log_target

    high = np.log(_largest_speed(chain) * pressure_pa * 2.0)
    low = high - _LOAD_DECADES * np.log(10.0)
    result = np.zeros(log_wanted.shape)
    inside = (excess(low, log_wanted, speed) < 0.0) & (excess(high, log_wanted, speed) > 0.0)
    if np.any(inside):
        found = bracketed_root(
            excess, low[inside], high[inside], (log_wanted[inside], speed[inside])
        )
        result[inside] = np.exp(found)
    return result


def _largest_speed(chain: Chain) -> float:
    """Upper bound of the chain's pumping speed at the chamber [m3/s]."""
    probe = np.full(1, 1e3)
    bounds = [
        chain.throughput(element, probe, 1e-6 * probe, np.ones(1))[0] / probe[0]
        for element in range(chain.size)
    ]
    bounds += [float(np.exp(chain.curves[:, 1].max())), float(chain.rows[:, 0].max())]
    return float(max(bounds)) * 10.0


def _log_pressure(chain: Chain, node: int, speed: Any, gas_load_pa_m3_s: Any) -> Array:
    """ln p of a node, with a large number where no steady state exists."""
    return _logarithm(steady_pressures(chain, speed, gas_load_pa_m3_s)[node])


def _logarithm(pressure: Array) -> Array:
    missing = np.isnan(pressure)
    return np.where(missing, _ABOVE_ATMOSPHERE, np.log(np.where(missing, 1.0, pressure)))
