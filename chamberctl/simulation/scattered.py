"""A prepared scenario in changed plants: each starts from its own steady state."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from chamberctl.control.controller import Memory
from chamberctl.errors import Infeasible
from chamberctl.plant.chain import Chain, build_chain, gauge_node
from chamberctl.plant.floor import controllable, floor_pa
from chamberctl.plant.gauge import true_pressure
from chamberctl.plant.nearby import GAS_LOAD, Held, States, same_shape, settle, stacked
from chamberctl.plant.operating import operating_point
from chamberctl.simulation.happenings import Start
from chamberctl.simulation.prepared import memory_at

if TYPE_CHECKING:
    from chamberctl.simulation.prepared import Prepared
    from chamberctl.study import Study, System

Array = NDArray[np.float64]

_SAME = 1e-9


def scattered(study: Study, prepared: Prepared, changed: Sequence[Study]) -> list[Prepared | str]:
    """Prepare the scenario for changed studies.

    Parameters
    ----------
    study : Study
        The study that the scenario was prepared from.
    prepared : Prepared
        The scenario at an operating point.
    changed : sequence of Study
        Studies with the same parts and other values.

    Returns
    -------
    list of Prepared or str
        The scenario in each plant, same setpoint and settings, from a state of rest where it begins
        at one; a sentence where the setpoint cannot be held there.
    """
    systems = [_with_same_parts(one.system, prepared) for one in changed]
    loads = [_loads(study, one, prepared) for one in changed]
    begins = np.array_equal(prepared.start.pressures_pa, prepared.point.node_pressures_pa)
    starts: list[Start | str] = [prepared.start] * len(changed)
    if begins:
        starts = _rests(prepared, changed, systems, loads)
    found: list[Prepared | str] = []
    for one, system, load, start in zip(changed, systems, loads, starts, strict=True):
        if isinstance(start, str):
            found.append(start)
            continue
        found.append(
            replace(
                prepared,
                system=system,
                gauge=one.loop_gauge(),
                start=start,
                happenings=replace(prepared.happenings, load=load),
            )
        )
    return found


def _with_same_parts(system: System, prepared: Prepared) -> System:
    """Add the valve that the scenario added."""
    added = prepared.system.line[len(system.line) :]
    if not added:
        return system
    return system.model_copy(update={"line": (*system.line, *added)})


def _loads(study: Study, changed: Study, prepared: Prepared) -> Array:
    """Corners of the gas load: metered gas as the duty's draw has it, the rest as the system's."""
    point = prepared.point
    before = study.system.gas_load.unmetered_pa_m3_s
    after = changed.system.gas_load.unmetered_pa_m3_s
    metered = 1.0
    pairs = zip(study.duty_points(), changed.duty_points(), strict=True)
    for (setpoint, load, _), (_, drawn, _) in pairs:
        same = abs(load - point.gas_load_pa_m3_s) <= _SAME * load
        if same and abs(setpoint - point.indicated_pa) <= 1e-6 * setpoint and load > before:
            metered = (drawn - after) / (load - before)
            break
    corners = prepared.happenings.load.copy()
    corners[:, 1] = np.maximum(corners[:, 1] - before, 0.0) * metered + after
    return corners


def _rests(
    prepared: Prepared, changed: Sequence[Study], systems: Sequence[System], loads: Sequence[Array]
) -> list[Start | str]:
    """State of rest of each plant at the setpoint, or why there is none."""
    chains = [build_chain(system) for system in systems]
    wanted = [
        float(np.asarray(true_pressure(system, one.loop_gauge(), prepared.point.indicated_pa)))
        for one, system in zip(changed, systems, strict=True)
    ]
    gas = [float(load[0, 1]) for load in loads]
    groups = [range(len(chains))]
    if not all(same_shape(chains[0], chain) for chain in chains):
        groups = [range(i, i + 1) for i in range(len(chains))]
    found: list[Start | str] = []
    for group in groups:
        node = gauge_node(chains[0], changed[0].loop_gauge())
        states = _settled(prepared, chains, group, node, wanted, gas)
        for place, index in enumerate(group):
            found.append(
                _start(
                    prepared, changed[index], systems[index], gas[index], states[place : place + 1]
                )
            )
    return found


def _settled(
    prepared: Prepared, chains: Sequence[Chain], group: range, node: int, wanted: list[float],
    gas: list[float],
) -> States:  # fmt: skip
    count, point = len(group), prepared.point
    begin = States(
        np.repeat(np.asarray(point.node_pressures_pa)[:, None], count, axis=1),
        np.full(count, point.speed),
        np.array([gas[i] for i in group]),
        np.ones(count, dtype=bool),
    )
    held = Held(
        np.repeat([[node], [GAS_LOAD]], count, axis=1),
        np.array([[wanted[i] for i in group], [gas[i] for i in group]]),
    )
    return settle(stacked([chains[i] for i in group], 1), begin, held)


def _start(
    prepared: Prepared, study: Study, system: System, gas: float, state: States
) -> Start | str:
    """Start from a settled state, or say why there is none."""
    drive = system.drive
    if state.found[0]:
        pressures, speed = state.pressures_pa[:, 0], float(state.speed[0])
    else:
        try:
            point = operating_point(
                system, indicated_pa=prepared.point.indicated_pa, gas_load_pa_m3_s=gas,
                gauge=study.loop_gauge(),
            )  # fmt: skip
        except Infeasible as error:
            return error.reason
        pressures, speed = np.asarray(point.node_pressures_pa), point.speed
    if not controllable(pressures[0], floor_pa(study)):
        return "The chamber's pressure would lie below the minimum controllable one."
    if not drive.minimum_speed <= speed <= drive.maximum_speed:
        word = "more than full" if speed > drive.maximum_speed else "less than minimum"
        return f"It would take {word} speed to hold the setpoint."
    memory: Memory = memory_at(speed)
    return Start(np.array(pressures), speed, memory)
