"""What a study's duty would be like if the study were a little different; many changes at once."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from chamberctl.plant.chain import Chain, build_chain, gauge_node
from chamberctl.plant.floor import controllable, floor_pa
from chamberctl.plant.gauge import reading, true_pressure
from chamberctl.plant.nearby import (
    GAS_LOAD,
    SPEED,
    Held,
    States,
    in_groups,
    joined,
    limited,
    settle,
    stacked,
)
from chamberctl.plant.point import OperatingPoint
from chamberctl.plant.sensitivity import jacobian
from chamberctl.plant.steady import speed_for_pressure, steady_pressures

if TYPE_CHECKING:
    from chamberctl.study import Study

Array = NDArray[np.float64]

_PROBES_PA = np.geomspace(1e-3, 1e5, 17)
"""Pressures at which two gauges are told apart."""

_EDGE = 1e-9
"""A speed this much (relative) beyond a limit of the drive is still within it, by rounding."""


@dataclass(frozen=True)
class Outcome:
    """A changed study at the duty points of the study it was changed from; P points.

    Parameters
    ----------
    study : Study
        The changed study.
    held : bool array, shape (P,)
        Whether speed holds the point, and the duty's floor lies below it.
    lowest_pa, highest_pa : array, shape (P,)
        Chamber pressure at maximum and minimum speed with the point's gas, whatever the duty's
        floor [Pa]; NaN: no steady state.
    lowest_indicated_pa, highest_indicated_pa : array, shape (P,)
        The same as readings [Pa].
    speed, authority : array, shape (P,)
        Controller output [-] and speed authority at the gauge [-]; NaN where not held.
    limited, limited_at_full_speed : bool array, shape (P,)
        Whether overflow valve or torque limit holds the booster at the point (then authority is 0),
        and at maximum speed with the point's gas.
    pressures_pa : array, shape (N, P)
        Node pressures [Pa]; NaN where not held.
    gas_load_pa_m3_s : array, shape (P,)
        Gas entering the chamber [Pa m3/s].
    chain : Chain
        The changed system as arrays.
    by_pressure : array, shape (P, N, N)
        Derivatives of the net flows by ln p, from `jacobian` [Pa m3/s]; NaN where not held.
    by_speed : array, shape (P, N)
        The same by speed [Pa m3/s].
    """

    study: Study
    held: NDArray[np.bool_]
    lowest_pa: Array
    highest_pa: Array
    lowest_indicated_pa: Array
    highest_indicated_pa: Array
    speed: Array
    authority: Array
    limited: NDArray[np.bool_]
    limited_at_full_speed: NDArray[np.bool_]
    pressures_pa: Array
    gas_load_pa_m3_s: Array
    chain: Chain
    by_pressure: Array
    by_speed: Array


def outcomes(
    study: Study, points: Sequence[OperatingPoint], changed: Sequence[Study], *, ends: bool = True
) -> tuple[Outcome, ...]:
    """Find window and duty points of changed studies; those with the same steady states once.

    Parameters
    ----------
    study : Study
        The study that the others were changed from.
    points : sequence of OperatingPoint
        Its duty points, those without a steady state too, in the order of `study.duty_points()`.
    changed : sequence of Study
        Studies with the same chain of parts and as many duty points; values differ.
    ends : bool
        Whether the window's ends are found; they are NaN otherwise.

    Returns
    -------
    tuple of Outcome
        One for each changed study.
    """
    chain = build_chain(study.system)
    start = _starts(study, chain, points, ends)
    chains = [build_chain(one.system) for one in changed]
    keys = [_steady_key(one, its) for one, its in zip(changed, chains, strict=True)]
    first = {key: index for index, key in reversed(list(enumerate(keys)))}
    once = sorted(first.values())
    part = _grouped([changed[i] for i in once], [chains[i] for i in once], [start] * len(once))
    found = dict(zip(once, part, strict=True))
    return tuple(
        replace(found[first[key]], study=one, chain=its)
        for key, one, its in zip(keys, changed, chains, strict=True)
    )


def outcomes_from(begun: Sequence[tuple[Study, States]]) -> tuple[Outcome, ...]:
    """Find the duty points of studies, each from states of its own; ends of windows are not found.

    Parameters
    ----------
    begun : sequence of (Study, States)
        Studies, with a state near each of the duty points.

    Returns
    -------
    tuple of Outcome
        One for each study.
    """
    chains = [build_chain(study.system) for study, _ in begun]
    return tuple(_grouped([one for one, _ in begun], chains, [near for _, near in begun]))


def _grouped(
    studies: Sequence[Study], chains: Sequence[Chain], starts: Sequence[States]
) -> list[Outcome]:
    """Outcomes of studies, those together whose systems can be stacked."""
    found: dict[int, Outcome] = {}
    for group in in_groups(chains):
        part = _together(
            [studies[i] for i in group], [chains[i] for i in group], [starts[i] for i in group]
        )
        found |= dict(zip(group, part, strict=True))
    return [found[i] for i in range(len(studies))]


def _steady_key(study: Study, chain: Chain) -> tuple[object, ...]:
    """Return all that decides the steady states: studies of other volumes and lags share them."""
    drive, gauge = study.system.drive, study.loop_gauge()
    arrays = ("kinds", "rows", "curves", "compression", "nodes", "vapor")
    maps = ("booster_map", "backing_map")
    return (
        *(getattr(chain, name).tobytes() for name in (*arrays, *maps)),
        np.asarray(reading(study.system, gauge, _PROBES_PA)).tobytes(),
        (gauge.position, drive.minimum_speed, drive.maximum_speed, floor_pa(study)),
        study.duty_values(),
    )


def _starts(
    study: Study, chain: Chain, points: Sequence[OperatingPoint], with_ends: bool
) -> States:
    """States to begin from: every point at maximum speed, at minimum speed, and as it is held.

    A point that speed does not hold begins at maximum speed. Without the ends of the window the
    points alone.
    """
    drive = study.system.drive
    loads = np.array([point.gas_load_pa_m3_s for point in points])
    held = np.full((chain.size, loads.size), np.nan)
    speed = np.full(loads.size, drive.maximum_speed)
    for i, point in enumerate(points):
        if point.feasible:
            held[:, i], speed[i] = point.node_pressures_pa, point.speed
    lost = np.array([not point.feasible for point in points])
    if not with_ends:
        if np.any(lost):
            held[:, lost] = steady_pressures(chain, speed[lost], loads[lost])
        return States(held, speed, loads, np.ones(loads.size, dtype=bool))
    speeds = np.repeat([drive.maximum_speed, drive.minimum_speed], loads.size)
    ends = steady_pressures(chain, speeds, np.tile(loads, 2))
    held[:, lost] = ends[:, : loads.size][:, lost]
    return States(
        np.concatenate([ends, held], axis=1),
        np.concatenate([speeds, speed]),
        np.tile(loads, 3),
        np.ones(3 * loads.size, dtype=bool),
    )


def _together(
    studies: Sequence[Study], chains: Sequence[Chain], starts: Sequence[States]
) -> list[Outcome]:
    """Outcomes of studies whose systems can be stacked."""
    sizes = [start.speed.size for start in starts]
    which, values = [], []
    for one, chain, each in zip(studies, chains, sizes, strict=True):
        setpoints, loads = (np.array(part) for part in zip(*one.duty_values(), strict=True))
        gauge, drive = one.loop_gauge(), one.system.drive
        wanted = true_pressure(one.system, gauge, setpoints.astype(float))
        count = loads.size
        which.append(np.repeat([SPEED, SPEED, gauge_node(chain, gauge)], count)[-each:])
        ends = np.repeat([drive.maximum_speed, drive.minimum_speed], count)
        asked_for = np.concatenate([ends, wanted])[-each:]
        values.append([asked_for, np.tile(loads.astype(float), 3)[-each:]])
    first = np.concatenate(which)
    held = Held(
        np.stack([first, np.full(first.size, GAS_LOAD)]),
        np.concatenate([np.array(pair) for pair in values], axis=1),
    )
    start = joined(starts)
    states = settle(stacked(chains, sizes), start, held)
    ends = _ends_of_lost(studies, chains, start, states, held)
    found = []
    for one, chain, end, each in zip(studies, chains, np.cumsum(sizes), sizes, strict=True):
        own = slice(end - each, end)
        found.append(_outcome(one, chain, states[own], held.values[:, own], ends[..., own]))
    return _with_authority(found)


def _ends_of_lost(
    studies: Sequence[Study], chains: Sequence[Chain], start: States, states: States, held: Held
) -> Array:
    """Node pressures at maximum and at minimum speed, shape (2, N, M), of points not found.

    NaN elsewhere, where the search from near by did not settle, and where the window's ends were
    asked for: those are among the states.
    """
    ends = np.full((2, *states.pressures_pa.shape), np.nan)
    counts = [len(one.duty_values()) for one in studies]
    lost = np.flatnonzero(~states.found)
    if sum(counts) < states.speed.size or lost.size == 0:
        return ends
    owner = np.repeat(np.arange(len(studies)), counts)[lost]
    lost_chain = stacked(chains, np.bincount(owner, minlength=len(chains)).tolist())
    for end, name in enumerate(("maximum_speed", "minimum_speed")):
        speeds = np.array([getattr(studies[i].system.drive, name) for i in owner])
        kinds = np.repeat([[SPEED], [GAS_LOAD]], lost.size, axis=1)
        there = settle(
            lost_chain, start[lost], Held(kinds, np.stack([speeds, held.values[1, lost]]))
        )
        ends[end][:, lost] = np.where(there.found, there.pressures_pa, np.nan)
    return ends


def _with_authority(found: Sequence[Outcome]) -> list[Outcome]:
    """Differentiate all held states of the outcomes, which can be stacked, in one go."""
    counts = [one.held.size for one in found]
    held = np.concatenate([one.held for one in found])
    if not np.any(held):
        return list(found)
    pressures, speed, load = (
        np.concatenate([getattr(one, name) for one in found], axis=-1)
        for name in ("pressures_pa", "speed", "gas_load_pa_m3_s")
    )
    filled = (np.where(held, pressures, 1.0), np.where(held, speed, 1.0), load)
    derivatives = jacobian(stacked([one.chain for one in found], counts), *filled)
    result = []
    for one, end, count in zip(found, np.cumsum(counts), counts, strict=True):
        part = slice(end - count, end)
        by_pressure, by_speed = (
            np.where(one.held.reshape(-1, *[1] * (d.ndim - 1)), d[part], np.nan)
            for d in derivatives
        )
        node = gauge_node(one.chain, one.study.loop_gauge())
        authority = np.full(count, np.nan)
        change = np.linalg.solve(by_pressure[one.held], by_speed[one.held][..., None])[..., 0]
        authority[one.held] = one.speed[one.held] * change[:, node]
        result.append(
            replace(
                one,
                authority=np.where(one.limited, 0.0, authority),
                by_pressure=by_pressure,
                by_speed=by_speed,
            )
        )
    return result


def _outcome(
    study: Study, chain: Chain, states: States, asked: Array, ends_of_lost: Array
) -> Outcome:
    """One study's outcome; states that the search from near by left open are searched anew."""
    system, gauge = study.system, study.loop_gauge()
    node, drive = gauge_node(chain, gauge), system.drive
    count = len(study.duty_values())
    before = states.speed.size - count  # the window's ends, where they were asked for
    wanted, loads = asked[0, before:], asked[1, before:]
    settled = states.found[before:]
    if before:
        ends, open_ends = states.pressures_pa[:, :before].copy(), ~states.found[:before]
    else:
        ends = np.concatenate(list(ends_of_lost), axis=1)
        open_ends = np.tile(~settled, 2) & np.isnan(ends[0])
    if np.any(open_ends):
        speeds = np.repeat([drive.maximum_speed, drive.minimum_speed], count)
        ends[:, open_ends] = steady_pressures(
            chain, speeds[open_ends], np.tile(loads, 2)[open_ends]
        )
    lowest, highest = ends[:, :count], ends[:, count:]
    pressures, speed = states.pressures_pa[:, before:].copy(), states.speed[before:].copy()
    open_points = ~settled & _between(lowest[node], wanted, highest[node])
    if np.any(open_points):
        speed[open_points] = speed_for_pressure(
            chain, node, wanted[open_points], loads[open_points],
            drive.minimum_speed, drive.maximum_speed,
        )  # fmt: skip
        pressures[:, open_points] = steady_pressures(chain, speed[open_points], loads[open_points])
    slowest, fastest = drive.minimum_speed * (1.0 - _EDGE), drive.maximum_speed * (1.0 + _EDGE)
    held = (settled | open_points) & (speed >= slowest) & (speed <= fastest)
    held &= controllable(pressures[0], floor_pa(study))
    stuck = held & limited(chain, pressures)
    return Outcome(
        study=study,
        held=held,
        lowest_pa=lowest[0],
        highest_pa=highest[0],
        lowest_indicated_pa=reading(system, gauge, lowest[node]),
        highest_indicated_pa=reading(system, gauge, highest[node]),
        speed=np.where(held, speed, np.nan),
        authority=np.full(count, np.nan),
        limited=stuck,
        limited_at_full_speed=limited(chain, lowest),
        pressures_pa=np.where(held, pressures, np.nan),
        gas_load_pa_m3_s=loads,
        chain=chain,
        by_pressure=np.full((count, chain.size, chain.size), np.nan),
        by_speed=np.full((count, chain.size), np.nan),
    )


def _between(low: Array, value: Array, high: Array) -> NDArray[np.bool_]:
    """Say where a value lies in the window; an end that does not exist bounds nothing above."""
    top = np.where(np.isnan(high), np.inf, high)
    return np.asarray((value >= low * (1.0 - _EDGE)) & (value <= top * (1.0 + _EDGE)))
