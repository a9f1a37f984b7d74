"""Backing pumps: positive displacement against atmosphere, by formula or by speed curves.

All flows are counted at the reference temperature; volume flows, swept or leaking, are given
already multiplied by T_ref/T_inlet. Speed n is a fraction of rated speed. Branch-free: numbers,
arrays, complex arguments and compiled code give the same values.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from chamberctl.physics.interpolation import hermite, monotone_slopes

LEAST_SHARE = 1e-4
"""Least speed of a curve, of its peak: stands for a speed of zero, which has no logarithm."""

RISES_BY = 1e-9
"""A throughput that rises by less than this (relative) does not rise, but for rounding."""


def backing_throughput(
    inlet_pressure_pa: Any,
    speed: Any,
    displacement_m3_s: Any,
    ultimate_pressure_pa: Any,
    clearance_conductance_m3_s: Any,
    slip_exponent: Any,
) -> Any:
    """Net throughput of a positive-displacement pump that exhausts to atmosphere.

    Parameters
    ----------
    inlet_pressure_pa : float or array
        Inlet pressure [Pa].
    speed : float or array
        Speed fraction [-], above zero.
    displacement_m3_s : float or array
        Geometric pumping speed at rated speed [m3/s].
    ultimate_pressure_pa : float or array
        Inlet pressure at which the net flow is zero at rated speed [Pa].
    clearance_conductance_m3_s : float or array
        Slip that grows with inlet pressure, at rated speed [m3/s].
    slip_exponent : float or array
        m in slip(n) = slip(1) n^-m [-]; 0 holds only for a single stage.

    Returns
    -------
    float or array
        Net throughput [Pa m3/s]; negative (backstreaming) below the ultimate pressure.

    Notes
    -----
    q = n S_D p - n^-m (C_c p + (S_D - C_c) p_ult). With constant slip only (C_c = 0, m = 0) this
    is S = S_D (n - p_ult/p).

    References
    ----------
    Balance of geometric displacement and leaks as used for screw vacuum pumps by K. Ohbayashi et
    al., Appl. Surf. Sci. 169-170:768 (2001) (authors from memory); speed law derived.

    Examples
    --------
    >>> round(float(backing_throughput(10.0, 0.5, 0.1, 1.0, 0.0, 0.0)), 3)
    0.4
    """
    slip = clearance_conductance_m3_s * inlet_pressure_pa + ultimate_pressure_pa * (
        displacement_m3_s - clearance_conductance_m3_s
    )
    return speed * displacement_m3_s * inlet_pressure_pa - speed ** (-slip_exponent) * slip


def backing_curves_throughput(
    inlet_pressure_pa: Any, speed: Any, slip_exponent: Any, temperature_factor: Any, curves: Any
) -> Any:
    """Net throughput of a pump given by its speed curve at rated speed, or at several speeds.

    Parameters
    ----------
    inlet_pressure_pa : float or array
        Inlet pressure [Pa].
    speed : float or array
        Speed fraction [-], above zero.
    slip_exponent : float or array
        m in slip(n) ~ n^-m below the slowest curve [-].
    temperature_factor : float or array
        T_ref/T_inlet, from volume flow at the inlet to flow counted at T_ref [-].
    curves : array, shape (J, 6, K) or (J, 6, K, M)
        One table per speed from `curve_table` [ln Pa, ln m3/s, -], slowest first; or a set of
        them for each of the last axis of the arrays.

    Returns
    -------
    float or array
        Net throughput [Pa m3/s].

    Notes
    -----
    Only the fall of a curve towards low pressure is slip; its roll-off towards atmosphere scales
    with n. Between two curves displacement and slip go straight over n, and so does the net flow:
    it lies between theirs. Below the slowest curve displacement falls as n and slip grows as n^-m:
    that is extrapolation, as is everything beyond the pressures of a table, where the law goes on
    with its last slope.

    References
    ----------
    Derived; split of a curve into displacement and slip as in `backing_throughput`.

    Examples
    --------
    >>> table = curve_table([1.0, 10.0, 100.0], [0.05, 0.095, 0.1], 1.0)
    >>> round(float(backing_curves_throughput(10.0, 1.0, 0.0, 1.0, np.array([table]))), 4)
    0.95
    """
    last = curves.shape[0] - 1
    slowest, fastest = curves[0, 5, 0], curves[last, 5, 0]
    below_swept, below_slip = _curve_parts(inlet_pressure_pa, curves[0])
    swept, slip = below_swept, below_slip
    for k in range(1, last + 1):
        low, high = curves[k - 1, 5, 0], curves[k, 5, 0]
        over = (speed - low) / (high - low)
        past = over - 1.0
        # at a curve between two others the slope is that of the slower side
        begun = (over.real > 0.0) * 1.0 + (over.real == 0.0) * (k == 1) * 1.0
        share = over * begun - past * ((past.real > 0.0) * 1.0)
        above_swept, above_slip = _curve_parts(inlet_pressure_pa, curves[k])
        swept = swept + share * (above_swept - below_swept)
        slip = slip + share * (above_slip - below_slip)
        below_swept, below_slip = above_swept, above_slip
    single = (last == 0) * 1.0
    slower = (speed.real < slowest) * (1.0 - single) + single
    faster = (speed.real > fastest) * (1.0 - single)
    beyond = slower * speed / slowest + faster * speed / fastest + (1.0 - slower) * (1.0 - faster)
    worse = slower * speed / slowest + (1.0 - slower)
    return temperature_factor * (swept * beyond - worse ** (-slip_exponent) * slip)


def _curve_parts(inlet_pressure_pa: Any, table: Any) -> tuple[Any, Any]:
    """Throughput swept at the curve's speed, and the slip that comes off it [Pa m3/s]."""
    log_pressure = np.log(inlet_pressure_pa)
    last = table.shape[1] - 1
    above = (log_pressure.real > table[0, last]) * 1.0
    below = (log_pressure.real < table[0, 0]) * 1.0
    at = (1.0 - above) * (1.0 - below) * log_pressure + above * table[0, last] + below * table[0, 0]
    log_swept = hermite(at, table[0], table[1], table[2])
    log_net = hermite(at, table[0], table[3], table[4])
    beyond = (log_pressure - at) * (above * table[2, last] + below * table[2, 0])
    swept = inlet_pressure_pa * np.exp(log_swept + beyond)
    slip_slope = np.exp(table[1, 0]) * (1.0 + table[2, 0]) - np.exp(table[3, 0]) * (
        1.0 + table[4, 0]
    )
    slip = np.exp(at) * (np.exp(log_swept) - np.exp(log_net)) + below * slip_slope * (
        inlet_pressure_pa - np.exp(at)
    )
    return swept, slip


