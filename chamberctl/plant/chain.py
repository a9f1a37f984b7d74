"""From the described system to the numbers that the right-hand side reads."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from chamberctl.physics.chamber import effective_volume
from chamberctl.physics.instruments import pump_speed
from chamberctl.plant import equations
from chamberctl.plant.parts import NO_TABLE, backing_element, booster_element, line_element
from chamberctl.study.flowing import system_gas
from chamberctl.study.system import TRAPS

if TYPE_CHECKING:
    from chamberctl.study import Backing, Booster, Gauge, System

PUMP_INLET = "pump inlet"
"""Name of the node in front of the pumps where there is a line, and of a gauge's place there."""

AFTER = "after "
"""Begins the name of a node, or of a gauge's place, behind a named line part."""

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Chain:
    """The system as arrays, in flow order.

    Parameters
    ----------
    kinds : int array, shape (N,)
        Kind of the element behind each node.
    rows : array, shape (N, ROW_WIDTH)
        Parameters of the elements.
    curves : array, shape (J, 6, K)
        Speed curves of the backing pump. Of stacked systems that differ in them, and of all arrays
        that do, a last axis holds each state's own.
    compression : array, shape (6, K)
        Leakage table of the booster.
    nodes : array, shape (3, N)
        Purge flows [Pa m3/s], vapor pressures of cold surfaces [Pa], and where vapor is caught.
    vapor : array, shape (2,)
        Vapor load: flow per pressure difference [m3/s] and pressure at its source [Pa].
    volumes_m3 : array, shape (N,)
        Effective volumes of the nodes at T_ref [m3]; zero: the node has no state.
    booster_map, backing_map : array, shape (2, K)
        Controller outputs and pump speed fractions there [-].
    node_names, part_names : tuple of str
        Names of the nodes and of the element behind each.
    booster_node : int or None
        Node at the booster's inlet.
    pump_inlet_node : int
        Node that a gauge at the pump inlet reads.
    """

    kinds: NDArray[np.int64]
    rows: Array
    curves: Array
    compression: Array
    nodes: Array
    vapor: Array
    volumes_m3: Array
    booster_map: Array
    backing_map: Array
    node_names: tuple[str, ...]
    part_names: tuple[str, ...]
    booster_node: int | None
    pump_inlet_node: int

    @property
    def size(self) -> int:
        """Number of nodes."""
        return len(self.node_names)

    def net_flows(self, pressures_pa: Any, speed: Any, gas_load_pa_m3_s: Any) -> Any:
        """Net gas flow into every node [Pa m3/s]; see `equations.net_flows`."""
        pressures = np.asarray(pressures_pa)
        trailing = np.broadcast_shapes(
            pressures.shape[1:], np.shape(speed), np.shape(gas_load_pa_m3_s)
        )
        kind = np.result_type(pressures, speed, gas_load_pa_m3_s, float)
        flows = np.empty((self.size, *trailing), dtype=kind)
        return equations.net_flows(
            self.kinds,
            self.rows,
            self.curves,
            self.compression,
            self.nodes,
            self.vapor,
            self.booster_map,
            self.backing_map,
            pressures,
            speed,
            gas_load_pa_m3_s,
            flows,
        )

    def throughput(self, element: int, inlet_pa: Any, outlet_pa: Any, speed: Any) -> Any:
        """Throughput of one element at controller output `speed` [Pa m3/s]."""
        return equations.element_throughput(
            int(self.kinds[element]),
            self.rows[element],
            self.curves,
            self.compression,
            inlet_pa,
            outlet_pa,
            self.booster_speed(speed),
            self.backing_speed(speed),
        )

    def booster_speed(self, speed: Any) -> Any:
        """Booster speed fraction at controller output `speed` [-]."""
        return pump_speed(speed, self.booster_map[0], self.booster_map[1])

    def backing_speed(self, speed: Any) -> Any:
        """Backing pump speed fraction at controller output `speed` [-]."""
        return pump_speed(speed, self.backing_map[0], self.backing_map[1])


