"""Starts away from the operating point: closed valves, pumps at standby, air in everything."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import replace
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from chamberctl.errors import Infeasible
from chamberctl.physics.loads import vapor_load
from chamberctl.plant.chain import Chain, build_chain
from chamberctl.plant.nearby import SPEED, Held, States, settle
from chamberctl.plant.point import percent_text
from chamberctl.simulation.drive import DriveNumbers
from chamberctl.simulation.engine import LEAST_OPEN, plant_numbers
from chamberctl.simulation.stepping import PlantNumbers, Surroundings, flows_at, slopes
from chamberctl.study.system import LinePart

if TYPE_CHECKING:
    from chamberctl.study import System

Array = NDArray[np.float64]

VALVE_NAME = "inlet valve (added)"
VALVE_WIDTH = 1000.0
"""Conductance of an added valve, in multiples of the pumping speed at the chamber: so wide that it
does not change the operating point by more than a thousandth."""

NEAREST = {
    "air": "Another start: scenario.pump_down.start_pressure, or a faster drive.minimum_speed.",
    "standby": (
        "Another start: scenario.return_from_standby.standby_speed and .pressure say how fast the "
        "pumps idle and what the chamber holds meanwhile."
    ),
}
"""What helps where a start has no state at rest."""

_UNMOVED_M3 = 1e30
_ROOM_M3 = 1e-3
_EXACT_FROM_S, _LONGEST_S = 1e7, 1e8
_MOST_STEPS = 400
_MOST_ITERATIONS = 12
_LONGER = 3.0
_NEARLY, _NEWTON_TOLERANCE = 1e-2, 1e-11
"""Newton's last change of ln p in a step on the way, and in those from which the answer comes."""


def with_inlet_valve(system: System, effective_speed_m3_s: float) -> tuple[System, int, bool]:
    """The system with an inlet valve.

    Parameters
    ----------
    system : study.System
        The system as described.
    effective_speed_m3_s : float
        Pumping speed at the chamber, for the width of an added valve [m3/s].

    Returns
    -------
    tuple of (study.System, int, bool)
        The system, the valve's place in the line, and whether it was added, at the pumps' end.
    """
    for index, part in enumerate(system.line):
        if part.kind == "valve":
            return system, index, False
    valve = LinePart(
        kind="valve", name=VALVE_NAME, conductance_m3_s=VALVE_WIDTH * effective_speed_m3_s
    )
    return system.model_copy(update={"line": (*system.line, valve)}), len(system.line), True


@lru_cache(maxsize=128)
def in_air(
    system: System, pressure_pa: float, speed: float, gas_load_pa_m3_s: float, share: float
) -> tuple[float, ...]:
    """Node pressures where every volume is at one pressure [Pa].

    Parameters
    ----------
    system : study.System
        The system.
    pressure_pa : float
        Pressure of chamber, line and pumps [Pa].
    speed, gas_load_pa_m3_s, share
        As of `resting_pressures`.

    Returns
    -------
    tuple of float
        Kept for the next call: settings do not come into it.
    """
    chain = build_chain(system)
    return tuple(
        resting_pressures(
            chain,
            plant_numbers(chain),
            np.full(chain.size, pressure_pa),
            np.flatnonzero(chain.volumes_m3 > 0.0),
            speed,
            gas_load_pa_m3_s,
            share,
            NEAREST["air"],
        ).tolist()
    )


@lru_cache(maxsize=128)
def behind_valve(
    system: System, valve: int, pressure_pa: float, speed: float, gas_load_pa_m3_s: float,
    share: float,
) -> tuple[float, ...]:  # fmt: skip
    """Node pressures at standby with a valve closed [Pa].

    Parameters
    ----------
    system : study.System
        The system.
    valve : int
        Place of the valve in the line.
    pressure_pa : float
        Pressure before the valve [Pa].
    speed, gas_load_pa_m3_s, share
        As of `resting_pressures`.

    Returns
    -------
    tuple of float
        Kept for the next call: settings do not come into it.
    """
    chain = build_chain(system)
    closed = plant_numbers(chain)._replace(rows=chain.rows.copy())
    closed.rows[valve, 9] = LEAST_OPEN
    guess = np.full(chain.size, pressure_pa)
    guess[valve + 1 :] *= 1e-3
    upstream = range(valve + 1)
    found = resting_pressures(
        chain, closed, guess, upstream, speed, gas_load_pa_m3_s, share, NEAREST["standby"]
    )
    return tuple(found.tolist())


