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

from chamberctl.control.envelope import EnvelopePlant, envelope_of
from chamberctl.display import number
from chamberctl.plant.chain import build_chain, gauge_node
from chamberctl.plant.gauge import true_pressure
from chamberctl.plant.nearby import SPEED, Held, States, settle

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
    return [
        plant
        for case in every
        for output in bends(case.study)
        for plant in _beside(held, case, output)
    ]


def _beside(held: Sequence[OperatingPoint], case: Case, output: float) -> list[EnvelopePlant]:
    """Return the plants of one case on either side of one bend."""
    study = case.study
    holds = sorted(study.duty.holds, key=lambda hold: hold.setpoint_pa)
    setpoint = np.array([hold.setpoint_pa for hold in holds])
    loads = [hold.gas_loads_pa_m3_s for hold in holds]
    low, high = (np.array([end(each) for each in loads]) for end in (min, max))
    unmetered = study.system.gas_load.unmetered_pa_m3_s
    first = _at_output(held, study, output, setpoint)
    load = first.gas_load_pa_m3_s - unmetered
    inside = first.found & (load >= low) & (load <= high)
    crossing = [_crossing(setpoint, load - end) for end in (low, high)]
    asked = np.concatenate([setpoint[inside], *crossing])
    if asked.size == 0:
        return []
    states = _at_output(held, study, output, asked)
    asked, states = asked[states.found], states[states.found]
    sides = np.array([1.0 - BESIDE, 1.0 + BESIDE])
    there = tuple(
        holds[0].model_copy(update={"setpoint_pa": pressure, "gas_loads_pa_m3_s": tuple(both)})
        for pressure, both in zip(
            asked.tolist(),
            np.outer(states.gas_load_pa_m3_s - unmetered, sides).tolist(),
            strict=True,
        )
    )
    study = study.model_copy(update={"duty": study.duty.model_copy(update={"holds": there})})
    begun = [
        replace(
            held[0], where=where, speed=output, gas_load_pa_m3_s=total,
            node_pressures_pa=tuple(states.pressures_pa[:, place // 2].tolist()),
        )
        for place, (_, total, where) in enumerate(study.duty_points())
    ]  # fmt: skip
    found = envelope_of(study, begun, [case._replace(study=study)])
    return [_named(plant, output) for plant in found.plants]


def _at_output(
    held: Sequence[OperatingPoint], study: Study, output: float, setpoint: Array
) -> States:
    """Return the steady states at readings [Pa] with the output given and the gas load to match."""
    chain, gauge = build_chain(study.system), study.loop_gauge()
    distance = np.abs(np.log([[point.indicated_pa] for point in held]) - np.log(setpoint))
    distance += np.abs(np.log([[point.speed] for point in held]) - np.log(output))
    near = [held[i] for i in np.argmin(distance, axis=0)]
    start = States(
        np.array([point.node_pressures_pa for point in near]).T,
        np.array([point.speed for point in near]),
        np.array([point.gas_load_pa_m3_s for point in near]),
        np.ones(len(near), dtype=bool),
    )
    wanted = true_pressure(study.system, gauge, setpoint)
    which = np.repeat([[SPEED], [gauge_node(chain, gauge)]], len(near), axis=1)
    return settle(chain, start, Held(which, np.array([np.full(len(near), output), wanted])))


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
