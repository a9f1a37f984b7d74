"""The plant over one smooth stretch of time, in as many steps as its accuracy takes.

Plain functions, so that they also compile.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

from chamberctl.simulation.drive import DriveNumbers
from chamberctl.simulation.signal import GaugeNumbers
from chamberctl.simulation.stepping import (
    GAMMA,
    NEWTON_SHARE,
    PlantNumbers,
    Surroundings,
    flows_at,
    prepare,
    slopes,
    speed_at,
    stage,
    substitute,
)

DONE, STUCK = 0, 1
"""Status of a run: complete, or the step became too small."""

NEXT_STEP, IS_OLD, FACTORIZED, CONTRACTION, MOVED, LOAD, OPEN, SPEED, SHARE = range(9)
STATES = 9
"""Places in `Scratch.state`: step to try next [s]; 1 where the Jacobian is to be renewed; step that
the matrix is factorized for [s]; how fast Newton's method converged [-]; how far ln p moved since
the Jacobian was renewed [-]; and what acted on the plant when `slope` was taken."""

LOCAL_ERROR = 2.0 * (3.0 * GAMMA**2 - 2.0 * GAMMA**3 - 1.0 / 6.0)
"""Local error of the method over h^3 times half the third derivative (its stability function's
expansion less that of the exponential)."""

SAME_STEP = 1e-6
"""Steps are the same where they differ by less than this (relative)."""

_GUESS = 0.1
_BEND = 0.02
_RENEW_MOVED = 0.05
_RENEW_CONTRACTION = 0.25
_HOPELESS = 1e3
_MOST_STEPS = 100_000


class Options(NamedTuple):
    """Numbers of the integration: tolerance on ln p per step, longest and shortest step [s],
    whether faults are detected, and the action on a bad reading."""  # noqa: D205, D209

    tolerance: float
    longest_step_s: float
    shortest_step_s: float
    detects_faults: bool
    bad_action: float


class Scratch(NamedTuple):
    """Arrays that a run needs again and again, and what is kept from stretch to stretch.

    `slope` is d(ln p)/dt at the end of the last stretch [1/s], `seen` ln p of the nodes [ln Pa] and
    then the pressure behind the gauge's lag [Pa] where the plant was looked at, `state` see above.
    """

    jacobian: Any
    matrix: Any
    order: Any
    work: Any
    base: Any
    first: Any
    second: Any
    error: Any
    slope: Any
    seen: Any
    state: Any


def begin_run(state: Any, first_step_s: float) -> None:
    """Set `Scratch.state` for a run of which nothing is known yet."""
    state[:] = 0.0
    state[NEXT_STEP], state[IS_OLD], state[CONTRACTION] = first_step_s, 1.0, 0.1
    state[LOAD] = np.nan


def advance(
    plant: PlantNumbers, rows: Any, around: Surroundings, drive: DriveNumbers, gauge: GaugeNumbers,
    x: Any, gauge_pa: float, look_s: float, options: Options, scratch: Scratch,
) -> tuple[float, int]:  # fmt: skip
    """Carry the plant over one smooth stretch.

    Parameters
    ----------
    plant, rows, around, drive, gauge
        The plant, what acts on it, and the gauge whose lag is integrated alongside.
    x : array, shape (N,)
        ln p of the nodes [ln Pa]; moved to the end of the stretch.
    gauge_pa : float
        Pressure behind the gauge's lag [Pa].
    look_s : float
        Time in the stretch at which the plant is looked at on the way [s]; inf: not at all.
    options : Options
        Tolerance and bounds of the step.
    scratch : Scratch
        Work space, and what is kept from stretch to stretch; `seen` is filled.

    Returns
    -------
    tuple of (float, int)
        Gauge pressure at the end [Pa], and DONE or STUCK.
    """
    state, count, node = scratch.state, x.shape[0], gauge.node
    first, second, seen = scratch.first, scratch.second, scratch.seen
    begin(plant, rows, around, drive, x, scratch)
    t, tries = 0.0, 0
    while t < around.length_s:
        tries += 1
        left = around.length_s - t
        h = min(state[NEXT_STEP], options.longest_step_s)
        if h > 0.99 * left:
            h = left
        elif h > 0.5 * left:
            h = 0.5 * left
        error = step(plant, rows, around, drive, t, h, x, options.tolerance, scratch)
        if error > options.tolerance:
            state[NEXT_STEP] = h * max(0.2, 0.9 * (options.tolerance / error) ** (1.0 / 3.0))
            if state[NEXT_STEP] < options.shortest_step_s or tries > _MOST_STEPS:
                return gauge_pa, STUCK
            continue
        if t < look_s <= t + h:
            share = (look_s - t) / h
            for i in range(count):
                seen[i] = course(x[i], first[i], second[i], share)
            seen[count] = np.exp(seen[node])
            if gauge.lag_s > 0.0:
                middle = np.exp(course(x[node], first[node], second[node], 0.5))
                seen[count] = lagged(
                    gauge_pa, np.exp(x[node]), middle, np.exp(second[node]), share, h, gauge.lag_s
                )
        if gauge.lag_s > 0.0:
            middle = np.exp(course(x[node], first[node], second[node], 0.5))
            gauge_pa = lagged(
                gauge_pa, np.exp(x[node]), middle, np.exp(second[node]), 1.0, h, gauge.lag_s
            )
        moved = 0.0
        for i in range(count):
            new = second[i]
            moved = max(moved, abs(new - x[i]))
            if plant.volumes_m3[i] > 0.0:
                scratch.slope[i] = (new - scratch.base[i]) / (GAMMA * h)
            else:
                scratch.slope[i] = (new - x[i]) / h
            x[i] = new
        t += h
        state[MOVED] += moved
        if state[MOVED] > _RENEW_MOVED or state[CONTRACTION] > _RENEW_CONTRACTION:
            state[IS_OLD] = 1.0
        grown = h * min(3.0, 0.9 * (options.tolerance / max(error, 1e-300)) ** (1.0 / 3.0))
        state[NEXT_STEP] = grown if grown < h else max(grown, state[NEXT_STEP])
    if gauge.lag_s <= 0.0:
        gauge_pa = np.exp(x[gauge.node])
    state[LOAD], state[OPEN], state[SHARE] = around.load_end, around.open_end, around.share_end
    state[SPEED] = speed_at(around, drive, around.length_s)
    return gauge_pa, DONE


def begin(
    plant: PlantNumbers, rows: Any, around: Surroundings, drive: DriveNumbers, x: Any,
    scratch: Scratch,
) -> None:  # fmt: skip
    """Take the slope at the start of a stretch anew where something jumped."""
    state = scratch.state
    if (
        abs(around.load - state[LOAD]) <= 1e-9 * abs(around.load)
        and around.open == state[OPEN]
        and around.share == state[SHARE]
        and abs(speed_at(around, drive, 0.0) - state[SPEED]) < 1e-9
    ):
        return
    flows_at(plant, rows, around, drive, 0.0, x, scratch.work[0], scratch.work[2])
    for i in range(x.shape[0]):
        content = plant.volumes_m3[i] * scratch.work[2, i]
        scratch.slope[i] = scratch.work[0, i] / content if content > 0.0 else 0.0
    state[IS_OLD] = 1.0


def step(
    plant: PlantNumbers, rows: Any, around: Surroundings, drive: DriveNumbers, t: float, h: float,
    x: Any, tolerance: float, scratch: Scratch,
) -> float:  # fmt: skip
    """Try one step from x; `scratch.second` is ln p at its end.

    Returns
    -------
    float
        Estimated error of ln p [-]; huge where Newton's method did not converge.
    """
    state, count = scratch.state, x.shape[0]
    base, first, second, slope = scratch.base, scratch.first, scratch.second, scratch.slope
    weight, goal = GAMMA * h, NEWTON_SHARE * tolerance
    was_new = state[IS_OLD] > 0.0
    if was_new:
        slopes(plant, rows, around, drive, t, x, scratch.jacobian, scratch.work)
        state[IS_OLD], state[FACTORIZED], state[MOVED], state[CONTRACTION] = 0.0, 0.0, 0.0, 0.1
    # two steps that differ by rounding share a matrix
    if abs(state[FACTORIZED] - h) > SAME_STEP * h:
        prepare(plant, x, weight, scratch.jacobian, scratch.matrix, scratch.order)
        state[FACTORIZED] = h
    for i in range(count):
        base[i] = x[i]
        first[i] = x[i] + min(max(weight * slope[i], -_GUESS), _GUESS)
    shrinks = stage(
        plant, rows, around, drive, t + weight, base, first, weight, scratch.matrix,
        scratch.order, scratch.work, goal, state[CONTRACTION],
    )  # fmt: skip
    if shrinks >= 0.0:
        for i in range(count):
            move = (first[i] - x[i]) / weight
            base[i] = x[i] + (1.0 - GAMMA) * h * move
            bend = h * (move - slope[i])
            if abs(bend) < _BEND:
                second[i] = x[i] + h * slope[i] + bend / (2.0 * GAMMA)
            else:
                second[i] = first[i] + (1.0 - GAMMA) * h * move
        shrinks = stage(
            plant, rows, around, drive, t + h, base, second, weight, scratch.matrix,
            scratch.order, scratch.work, goal, shrinks,
        )  # fmt: skip
    if shrinks < 0.0:
        # with an old Jacobian the same step is tried again, else a shorter one
        state[IS_OLD] = 1.0
        return _HOPELESS if was_new else 1.001 * tolerance
    state[CONTRACTION] = shrinks
    return step_error(plant, h, x, scratch)


def step_error(plant: PlantNumbers, h: float, x: Any, scratch: Scratch) -> float:
    """Estimated error of a step in ln p [-].

    Third divided difference of ln p from the slopes at the start and at the two stages, filtered
    by the matrix of the stages: what is stiff and dies away within the step does not count.
    """
    count, weight = x.shape[0], GAMMA * h
    error = scratch.error
    for i in range(count):
        now = scratch.slope[i]
        middle = (scratch.first[i] - x[i]) / weight - now
        end = (scratch.second[i] - scratch.base[i]) / weight - now
        third = LOCAL_ERROR * h * (end - middle / GAMMA) / (1.0 - GAMMA)
        error[i] = plant.volumes_m3[i] * np.exp(x[i]) * third
    substitute(scratch.matrix, scratch.order, error)
    largest = 0.0
    for i in range(count):
        if not abs(error[i]) < _HOPELESS:
            return _HOPELESS
        largest = max(largest, abs(error[i]))
    return largest


def course(start: float, first: float, end: float, share: float) -> float:
    """ln p a share of the way through a step [ln Pa], to the order of the method.

    Its slope is the straight line through the slopes of the two stages, so that what is stiff does
    not overshoot.
    """
    per, rest = 1.0 / GAMMA, 1.0 / (1.0 - GAMMA)
    early = per * (first - start)
    bend = per * (end - start - early)
    return start + share * (early + rest * (0.5 * share - GAMMA) * bend)


def lagged(
    before: float, start: float, middle: float, end: float, share: float, h: float, lag_s: float
) -> float:
    """First-order lag of a pressure known at the start, the middle and the end of a step.

    The pressure in between is taken as the parabola through the three; the lag is then exact, a
    share of the way through the step.
    """
    # parabola p(s) = start + b s + c s^2 over s = t/h
    c = 2.0 * (start + end) - 4.0 * middle
    b = end - start - c
    ratio = lag_s / h
    decay = np.exp(-share / ratio)
    # particular solution of r' = (p - r)/lag: q0 + q1 s + q2 s^2
    q2 = c
    q1 = b - 2.0 * q2 * ratio
    q0 = start - q1 * ratio
    return q0 + share * (q1 + share * q2) + (before - q0) * decay
