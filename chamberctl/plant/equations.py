"""The one right-hand side: how much gas flows into every node of the vacuum system.

A system is a chain of nodes with an element from each node to the next; the last element, the
backing pump, exhausts to atmosphere::

    gas load                      purge                purge
       |                            |                    |
    chamber --line part--> ... --> pump inlet --booster--> interstage --backing pump--> out

`net_flows` is plain arithmetic. It runs on numbers, on arrays (any trailing shape), with complex
arguments, and compiled: steady states, linearization, simulation and fit all call it.
"""

from __future__ import annotations

from typing import Any

from chamberctl.physics.boosters import (
    booster_table_values,
    booster_throughput,
    overflow_throughput,
    torque_factor,
)
from chamberctl.physics.instruments import pump_speed
from chamberctl.physics.loads import vapor_load
from chamberctl.physics.passages import passage_throughput
from chamberctl.physics.pumps import backing_curves_throughput, backing_throughput

# Kinds of element. Integers, because compiled code branches on them.
PASSAGE = 0
CONDUCTANCE = 1
BOOSTER = 2
BACKING = 3
BACKING_CURVES = 4
BOOSTER_TABLE = 5

PASSIVE, LAST = (PASSAGE, CONDUCTANCE), (BACKING, BACKING_CURVES)
"""Kinds that do not feel the speed, and those that do not feel what lies behind them."""

ROW_WIDTH = 10
"""Numbers per element in the parameter array; the order per kind is fixed in `parts.py`. The last
one is how far a line part is open, 1 at rest."""


def element_throughput(
    kind: int,
    row: Any,
    curves: Any,
    compression: Any,
    inlet_pressure_pa: Any,
    outlet_pressure_pa: Any,
    booster_speed: Any,
    backing_speed: Any,
) -> Any:
    """Throughput of one element of the chain.

    Parameters
    ----------
    kind : int
        One of the kinds above.
    row : array, shape (ROW_WIDTH, ...)
        Parameters of the element, see `parts.py`.
    curves : array, shape (J, 6, K, ...)
        Speed curves of the backing pump; read for BACKING_CURVES.
    compression : array, shape (6, K, ...)
        Leakage table of the booster; read for BOOSTER_TABLE.
    inlet_pressure_pa, outlet_pressure_pa : float or array
        Pressure at the element's two ends [Pa]; a backing pump does not read the second.
    booster_speed, backing_speed : float or array
        Speed fractions [-].

    Returns
    -------
    float or array
        Throughput counted at T_ref [Pa m3/s].
    """
    if kind == PASSAGE:
        return (
            row[9]
            * row[8]
            * passage_throughput(
                inlet_pressure_pa,
                outlet_pressure_pa,
                row[0],
                row[1],
                row[2],
                row[3],
                row[4],
                row[5],
                row[6],
            )
        )
    if kind == CONDUCTANCE:
        return row[9] * row[0] * (inlet_pressure_pa - outlet_pressure_pa)
    if kind in (BOOSTER, BOOSTER_TABLE):
        gap, viscous, carried = row[1], row[2], row[3]
        if kind == BOOSTER_TABLE:
            gap, carried = booster_table_values(inlet_pressure_pa, outlet_pressure_pa, compression)
            gap, viscous, carried = gap * row[1], 0.0 * row[2], carried * row[3]
        turning = booster_speed * torque_factor(inlet_pressure_pa, outlet_pressure_pa, row[6])
        return booster_throughput(
            inlet_pressure_pa, outlet_pressure_pa, turning, row[0], gap, viscous, carried
        ) - overflow_throughput(inlet_pressure_pa, outlet_pressure_pa, row[4], row[5])
    if kind == BACKING:
        return backing_throughput(inlet_pressure_pa, backing_speed, row[0], row[1], row[2], row[3])
    return backing_curves_throughput(inlet_pressure_pa, backing_speed, row[3], row[4], curves)


def net_flows(
    kinds: Any,
    rows: Any,
    curves: Any,
    compression: Any,
    nodes: Any,
    vapor: Any,
    booster_map: Any,
    backing_map: Any,
    pressures_pa: Any,
    speed: Any,
    gas_load_pa_m3_s: Any,
    flows_pa_m3_s: Any,
) -> Any:
    """Net gas flow into every node: the right-hand side of all balances.

    Parameters
    ----------
    kinds : int array, shape (N,)
        Kind of the element behind each node.
    rows : array, shape (N, ROW_WIDTH, ...)
        Parameters of the elements.
    curves : array, shape (J, 6, K, ...)
        Speed curves of the backing pump.
    compression : array, shape (6, K, ...)
        Leakage table of the booster.
    nodes : array, shape (3, N, ...)
        For each node: purge flow into it, counted at T_ref [Pa m3/s]; vapor pressure of a cold
        surface there [Pa], 0 without one; 1 where that surface catches the vapor load, else 0.
    vapor : array, shape (2, ...)
        Vapor load in the chamber: flow per pressure difference [m3/s], pressure at its source [Pa].
    booster_map, backing_map : array, shape (2, K)
        Controller outputs and the pump's speed fractions there [-].
    pressures_pa : array, shape (N, ...)
        Node pressures [Pa].
    speed : float or array
        Controller output as the drive delivers it, fraction of rated speed [-].
    gas_load_pa_m3_s : float or array
        All permanent gas that enters the chamber, counted at T_ref [Pa m3/s].
    flows_pa_m3_s : array, shape (N, ...)
        Filled with the result.

    Returns
    -------
    array, shape (N, ...)
        `flows_pa_m3_s`: V_eff dp/dt of each node [Pa m3/s].

    Notes
    -----
    A cold surface keeps its vapor at p_v: of what leaves its node the share p_v/p comes off the
    surface again, so that the node's balance is arriving - caught - (1 - p_v/p) leaving. Speed acts
    on the permanent gas alone: authority times (p - p_v)/p.
    """
    booster_speed = pump_speed(speed, booster_map[0], booster_map[1])
    backing_speed = pump_speed(speed, backing_map[0], backing_map[1])
    last = len(kinds) - 1
    evaporating = vapor_load(pressures_pa[0], vapor[0], vapor[1])
    arriving = gas_load_pa_m3_s + evaporating
    for node in range(last + 1):
        beyond = pressures_pa[node + 1] if node < last else 0.0 * pressures_pa[node]
        leaving = element_throughput(
            kinds[node],
            rows[node],
            curves,
            compression,
            pressures_pa[node],
            beyond,
            booster_speed,
            backing_speed,
        )
        flows_pa_m3_s[node] = node_balance(
            arriving, nodes[0, node], nodes[1, node], nodes[2, node], evaporating, leaving,
            pressures_pa[node],
        )  # fmt: skip
        arriving = leaving
    return flows_pa_m3_s


def node_balance(
    arriving: Any,
    purge: Any,
    vapor_pressure_pa: Any,
    catching: Any,
    evaporating: Any,
    leaving: Any,
    pressure_pa: Any,
) -> Any:
    """Net gas flow into one node.

    Parameters
    ----------
    arriving, leaving : float or array
        Throughput of the element before and of the one behind it [Pa m3/s].
    purge, vapor_pressure_pa, catching : float or array
        Column of `nodes`, as for `net_flows`.
    evaporating : float or array
        Vapor load in the chamber [Pa m3/s].
    pressure_pa : float or array
        Pressure of the node [Pa].

    Returns
    -------
    float or array
        Gas that stays [Pa m3/s].
    """
    permanent = leaving * (1.0 - vapor_pressure_pa / pressure_pa)
    return arriving + purge - catching * evaporating - permanent