@lru_cache(maxsize=64)
def build_chain(system: System) -> Chain:
    """Translate a system into its chain of nodes and elements.

    Parameters
    ----------
    system : study.System
        The system as described, SI units.

    Returns
    -------
    Chain
        Arrays for `equations.net_flows`.
    """
    gas = system_gas(system.gas)
    kinds: list[int] = []
    rows: list[list[float]] = []
    volumes = [_chamber_volume(system)]
    nodes = ["chamber"]
    purges, cold, catching = [0.0], [0.0], [0.0]
    for part, name in zip(system.line, system.line_names, strict=True):
        kind, row, volume = line_element(part, gas)
        kinds.append(kind)
        rows.append(row)
        nodes.append(f"after {name}")
        volumes[-1] += 0.5 * volume
        volumes.append(0.5 * volume)
        purges.append(0.0)
        cold.append(part.vapor_pressure_pa)
        catching.append(float(part.kind in TRAPS))
    parts = list(system.line_names)
    if len(nodes) > 1:
        nodes[-1] = PUMP_INLET
    inlet_node = len(nodes) - 1
    purges[-1] += system.purge.inlet_pa_m3_s
    booster_node, compression = None, NO_TABLE
    if system.booster is not None:
        booster_node = inlet_node
        kind, row, compression = booster_element(system.booster, gas)
        volumes[-1] += _inlet_volume(system.booster)
        kinds.append(kind)
        rows.append(row)
        parts.append("booster")
        nodes.append("interstage")
        for column in (volumes, purges, cold, catching):
            column.append(0.0)
    volumes[-1] += _inlet_volume(system.backing)
    purges[-1] += system.purge.interstage_pa_m3_s
    purges[-1] += system.backing.ballast_share * system.backing.ballast_pa_m3_s
    kind, row, curves = backing_element(system.backing, gas)
    kinds.append(kind)
    rows.append(row)
    parts.append("backing pump")
    load = system.gas_load
    return Chain(
        kinds=np.array(kinds, dtype=np.int64),
        rows=np.array([row + [0.0] * (equations.ROW_WIDTH - len(row)) for row in rows]),
        curves=curves,
        compression=compression,
        nodes=np.array([purges, cold, catching]),
        vapor=np.array([load.vapor_conductance_m3_s, load.vapor_saturation_pa]),
        volumes_m3=np.array(volumes),
        booster_map=_speed_map(system.speed_map.output, system.speed_map.booster),
        backing_map=_speed_map(system.speed_map.output, system.speed_map.backing),
        node_names=tuple(nodes),
        part_names=tuple(parts),
        booster_node=booster_node,
        pump_inlet_node=inlet_node,
    )


def gauge_node(chain: Chain, gauge: Gauge) -> int:
    """Index of the node whose pressure the gauge reads.

    Parameters
    ----------
    chain : Chain
        The system.
    gauge : study.Gauge
        The gauge.

    Returns
    -------
    int
        0 is the chamber.
    """
    if gauge.position == PUMP_INLET:
        return chain.pump_inlet_node
    if gauge.position.startswith(AFTER):
        return chain.part_names.index(gauge.position.removeprefix(AFTER)) + 1
    return chain.node_names.index(gauge.position)


def _chamber_volume(system: System) -> float:
    chamber = system.chamber
    volumes = [chamber.volume_m3, *(zone.volume_m3 for zone in chamber.hot_zones)]
    temperatures = [chamber.temperature_k, *(zone.temperature_k for zone in chamber.hot_zones)]
    return effective_volume(volumes, temperatures)


def _inlet_volume(pump: Booster | Backing) -> float:
    return effective_volume([pump.inlet_volume_m3], [pump.inlet_temperature_k])


def _speed_map(output: tuple[float, ...], speeds: tuple[float, ...] | None) -> Array:
    return np.array([output, speeds if speeds is not None else [0.0] * len(output)])
