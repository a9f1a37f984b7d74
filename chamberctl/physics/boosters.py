"""Mechanical boosters: swept flow, leakage, overflow valve and torque limit, as flow laws.

All flows are counted at the reference temperature; volume flows, swept or leaking, are given
already multiplied by T_ref/T_inlet. Speed n is a fraction of rated speed. Branch-free: numbers,
arrays, complex arguments and compiled code give the same values.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from chamberctl.physics.interpolation import hermite, monotone_slopes, within

TORQUE_STEEPNESS = 20.0
"""How steeply a drive at its torque limit gives up speed (assumed)."""


def booster_throughput(
    inlet_pressure_pa: Any,
    outlet_pressure_pa: Any,
    speed: Any,
    swept_speed_m3_s: Any,
    gap_conductance_m3_s: Any,
    gap_conductance_per_pressure_m3_s_pa: Any,
    carry_back_speed_m3_s: Any,
) -> Any:
    """Net throughput of a mechanical booster (Roots type).

    Parameters
    ----------
    inlet_pressure_pa, outlet_pressure_pa : float or array
        Pressure at inlet and outlet [Pa].
    speed : float or array
        Speed fraction [-].
    swept_speed_m3_s : float or array
        Swept flow at rated speed [m3/s].
    gap_conductance_m3_s : float or array
        Molecular part of the gap conductance [m3/s].
    gap_conductance_per_pressure_m3_s_pa : float or array
        Viscous part of the gap conductance per mean pressure [m3/(s Pa)].
    carry_back_speed_m3_s : float or array
        Gas carried back by the rotors at rated speed, per outlet pressure [m3/s].

    Returns
    -------
    float or array
        Net throughput [Pa m3/s].

    Notes
    -----
    q = n S_B p_i - C_g (p_b - p_i) - n S_r p_b, C_g = C_m + a (p_i + p_b)/2.

    References
    ----------
    C.M. Van Atta, Nat. Symp. Vacuum Technology Trans. (1957) 62-70 (balance from memory,
    re-derived).

    Examples
    --------
    >>> round(float(booster_throughput(10.0, 44.1176471, 1.0, 0.5, 0.5 / 29.0, 0.0, 0.0)), 5)
    4.41176
    """
    gap = gap_conductance_m3_s + gap_conductance_per_pressure_m3_s_pa * 0.5 * (
        inlet_pressure_pa + outlet_pressure_pa
    )
    return (
        speed * swept_speed_m3_s * inlet_pressure_pa
        - gap * (outlet_pressure_pa - inlet_pressure_pa)
        - speed * carry_back_speed_m3_s * outlet_pressure_pa
    )


def zero_flow_compression(
    speed: Any, swept_speed_m3_s: Any, gap_conductance_m3_s: Any, carry_back_speed_m3_s: Any
) -> Any:
    """Compression ratio of a booster without gas flow.

    Parameters
    ----------
    speed : float or array
        Speed fraction [-].
    swept_speed_m3_s : float or array
        Swept flow at rated speed [m3/s].
    gap_conductance_m3_s : float or array
        Gap conductance at the mean pressure [m3/s].
    carry_back_speed_m3_s : float or array
        Gas carried back by the rotors at rated speed [m3/s].

    Returns
    -------
    float or array
        K0 = (n S_B + C_g)/(C_g + n S_r) [-].

    References
    ----------
    Setting the flow of `booster_throughput` to zero.

    Examples
    --------
    >>> round(float(zero_flow_compression(0.5, 0.5, 0.5 / 29.0, 0.0)), 3)
    15.5
    """
    gap = gap_conductance_m3_s
    return (speed * swept_speed_m3_s + gap) / (gap + speed * carry_back_speed_m3_s)


def overflow_throughput(
    inlet_pressure_pa: Any, outlet_pressure_pa: Any, opening_difference_pa: Any, slope_m3_s: Any
) -> Any:
    """Flow from outlet back to inlet through a booster's overflow valve.

    Parameters
    ----------
    inlet_pressure_pa, outlet_pressure_pa : float or array
        Pressure at booster inlet and outlet [Pa].
    opening_difference_pa : float or array
        Pressure difference at which the valve opens [Pa].
    slope_m3_s : float or array
        Flow per pressure difference beyond opening [m3/s].

    Returns
    -------
    float or array
        Throughput through the valve [Pa m3/s]; zero while it is closed.

    References
    ----------
    Spring-loaded valve with a linear characteristic: assumed.

    Examples
    --------
    >>> float(overflow_throughput(1000.0, 7000.0, 5000.0, 2.0))
    2000.0
    """
    excess = outlet_pressure_pa - inlet_pressure_pa - opening_difference_pa
    return slope_m3_s * excess * ((excess.real > 0.0) * 1.0)


def torque_factor(
    inlet_pressure_pa: Any, outlet_pressure_pa: Any, torque_difference_pa: Any
) -> Any:
    """Share of its commanded speed that a torque-limited booster drive delivers.

    Parameters
    ----------
    inlet_pressure_pa, outlet_pressure_pa : float or array
        Pressure at booster inlet and outlet [Pa].
    torque_difference_pa : float or array
        Pressure difference at which the drive reaches its torque limit [Pa].

    Returns
    -------
    float or array
        1 below the limit, falling steeply above it [-]: the torque of a booster is its swept
        volume times the difference, so the limit holds the difference.

    Notes
    -----
    (dp/dp_limit)^-20 above the limit: the difference is held within a few percent.

    References
    ----------
    Torque of a displacement machine; steepness assumed.

    Examples
    --------
    >>> float(torque_factor(100.0, 3000.0, 5000.0))
    1.0
    """
    ratio = (outlet_pressure_pa - inlet_pressure_pa) / torque_difference_pa - 1.0
    over = ratio * ((ratio.real > 0.0) * 1.0)
    return (1.0 + over) ** (-TORQUE_STEEPNESS)


def falling_mean(backing_pressures_pa: Any, compressions: Any) -> int:
    """First row after which a booster's mean pressure at zero flow does not rise any more.

    Parameters
    ----------
    backing_pressures_pa : sequence of float, shape (K,)
        Backing pressures, rising [Pa].
    compressions : sequence of float, shape (K,)
        Zero-flow compression K0 there [-].

    Returns
    -------
    int
        The row; -1 where p_b (1 + 1/K0)/2 rises from row to row.

    References
    ----------
    Definition.

    Examples
    --------
    >>> falling_mean([1.0, 10.0, 12.0], [30.0, 1.05, 40.0])
    1
    """
    backing = np.asarray(backing_pressures_pa, dtype=float)
    mean = 0.5 * backing * (1.0 + 1.0 / np.asarray(compressions, dtype=float))
    falls = np.flatnonzero(np.diff(mean) <= 0.0)
    return int(falls[0]) if falls.size else -1


def booster_table(
    backing_pressures_pa: Any, compressions: Any, swept_speed_m3_s: float, split: str
) -> Any:
    """Gap conductance and carried-back flow of a booster from its zero-flow compression.

    Parameters
    ----------
    backing_pressures_pa : sequence of float, shape (K,)
        Backing pressures, rising [Pa].
    compressions : sequence of float, shape (K,)
        Zero-flow compression K0 at rated speed [-], above 1.
    swept_speed_m3_s : float
        Swept flow at rated speed [m3/s].
    split : {"peak", "gap", "carry-back"}
        How the leakage is split: "gap" or "carry-back" alone (the two envelope cases), or at the
        peak of K0: gaps alone from the peak up, below it the gap stays and the rotors carry back
        the rest.

    Returns
    -------
    array, shape (6, K)
        ln of the mean pressure, gap conductance and its slope; ln of the backing pressure,
        carried-back flow and its slope [ln Pa, m3/s].

    Raises
    ------
    ValueError
        If pressures do not rise, the mean pressures at zero flow neither, or a compression is not
        above 1.

    Notes
    -----
    K0 = (S_B + C_g)/(C_g + S_r). Gaps alone: C_g = S_B/(K0 - 1) at mean pressure
    p_b (1 + 1/K0)/2. Rated-speed data do not tell the split; only a test at reduced speed does.

    References
    ----------
    Setting the flow of `booster_throughput` to zero.

    Examples
    --------
    >>> booster_table([10.0, 100.0], [20.0, 40.0], 0.39, "gap")[1].round(4).tolist()
    [0.0205, 0.01]
    """
    backing = np.asarray(backing_pressures_pa, dtype=float)
    k0 = np.asarray(compressions, dtype=float)
    if np.any(np.diff(backing) <= 0.0) or np.any(k0 <= 1.0):
        raise ValueError("backing pressures must rise and compressions be above 1")
    if falling_mean(backing, k0) >= 0:
        raise ValueError("mean pressures at zero flow must rise")
    gap = swept_speed_m3_s / (k0 - 1.0)
    if split == "carry-back":
        gap = np.zeros(k0.size)
    elif split == "peak":
        peak = int(np.argmax(k0))
        gap = np.where(np.arange(k0.size) < peak, gap[peak], gap)
    carried = np.maximum((swept_speed_m3_s + gap) / k0 - gap, 0.0)
    rows = []
    for pressure, values in ((0.5 * backing * (1.0 + 1.0 / k0), gap), (backing, carried)):
        x = np.log(pressure)
        # no slope at the ends: constant beyond the table, without a jump
        rows += [x, values, monotone_slopes(x, values)]
    return np.array(rows)


def booster_table_values(
    inlet_pressure_pa: Any, outlet_pressure_pa: Any, table: Any
) -> tuple[Any, Any]:
    """Gap conductance and carried-back flow of a booster at its working pressures.

    Parameters
    ----------
    inlet_pressure_pa, outlet_pressure_pa : float or array
        Pressure at booster inlet and outlet [Pa].
    table : array, shape (6, K) or (6, K, M)
        From `booster_table` [ln Pa, m3/s]; or one for each of the last axis of the pressures.

    Returns
    -------
    tuple of (float or array)
        (gap conductance, carried-back flow at rated speed) [m3/s]; constant beyond the table.

    References
    ----------
    Shape-preserving interpolation over ln p.

    Examples
    --------
    >>> table = booster_table([10.0, 100.0], [20.0, 40.0], 0.39, "carry-back")
    >>> [round(float(x), 4) for x in booster_table_values(5.0, 100.0, table)]
    [0.0, 0.0097]
    """
    mean = np.log(0.5 * (inlet_pressure_pa + outlet_pressure_pa))
    behind = np.log(outlet_pressure_pa)
    return (
        hermite(within(mean, table[0]), table[0], table[1], table[2]),
        hermite(within(behind, table[3]), table[3], table[4], table[5]),
    )
