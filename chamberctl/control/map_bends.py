"""Plants where speeds bend: one pump stops slowing down, or a curve of the backing pump is passed.

There the loop's gain jumps, so that the hardest plant may lie just beside a bend, where no spacing
of gas loads would find it. The gas load with which the output lies there is solved for at every
setpoint, and at the setpoints between at which it enters or leaves the range of the duty.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from chamberctl.control.envelope import EnvelopePlant, plants_from
from chamberctl.display import number
from chamberctl.plant.chain import build_chain, gauge_node
from chamberctl.plant.gauge import true_pressure
from chamberctl.plant.nearby import SPEED, Held, States, in_groups, joined, settle, stacked

if TYPE_CHECKING:
    from chamberctl.control.tolerance_cases import Case
    from chamberctl.plant.point import OperatingPoint
    from chamberctl.study import Study

Array = NDArray[np.float64]

BESIDE = 1e-6
"""So far on either side of a bend a plant is taken, in its gas load [relative]."""

STRAIGHT = 1e-6
"""Slopes that differ by less [pump speed per output] come from rounded numbers and are no bend."""


def bends(study: Study) -> tuple[float, ...]:
    """Return the outputs in the drive's range at which what a pump does changes its slope.

    These are the corners of the map from output to speeds, and where the backing pump runs at the
    speed of one of several curves, between which its speed is interpolated.

    Parameters
    ----------
    study : Study
        The study.

    Returns
    -------
    tuple of float
        Outputs [speed fraction], rising.
    """
    system, found = study.system, set()
    output = np.array(system.speed_map.output)
    for speeds in (system.speed_map.backing, system.speed_map.booster if system.booster else None):
        if speeds is not None:
            change = np.diff(np.diff(speeds) / np.diff(output))
            found |= set(output[1:-1][np.abs(change) > STRAIGHT].tolist())
    turning = np.array(system.speed_map.backing)
    for curve in system.backing.curves:
        at = np.flatnonzero((turning[:-1] < curve.speed) & (curve.speed < turning[1:]))
        for i in at:
            share = (curve.speed - turning[i]) / (turning[i + 1] - turning[i])
            found.add(float(output[i] + share * (output[i + 1] - output[i])))
    drive = system.drive
    return tuple(sorted(n for n in found if drive.minimum_speed < n < drive.maximum_speed))


def plants_at_bends(points: Sequence[OperatingPoint], every: Iterable[Case]) -> list[EnvelopePlant]:
    """Return the plants of cases on either side of every bend of the map.

    Parameters
    ----------
    points : sequence of OperatingPoint
        Duty points of the study that the cases are of; the search begins from those that are held.
    every : iterable of Case
        The cases. Their setpoints are those at which bends are looked for.
    """
    held = [point for point in points if point.feasible and not point.limited_by]
    if not held:
        return []
    asked = [
        (case, output, np.array(sorted(hold.setpoint_pa for hold in case.study.duty.holds)))
        for case in every
        for output in bends(case.study)
    ]
    if not asked:
        return []
    rough = _at_outputs(held, asked)
    asked = [
        (case, output, _in_range(case.study, setpoint, states))
        for (case, output, setpoint), states in zip(asked, rough, strict=True)
    ]
    asked = [one for one in asked if one[2].size]
    exact = [
        (*one, states)
        for one, states in zip(asked, _at_outputs(held, asked), strict=True)
        if np.any(states.found)
    ]
    begun = [_on_both_sides(case, setpoint, states) for case, _, setpoint, states in exact]
    return [
        _named(plant, output)
        for (_, output, _, _), plants in zip(exact, plants_from(begun), strict=True)
        for plant in plants
    ]


def _in_range(study: Study, setpoint: Array, states: States) -> Array:
    """Return the setpoints [Pa] whose gas load is in the duty's range, and those at its ends."""
    loads = [
        hold.gas_loads_pa_m3_s
        for hold in sorted(study.duty.holds, key=lambda hold: hold.setpoint_pa)
    ]
    low, high = (np.array([end(each) for each in loads]) for end in (min, max))
    load = states.gas_load_pa_m3_s - study.system.gas_load.unmetered_pa_m3_s
    inside = states.found & (load >= low) & (load <= high)
    crossing = [_crossing(setpoint, load - end) for end in (low, high)]
    return np.concatenate([setpoint[inside], *crossing])