def resting_pressures(
    chain: Chain, plant: PlantNumbers, given_pa: Array, fixed: Iterable[int], speed: float,
    gas_load_pa_m3_s: float, booster_share: float = 1.0, nearest: str = "",
) -> Array:  # fmt: skip
    """Pressures at rest of the nodes that are not fixed.

    Parameters
    ----------
    chain : Chain
        The system.
    plant : PlantNumbers
        Its arrays, with the openness of a closed valve in its row.
    given_pa : array, shape (N,)
        Pressure of the fixed nodes and a guess for the others [Pa].
    fixed : iterable of int
        Nodes whose pressure stays as given.
    speed : float
        Speed of the drive [-].
    gas_load_pa_m3_s : float
        Gas load [Pa m3/s].
    booster_share : float
        Booster speed, of what the map says [-].
    nearest : str
        What would help where there is no such state.

    Returns
    -------
    array, shape (N,)
        Node pressures [Pa].

    Raises
    ------
    Infeasible
        No state at rest was found: so slow, pumps may let more gas back than they displace.

    Notes
    -----
    Newton's method where it finds the state; else implicit Euler steps in pseudo-time, ever longer,
    until nothing moves.
    """
    volumes = np.maximum(chain.volumes_m3, _ROOM_M3)
    volumes[list(fixed)] = _UNMOVED_M3
    if np.all(volumes == _UNMOVED_M3):
        return given_pa
    lost = Infeasible(
        f"No state at rest was found for this scenario to start from, with the drive at "
        f"{percent_text(speed)}: so slow, pumps may let more gas back than they displace.",
        nearest,
    )
    if chain.backing_speed(speed) <= 0.0 and chain.rows[-1, 3] > 0.0:
        raise lost  # slip goes with n^-m
    quick = _behind_closed(chain, plant, given_pa, volumes, speed, booster_share)
    if quick is not None:
        return quick
    held = plant._replace(volumes_m3=volumes)
    still = DriveNumbers(1.0, 1.0, 1.0, 0.0, 0.0, 0.0, 1.0, np.empty((0, 2)))
    booster = -1 if chain.booster_node is None else chain.booster_node
    around = Surroundings(
        1.0, gas_load_pa_m3_s, gas_load_pa_m3_s, -1, 1.0, 1.0, speed, speed, 0.0,
        booster, booster_share, booster_share,
    )  # fmt: skip
    x, rows = np.log(given_pa), plant.rows.copy()
    jacobian, work = np.zeros((chain.size, chain.size)), np.zeros((4, chain.size))
    step_s = 1e-4
    for _ in range(_MOST_STEPS):

        def missing(y: Array, step_s: float = step_s, x: Array = x) -> Array:
            flows_at(held, rows, around, still, 0.0, y, work[0], work[2])
            return np.asarray(step_s * work[0] - volumes * work[2] * (y - x))

        near = _NEWTON_TOLERANCE if step_s > _EXACT_FROM_S else _NEARLY
        # a step tried may lead where the law has no answer; then it is not taken
        with np.errstate(all="ignore"):
            slopes(held, rows, around, still, 0.0, x, jacobian, work)
            moved = _euler_step(missing, x, volumes, step_s * jacobian, near)
        if moved is not None:
            x, step_s = moved, _LONGER * step_s
            if step_s > _LONGEST_S:
                return np.exp(x)
        else:
            step_s *= 0.2
    raise lost


def _behind_closed(
    chain: Chain, plant: PlantNumbers, given_pa: Array, volumes: Array, speed: float,
    booster_share: float,
) -> Array | None:  # fmt: skip
    """Newton's method where only the first nodes are fixed; None elsewhere, or where it is lost.

    What passes on from the last of them depends on its pressure alone, so that the nodes behind
    are a system of their own, and the gas that enters it is what its first element passes.
    """
    fixed = volumes == _UNMOVED_M3
    before = int(fixed.sum()) - 1
    if speed <= 0.0 or not fixed[: before + 1].all():
        return None
    rows = plant.rows.copy()
    if chain.booster_node is not None:
        rows[chain.booster_node, [0, 3]] *= booster_share
    nodes = chain.nodes[:, before:].copy()
    nodes[0] -= nodes[2] * vapor_load(given_pa[0], *chain.vapor)
    nodes[2] = 0.0
    behind = replace(
        chain,
        kinds=chain.kinds[before:],
        rows=rows[before:],
        nodes=nodes,
        vapor=np.zeros(2),
        volumes_m3=chain.volumes_m3[before:],
        node_names=chain.node_names[before:],
        part_names=chain.part_names[before:],
        booster_node=None if chain.booster_node is None else chain.booster_node - before,
        pump_inlet_node=max(chain.pump_inlet_node - before, 0),
    )
    start = States(
        given_pa[before:, None].copy(), np.array([speed]), np.array([0.0]), np.ones(1, dtype=bool)
    )
    held = Held(np.array([[SPEED], [0]]), np.array([[speed], [given_pa[before]]]))
    found = settle(behind, start, held)
    if not found.found[0]:
        return None
    pressures = given_pa.copy()
    pressures[before + 1 :] = found.pressures_pa[1:, 0]
    return pressures


def _euler_step(
    missing: Callable[[Array], Array], x: Array, volumes: Array, flows_slope: Array, near: float
) -> Array | None:
    """One implicit step from x by Newton's method; None where it does not converge."""
    y = x.copy()
    for _ in range(_MOST_ITERATIONS):
        matrix = np.diag(volumes * np.exp(y) * (1.0 + y - x)) - flows_slope
        try:
            change = np.linalg.solve(matrix, missing(y))
        except np.linalg.LinAlgError:
            return None
        if not np.all(np.abs(change) < 1e3):
            return None
        y += np.clip(change, -2.0, 2.0)
        if np.max(np.abs(change)) < near:
            return y
    return None
