"""The inlet pressure at which one element of the chain passes a given throughput.

Throughput rises with inlet pressure, nearly as a power of it, or, of a part of the line, of the
pressure difference. Newton's method in the logarithms of both finds it in a few steps; it is kept
within a bracket that shrinks with every step, so that it cannot get lost.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from chamberctl.physics.constants import HIGHEST_PRESSURE_PA
from chamberctl.plant import equations
from chamberctl.plant.bracketed import bracketed_root
from chamberctl.plant.chain import Chain

Array = NDArray[np.float64]

LOWEST_NODE_PRESSURE_PA = 1e-20
"""Lower end of the search for node pressures [Pa]; far below anything a dry pump reaches."""

ROUNDS = 60
"""Most steps; seven are enough as a rule."""

SETTLED, SETTLED_IN_PRESSURE = 1e-10, 1e-12
"""Largest last step, in the logarithm that is searched in or in that of the pressure: the next one
would be about its square."""

_STEP = 1e-30


def inlet_pressure(
    chain: Chain, element: int, outlet_pa: Array, speed: Array, target_pa_m3_s: Array
) -> Array:
    """Inlet pressure at which one element passes the target throughput.

    Parameters
    ----------
    chain : Chain
        The system.
    element : int
        Which element.
    outlet_pa : array
        Pressure behind it [Pa]; NaN where there is none.
    speed : array
        Controller output [-].
    target_pa_m3_s : array
        Wanted throughput [Pa m3/s].

    Returns
    -------
    array
        Inlet pressure [Pa], to rounding; NaN where none is found up to 110 kPa.
    """
    outlet, n, target = np.broadcast_arrays(outlet_pa, speed, target_pa_m3_s)
    result = np.full(outlet.shape, np.nan)
    known = np.isfinite(outlet)
    back = np.where(known, outlet, 1.0)
    ends = (
        chain.throughput(element, np.full(outlet.shape, end), back, n)
        for end in (LOWEST_NODE_PRESSURE_PA, HIGHEST_PRESSURE_PA)
    )
    lowest, highest = ends
    exists = known & (lowest <= target) & (highest >= target)
    if not np.any(exists):
        return result
    args = tuple(np.atleast_1d(part)[np.atleast_1d(exists)] for part in (outlet, n, target))
    found = _stepped(chain, element, *args)
    lost = np.isnan(found)
    if np.any(lost):
        found[lost] = _searched(chain, element, *(part[lost] for part in args))
    result[exists] = found
    return result


def _stepped(chain: Chain, element: int, outlet: Array, speed: Array, target: Array) -> Array:
    """Newton's method in ln of inlet pressure, or of its difference; NaN where it does not settle.

    A step out of the bracket is taken to its middle.
    """
    passive = chain.kinds[element] in equations.PASSIVE
    base = outlet if passive else np.zeros(outlet.shape)
    result = np.full(outlet.shape, np.nan)
    moving = np.flatnonzero((target > 0.0) & (base < HIGHEST_PRESSURE_PA))
    low = np.full(outlet.shape, np.log(LOWEST_NODE_PRESSURE_PA))
    high = np.log(np.maximum(HIGHEST_PRESSURE_PA - base, LOWEST_NODE_PRESSURE_PA))
    x = high.copy()
    for _ in range(ROUNDS):
        if moving.size == 0:
            break
        here, wanted = x[moving], target[moving]
        above_base = np.exp(here)
        inlet = base[moving] + above_base * (1.0 + 1j * _STEP)
        flow = chain.throughput(element, inlet, outlet[moving], speed[moving])
        value, slope = flow.real, flow.imag / _STEP
        too_high = value >= wanted
        high[moving] = np.where(too_high, here, high[moving])
        low[moving] = np.where(too_high, low[moving], here)
        with np.errstate(invalid="ignore", divide="ignore"):
            # where gas flows back there is no logarithm; there the flow goes with the pressure
            step = np.where(
                value > 0.0,
                -np.log(value / wanted) * value / slope,
                np.log1p((wanted - value) / slope),
            )
        small = np.abs(step) * np.minimum(above_base / inlet.real, 1.0)
        settled = (np.abs(step) < SETTLED) | (small < SETTLED_IN_PRESSURE)
        after = here + step
        inside = (after > low[moving]) & (after < high[moving])
        middle = 0.5 * (low[moving] + high[moving])
        x[moving] = np.where(settled | inside, after, middle)
        result[moving[settled]] = base[moving[settled]] + np.exp(after[settled])
        moving = moving[~settled]
    return result


def _searched(chain: Chain, element: int, outlet: Array, speed: Array, target: Array) -> Array:
    """Bracketed search in ln of inlet pressure."""

    def excess(x: Any, outlet_pa: Any, n: Any, wanted: Any) -> Any:
        return chain.throughput(element, np.exp(x), outlet_pa, n) - wanted

    ends = (np.log(LOWEST_NODE_PRESSURE_PA), np.log(HIGHEST_PRESSURE_PA))
    low, high = (np.full(outlet.shape, end) for end in ends)
    return np.exp(bracketed_root(excess, low, high, (outlet, speed, target)))