def _on_both_sides(case: Case, setpoint: Array, states: States) -> tuple[Case, States]:
    """Return the case at gas loads on either side of those of states, and the states for each."""
    study, found = case.study, states.found
    holds = sorted(study.duty.holds, key=lambda hold: hold.setpoint_pa)
    load = states.gas_load_pa_m3_s[found] - study.system.gas_load.unmetered_pa_m3_s
    sides = np.array([1.0 - BESIDE, 1.0 + BESIDE])
    there = tuple(
        holds[0].model_copy(update={"setpoint_pa": pressure, "gas_loads_pa_m3_s": tuple(both)})
        for pressure, both in zip(
            setpoint[found].tolist(), np.outer(load, sides).tolist(), strict=True
        )
    )
    study = study.model_copy(update={"duty": study.duty.model_copy(update={"holds": there})})
    return case._replace(study=study), states[np.repeat(np.flatnonzero(found), 2)]


def _at_outputs(
    held: Sequence[OperatingPoint], asked: Sequence[tuple[Case, float, Array]]
) -> list[States]:
    """Return the steady states of cases with given outputs at readings [Pa]; gas loads match."""
    result: dict[int, States] = {}
    chains = [build_chain(case.study.system) for case, _, _ in asked]
    for group in in_groups(chains):
        some = [asked[i] for i in group]
        sizes = [setpoint.size for _, _, setpoint in some]
        start = joined([_nearest(held, output, setpoint) for _, output, setpoint in some])
        node, wanted, outputs = [], [], []
        for i, (case, output, setpoint) in zip(group, some, strict=True):
            gauge = case.study.loop_gauge()
            node.append(np.full(setpoint.size, gauge_node(chains[i], gauge)))
            wanted.append(true_pressure(case.study.system, gauge, setpoint))
            outputs.append(np.full(setpoint.size, output))
        which, values = (
            [np.concatenate(part) for part in pair]
            for pair in (([np.full(n.size, SPEED) for n in node], node), (outputs, wanted))
        )
        states = settle(
            stacked([chains[i] for i in group], sizes),
            start,
            Held(np.array(which), np.array(values)),
        )
        for i, end, size in zip(group, np.cumsum(sizes), sizes, strict=True):
            result[i] = states[slice(end - size, end)]
    return [result[i] for i in range(len(asked))]


def _nearest(held: Sequence[OperatingPoint], output: float, setpoint: Array) -> States:
    """Return of known points the nearest ones to an output at readings [Pa]."""
    distance = np.abs(np.log([[point.indicated_pa] for point in held]) - np.log(setpoint))
    distance += np.abs(np.log([[point.speed] for point in held]) - np.log(output))
    near = [held[i] for i in np.argmin(distance, axis=0)]
    return States(
        np.array([point.node_pressures_pa for point in near]).T,
        np.array([point.speed for point in near]),
        np.array([point.gas_load_pa_m3_s for point in near]),
        np.ones(len(near), dtype=bool),
    )


def _crossing(setpoint: Array, beyond: Array) -> Array:
    """Return setpoints [Pa] between those given at which a gas load crosses an end of its range.

    The load grows with the setpoint, so that its share is interpolated.
    """
    share = beyond / setpoint
    at = np.flatnonzero(share[:-1] * share[1:] < 0.0)
    part = share[at] / (share[at] - share[at + 1])
    ratio = setpoint[at + 1] / setpoint[at]
    return np.asarray(setpoint[at] * ratio**part)


def _named(plant: EnvelopePlant, output: float) -> EnvelopePlant:
    side = "above" if plant.speed > output else "below"
    bend = f"output just {side} {number(100.0 * output)} %"
    return replace(plant, where=f"{plant.where}, {bend}")
