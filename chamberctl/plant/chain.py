"""From the described system to the numbers that the right-hand side reads."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from chamberctl.physics.chamber import effective_volume
from chamberctl.physics.constants import T_REF_K
from chamberctl.physics.gases import GASES, most_probable_speed, viscosity
from chamberctl.physics.instruments import pump_speed
from chamberctl.physics.passages import passage_lengths
from chamberctl.physics.pumps import curve_table
from chamberctl.plant import equations

if TYPE_CHECKING:
    from chamberctl.study import Backing, Booster, Gauge, LinePart, System

Array = NDArray[np.float64]

OVERFLOW_STIFFNESS = 20.0
"""Flow through an open overflow valve per excess difference, in multiples of the booster's swept
speed. Assumed: the valve passes the whole swept flow at an excess of 5 % of the inlet pressure."""

NEVER_OPENS_PA = 1e12
"""Opening difference of an overflow valve that is not there [Pa]."""

_NO_TABLE = np.ones((6, 2))


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
        Speed curves of the backing pump.
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
    kinds: list[int] = []
    rows: list[list[float]] = []
    parts: list[str] = []
    volumes = [_chamber_volume(system)]
    nodes = ["chamber"]
    for index, part in enumerate(system.line):
        kind, row, volume = _line_element(part, system)
        kinds.append(kind)
        rows.append(row)
        parts.append(part.name or f"{part.kind} {index + 1}")
        volumes[-1] += 0.5 * volume
        volumes.append(0.5 * volume)
        nodes.append(f"after {parts[-1]}")
    if len(nodes) > 1:
        nodes[-1] = "pump inlet"
    inlet_node = len(nodes) - 1
    purges = [0.0] * len(nodes)
    purges[-1] += system.purge.inlet_pa_m3_s
    booster_node = None
    if system.booster is not None:
        booster_node = inlet_node
        volumes[-1] += effective_volume(
            [system.booster.inlet_volume_m3], [system.booster.inlet_temperature_k]
        )
        kinds.append(equations.BOOSTER)
        rows.append(_booster_row(system.booster))
        parts.append("booster")
        nodes.append("interstage")
        volumes.append(0.0)
        purges.append(0.0)
    volumes[-1] += effective_volume(
        [system.backing.inlet_volume_m3], [system.backing.inlet_temperature_k]
    )
    purges[-1] += system.purge.interstage_pa_m3_s
    kind, row, curves = _backing_element(system.backing)
    kinds.append(kind)
    rows.append(row)
    parts.append("backing pump")
    return Chain(
        kinds=np.array(kinds, dtype=np.int64),
        rows=np.array([row + [0.0] * (equations.ROW_WIDTH - len(row)) for row in rows]),
        curves=curves,
        compression=_NO_TABLE,
        nodes=np.array([purges, np.zeros(len(purges)), np.zeros(len(purges))]),
        vapor=np.zeros(2),
        volumes_m3=np.array(volumes),
        booster_map=_speed_map(system.speed_map.output, system.speed_map.booster),
        backing_map=_speed_map(system.speed_map.output, system.speed_map.backing),
        node_names=tuple(nodes),
        part_names=tuple(parts),
        booster_node=booster_node,
        pump_inlet_node=inlet_node,
    )


def gauge_node(chain: Chain, gauge: Gauge) -> int:
    """Index of the node whose pressure the gauge reads."""
    return 0 if gauge.position == "chamber" else chain.pump_inlet_node


def _chamber_volume(system: System) -> float:
    chamber = system.chamber
    volumes = [chamber.volume_m3, *(zone.volume_m3 for zone in chamber.hot_zones)]
    temperatures = [chamber.temperature_k, *(zone.temperature_k for zone in chamber.hot_zones)]
    return effective_volume(volumes, temperatures)


def _line_element(part: LinePart, system: System) -> tuple[int, list[float], float]:
    """Kind, parameters and effective volume of a line part."""
    if part.kind == "conductance":
        assert part.conductance_m3_s is not None
        volume = effective_volume([part.volume_m3 or 0.0], [part.temperature_k])
        return equations.CONDUCTANCE, [part.conductance_m3_s], volume
    assert part.diameter_m is not None
    radius = 0.5 * part.diameter_m
    length = part.length_m or 0.0
    is_tube = part.kind == "tube"
    gas = GASES[system.gas.name]
    viscous_length, molecular_length = passage_lengths(radius, length if is_tube else 0.0)
    row = [
        radius,
        float(viscous_length),
        float(molecular_length),
        float(most_probable_speed(part.temperature_k, gas.molar_mass_kg_mol)),
        float(viscosity(part.temperature_k, gas.viscosity_20c_pa_s, gas.sutherland_k)),
        gas.heat_capacity_ratio,
        1.0 if is_tube else part.discharge_coefficient,
        0.0,
        T_REF_K / part.temperature_k,
    ]
    size = part.volume_m3
    if size is None:
        size = np.pi * radius**2 * length if is_tube else 0.0
    return equations.PASSAGE, row, effective_volume([size], [part.temperature_k])


def _booster_row(booster: Booster) -> list[float]:
    factor = T_REF_K / booster.inlet_temperature_k
    opening = booster.overflow_difference_pa
    return [
        booster.swept_speed_m3_s * factor,
        booster.gap_conductance_m3_s,
        booster.gap_conductance_per_pressure_m3_s_pa,
        booster.carry_back_speed_m3_s * factor,
        NEVER_OPENS_PA if opening is None else opening,
        OVERFLOW_STIFFNESS * booster.swept_speed_m3_s * factor,
        NEVER_OPENS_PA,
    ]


def _backing_element(backing: Backing) -> tuple[int, list[float], Array]:
    factor = T_REF_K / backing.inlet_temperature_k
    if backing.curve is None:
        assert backing.displacement_m3_s is not None
        row = [
            backing.displacement_m3_s * factor,
            backing.ultimate_pressure_pa,
            backing.clearance_conductance_m3_s,
            backing.slip_exponent,
        ]
        return equations.BACKING, row, _NO_TABLE[None]
    pressures, speeds = zip(*backing.curve, strict=True)
    curves = np.array([curve_table(pressures, speeds)])
    return equations.BACKING_CURVES, [0.0, 0.0, 0.0, backing.slip_exponent, factor], curves


def _speed_map(output: tuple[float, ...], speeds: tuple[float, ...] | None) -> Array:
    return np.array([output, speeds if speeds is not None else [0.0] * len(output)])
