"""Answers of many sampled loops at once to steps, without limits.

The same loops as in `response`: there the law runs scan by scan, here it is probed once for each
loop (without limits it is linear), and all loops move on together, many scans in one product.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from chamberctl.control.controller import Memory, PidSettings, numbers, scan
from chamberctl.control.response import LONGEST, SampledPlant
from chamberctl.errors import InputError
from chamberctl.plant.linear import LoopModel

if TYPE_CHECKING:
    from chamberctl.study import Study

Array = NDArray[np.float64]

#: Sampled plants by the identity of their model, computation delay and scan time; the model is held
#: with its plant, so that no other model gets its identity.
Plants = dict[tuple[int, float, float | None], tuple[LoopModel, SampledPlant]]

#: Scans that are computed in one product.
BLOCK = 32


@dataclass(frozen=True)
class Answers:
    """Deviations of N loops from their operating points, at K scans.

    Parameters
    ----------
    time_s : array, shape (K,)
        Times of the scans [s].
    reading : array, shape (N, K)
        In decades or Pa, as each law sees it.
    speed : array, shape (N, K)
        The controllers' outputs [speed fraction].
    """

    time_s: Array
    reading: Array
    speed: Array


def step_answers(
    models: Sequence[LoopModel],
    settings: Sequence[PidSettings],
    *,
    setpoint_steps: ArrayLike = 0.0,
    gas_load_steps: ArrayLike = 0.0,
    duration_s: float,
    plants: Plants | None = None,
) -> Answers:
    """Return the answers of loops models[i] with settings[i] to steps, from rest.

    Parameters
    ----------
    models : sequence of LoopModel
        N plants.
    settings : sequence of PidSettings
        N settings, all with the same scan time; limits and a setpoint ramp do not act.
    setpoint_steps : array_like of float, shape (N,) or ()
        Steps of the setpoints at the first scan [decades or Pa].
    gas_load_steps : array_like of float, shape (N,) or ()
        Steps of the gas loads at the same time [multiples of each model's load scale].
    duration_s : float
        Length [s].
    plants : dict, optional
        Sampled plants that are known already, for callers that come again with the same models;
        filled with the others.

    Returns
    -------
    Answers
        At the scans, exact there. Those of unstable loops grow, up to inf and nan.

    Raises
    ------
    InputError
        If scan times differ or miss, or there are far too many scans.
    """
    times = {one.scan_time_s for one in settings}
    ts = next(iter(times), None)
    if len(times) != 1 or ts is None or len(models) != len(settings):
        raise InputError(
            "answers side by side need one scan time, and settings for each model",
            given=f"{len(models)} models, {len(settings)} settings, scan times {times}",
            field="scan_time_s",
        )
    count = math.ceil(duration_s / ts - 1e-9) + 1
    if not (duration_s > 0.0 and count <= LONGEST):
        raise InputError(
            f"an answer has a length above zero and at most {LONGEST} scans",
            given=f"{duration_s:g} s at {ts:g} s a scan",
            field="duration_s",
        )
    loops = _closed(models, settings, {} if plants is None else plants)
    size = len(models)
    state = np.zeros((size, loops.move.shape[1]))
    state[:, -2] = np.broadcast_to(np.asarray(gas_load_steps, dtype=float), size)
    state[:, -1] = np.broadcast_to(np.asarray(setpoint_steps, dtype=float), size)
    seen, block_move = _blocks(loops)
    parts = []
    with np.errstate(over="ignore", invalid="ignore"):
        for _ in range(math.ceil(count / BLOCK)):
            parts.append(np.einsum("nkos,ns->nko", seen, state))
            state = np.einsum("nij,nj->ni", block_move, state)
    shown = np.concatenate(parts, axis=1)[:, :count]
    return Answers(np.arange(count, dtype=float) * ts, shown[:, :, 0], shown[:, :, 1])


def metered_share(study: Study, model: LoopModel) -> float:
    """Return the metered gas flow of a plant, in multiples of its load scale.

    Parameters
    ----------
    study : Study
        It says how much of the gas is not metered.
    model : LoopModel
        A plant of it; where it does not say its gas load, that is its load scale.
    """
    load = getattr(model.point, "gas_load_pa_m3_s", model.load_scale_pa_m3_s)
    metered = max(load - study.system.gas_load.unmetered_pa_m3_s, 0.0)
    return float(metered / model.load_scale_pa_m3_s)


@dataclass(frozen=True)
class _Closed:
    """N closed loops, padded to one size S: state+ = move state, (reading, output) = see state.

    The state is the plant's, the outputs of the scans before, the law's memory, and at its end gas
    load and setpoint, which stay.
    """

    move: Array
    see: Array


def _closed(
    models: Sequence[LoopModel], settings: Sequence[PidSettings], plants: Plants
) -> _Closed:
    pairs = []
    for model, one in zip(models, settings, strict=True):
        key = (id(model), one.delay_s, one.scan_time_s)
        if key not in plants:
            plants[key] = (model, SampledPlant(model, one))
        # the plant in ln of the reading is the same for both readings; its scale is not
        pairs.append(_loop(plants[key][1], model.output_scale(one.reading), one))
    size = max(len(move) for move, _ in pairs)
    moves, sees = np.zeros((len(pairs), size, size)), np.zeros((len(pairs), 2, size))
    for i, (move, see) in enumerate(pairs):
        own = len(move) - 2
        places = np.append(np.arange(own), [size - 2, size - 1])
        moves[i][np.ix_(places, places)] = move
        sees[i][:, places] = see
    return _Closed(moves, sees)


def _loop(plant: SampledPlant, scale: float, settings: PidSettings) -> tuple[Array, Array]:
    """One closed loop: its matrix from scan to scan, and reading and output from its state."""
    order, last = plant.whole.shape[0], plant.scans
    first_past, memory = order, order + last + 1
    load, setpoint = memory + 4, memory + 5
    size = memory + 6
    reading = np.zeros(size)
    reading[:order] = plant.out[0]
    reading[first_past + last] = plant.direct[0, 0]
    reading[load] = plant.direct[0, 1]
    reading *= scale
    unit = np.eye(size)
    # what the law sees: its memory, the reading and the setpoint
    seen = np.vstack([unit[memory : memory + 4], reading, unit[setpoint]])
    law = _probed(settings) @ seen
    output = law[4]
    outputs = np.vstack([output, unit[first_past : first_past + last + 1]])
    move = np.zeros((size, size))
    move[:order, :order] = plant.whole
    move[:order, load] = plant.load
    move[:order] += np.outer(plant.now, outputs[last]) + np.outer(plant.late, outputs[last + 1])
    move[first_past : first_past + last + 1] = outputs[: last + 1]
    move[memory : memory + 4] = law[:4]
    move[load, load] = move[setpoint, setpoint] = 1.0
    return move, np.vstack([reading, output])


def _probed(settings: PidSettings) -> Array:
    """Return the law without limits as a matrix.

    From integral, derivative, filtered reading and setpoint of the scan before, reading and
    setpoint, to the same four and the output: the law itself, run once on each of them.
    """
    n = numbers(settings)._replace(
        output_min=-math.inf, output_max=math.inf, largest_move=math.inf, setpoint_move=math.inf
    )
    columns = []
    for integral, derivative, filtered, setpoint_before, reading, setpoint in np.eye(6).tolist():
        before = Memory(integral, derivative, filtered, setpoint_before, 0.0, False)
        after = scan(n, before, setpoint, reading, 0.0, False, 0.0)
        columns.append(
            [after.integral, after.derivative, after.filtered, after.setpoint, after.output]
        )
    return np.array(columns).T


def _blocks(loops: _Closed) -> tuple[Array, Array]:
    """Return what is seen at the scans of a block, (N, BLOCK, 2, S), and the move over a block."""
    size, states = loops.move.shape[:2]
    seen = np.empty((size, BLOCK, 2, states))
    view = loops.see
    for k in range(BLOCK):
        seen[:, k] = view
        view = view @ loops.move
    return seen, np.linalg.matrix_power(loops.move, BLOCK)