def scaled_slip(speeds_m3_s: Any, scale: Any) -> Any:
    """Pumping speeds of a curve when slip is more or less than where the curve was measured.

    Parameters
    ----------
    speeds_m3_s : sequence of float, shape (K,)
        Pumping speeds over rising inlet pressures [m3/s].
    scale : float
        Factor on the slip [-], such as the ratio of two gases' viscosities.

    Returns
    -------
    array, shape (K,)
        S_max - scale (S_max - S) up to the peak, S beyond it [m3/s]; not below a trace of the peak,
        because the logarithm of the speed is needed.

    References
    ----------
    Derived; split of a curve into displacement and slip as in `curve_table`.

    Examples
    --------
    >>> scaled_slip([0.05, 0.1, 0.08], 1.5).round(3).tolist()
    [0.025, 0.1, 0.08]
    """
    speed = np.asarray(speeds_m3_s, dtype=float)
    peak = int(np.argmax(speed))
    slip = np.where(np.arange(speed.size) < peak, speed[peak] - speed, 0.0)
    return np.maximum(speed + (1.0 - scale) * slip, LEAST_SHARE * speed[peak])


def falling_step(pressures_pa: Any, speeds_m3_s: Any) -> int:
    """Row of a pump curve from which pressure times speed does not rise to the next one.

    Parameters
    ----------
    pressures_pa : sequence of float, shape (K,)
        Inlet pressures, rising [Pa].
    speeds_m3_s : sequence of float, shape (K,)
        Pumping speed at these pressures [m3/s].

    Returns
    -------
    int
        Index of the first such row; -1 where throughput rises all along, as it must: otherwise one
        gas load would have several steady pressures.

    References
    ----------
    Definition.

    Examples
    --------
    >>> falling_step([1.0, 10.0, 100.0], [0.1, 0.1, 0.005])
    1
    """
    throughput = np.asarray(pressures_pa, dtype=float) * np.asarray(speeds_m3_s, dtype=float)
    falls = np.flatnonzero(throughput[1:] <= throughput[:-1] * (1.0 + RISES_BY))
    return int(falls[0]) if falls.size else -1


def curve_table(pressures_pa: Any, speeds_m3_s: Any, measured_at: float = 1.0) -> Any:
    """Split a pumping speed curve at rated speed into geometric speed and what slip leaves of it.

    Parameters
    ----------
    pressures_pa : sequence of float, shape (K,)
        Inlet pressures, rising [Pa].
    speeds_m3_s : sequence of float, shape (K,)
        Pumping speed at these pressures [m3/s]; pressure times speed must rise.
    measured_at : float
        Speed fraction at which the curve was measured [-].

    Returns
    -------
    array, shape (6, K)
        ln p, ln of the geometric speed and its slope, ln of the net speed and its slope, and the
        speed fraction [ln Pa, ln m3/s, -].

    Raises
    ------
    ValueError
        If the pressures or the throughputs do not rise.

    Notes
    -----
    Up to the peak of the curve the geometric speed is the peak speed, beyond it is the net speed.
    Throughput rises between the points, too: otherwise one gas load would have several steady
    pressures. Speed does not overshoot the points unless it falls almost as 1/p. The slope at the
    first point is that of constant slip where the next point allows it.

    References
    ----------
    Slopes: F.N. Fritsch, J. Butland, SIAM J. Sci. Stat. Comput. 5:300 (1984); bound of three
    times the secant: F.N. Fritsch, R.E. Carlson, SIAM J. Numer. Anal. 17:238 (1980).

    Examples
    --------
    >>> curve_table([1.0, 10.0], [0.05, 0.1])[1:3].round(3).tolist()
    [[-2.303, -2.303], [0.0, 0.0]]
    """
    pressure = np.asarray(pressures_pa, dtype=float)
    speed = np.asarray(speeds_m3_s, dtype=float)
    if np.any(np.diff(pressure) <= 0.0) or falling_step(pressure, speed) >= 0:
        raise ValueError("pressures and throughputs of a pump curve must rise")
    x, net = np.log(pressure), np.log(speed)
    peak = int(np.argmax(net))
    slope = monotone_slopes(x, net)
    slope[0] = min(speed[peak] / speed[0] - 1.0, max(3.0 * (net[1] - net[0]) / (x[1] - x[0]), 0.0))
    rise = 3.0 * np.diff(net + x) / np.diff(x)
    bound = np.minimum(np.append(rise, rise[-1]), np.append(rise[0], rise))
    slope = np.clip(slope, -1.0, bound - 1.0)
    before = np.arange(net.size) < peak
    geometric = np.where(before, net[peak], net)
    speeds = np.full(net.size, measured_at)
    return np.array([x, geometric, np.where(before, 0.0, slope), net, slope, speeds])
