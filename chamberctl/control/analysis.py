"""From the sweep of many loops to their margins, each found on its own crossing or peak."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from chamberctl.control.controller import PidSettings
from chamberctl.control.frequency import Array, Complex, Index, stack
from chamberctl.control.search import OfLoop, crossings, peaks, roots
from chamberctl.control.stability import stable_loops
from chamberctl.control.sweep import NEGLIGIBLE, Sweep, sweep
from chamberctl.plant.linear import LoopModel

#: Words for a loop without margins.
UNSTABLE = "unstable"
WRONG_ACTION = "wrong action: positive feedback"
NO_GAIN = "no feedback: the gain is zero"
ENDLESS = "unstable: with dead time, the loop gain must fall below 1 at high frequency"

QUANTITIES = (
    "gain_margin",
    "gain_margin_low",
    "phase_margin_deg",
    "delay_margin_s",
    "ms",
    "mt",
    "disk_margin",
    "crossover_rad_s",
    "ms_frequency_rad_s",
    "phase_crossover_rad_s",
)


@dataclass(frozen=True)
class Found:
    """All margins of N loops, and their crossings in flat lists (`*_row` is the loop).

    Loops that have no margins, nan in `values`, have no crossings either.
    """

    stable: NDArray[np.bool_]
    reason: list[str]
    values: dict[str, Array]
    dead_time_s: Array
    gain_row: Index
    gain_omega: Array
    gain_value: Complex
    phase_row: Index
    phase_omega: Array
    phase_size: Array


def compute(
    models: Sequence[LoopModel], settings: Sequence[PidSettings], together: int = 1
) -> Found:
    """Return the margins of models[i] with settings[i].

    Parameters
    ----------
    models, settings : sequence
        N of both, all sampled or all continuous.
    together : int
        The loops come in groups of so many, and only a group that is stable as a whole has
        margins.
    """
    line = _with_touches(sweep(stack(models, settings)))
    loops = line.stack
    stable = stable_loops(line)
    wrong = _wrong_sign(line)
    endless = (loops.dead_time_s > 0.0) & (np.abs(line.limit) >= 1.0)
    cases = [loops.law["kc"] == 0.0, wrong, endless, ~stable]
    reason = np.select(cases, [NO_GAIN, WRONG_ACTION, ENDLESS, UNSTABLE], "").tolist()
    whole = np.repeat(stable.reshape(-1, together).all(axis=1), together)
    rows = np.flatnonzero(whole & ~wrong)
    values = {name: np.full(loops.count, np.nan) for name in QUANTITIES}
    if rows.size == 0:
        none, nothing = np.empty(0, dtype=int), np.empty(0)
        crossings_of_gain = none, nothing, nothing.astype(complex)
        crossings_of_phase = none, nothing, nothing
    else:
        line = line.subset(rows) if rows.size < loops.count else line
        gain_row, gain_omega, gain_value = _gain_crossings(line)
        phase_row, phase_omega, phase_size = _phase_crossings(line)
        found: dict[str, Array] = {}
        found |= _gain_margins(line, phase_row, phase_omega, phase_size)
        found |= _turn_margins(line, gain_row, gain_omega, gain_value)
        found |= _peak_margins(line)
        for name, value in found.items():
            values[name][rows] = value
        crossings_of_gain = rows[gain_row], gain_omega, gain_value
        crossings_of_phase = rows[phase_row], phase_omega, phase_size
    return Found(stable, reason, values, loops.dead_time_s, *crossings_of_gain, *crossings_of_phase)


def _log_size(value: Complex) -> Array:
    with np.errstate(divide="ignore"):
        return np.log(np.abs(value))


def _angle_to_critical(value: Complex) -> Array:
    """Angle from -1 to L, positive where L must turn clockwise to reach -1 [rad]."""
    return np.angle(-value)


def _wrong_sign(line: Sweep) -> NDArray[np.bool_]:
    """Return where the static sign is wrong and the plant by itself is not unstable."""
    first = line.start[:-1]
    static = (line.value[first] * 1j**line.stack.integrators).real
    return (static < 0.0) & (line.stack.unstable_poles == 0)


def _with_touches(line: Sweep) -> Sweep:
    """Add the points where |L| or the phase just touches its level between two points."""
    size, angle = _log_size(line.value), _angle_to_critical(line.value)
    loud = np.abs(line.value) > NEGLIGIBLE
    cases: list[tuple[OfLoop, NDArray[np.bool_] | None]] = [
        (_log_size, (size < 0.0) & (size > -0.3)),
        (lambda v: -_log_size(v), (size > 0.0) & (size < 0.3)),
        (_angle_to_critical, (angle < 0.0) & (angle > -0.4) & loud),
        (lambda v: -_angle_to_critical(v), (angle > 0.0) & (angle < 0.4) & loud),
    ]
    rows, where = [], []
    for row, omega, height in peaks(line, cases):
        over = height > 0.0
        rows.append(row[over])
        where.append(omega[over])
    row, omega = np.concatenate(rows), np.concatenate(where)
    return line.with_points(row, omega) if row.size else line


def _static_gain(line: Sweep) -> Array:
    """Return L at zero frequency of loops without integrators, 0 for the others."""
    low = 1e-9 * line.omega[line.start[:-1]]
    value = line.stack.response(low[:, None])[:, 0].real
    return np.where(line.stack.integrators == 0, value, 0.0)


def _gain_crossings(line: Sweep) -> tuple[Index, Array, Complex]:
    at = crossings(line, _log_size(line.value))
    omega = roots(line, _log_size, at)
    row = line.row[at]
    return row, omega, line.stack.response(omega, row)


def _phase_crossings(line: Sweep) -> tuple[Index, Array, Array]:
    """Return where L is real and negative, z = -1 and w = 0 included."""
    level = _angle_to_critical(line.value)
    last = line.start[1:] - 1
    ends = last if line.stack.scan_time_s is not None else last[:0]
    level[ends] = level[ends - 1]
    at = crossings(line, level)
    at = at[(np.abs(level[at]) < 0.5 * np.pi) & (np.abs(level[at + 1]) < 0.5 * np.pi)]
    omega = roots(line, _angle_to_critical, at)
    row = line.row[at]
    size = np.abs(line.stack.response(omega, row))
    ends = ends[line.value[ends].real < 0.0]
    static = _static_gain(line)
    low = np.flatnonzero(static < 0.0)
    row = np.concatenate([row, line.row[ends], low])
    omega = np.concatenate([omega, line.omega[ends], np.zeros(low.size)])
    size = np.concatenate([size, np.abs(line.value[ends]), np.abs(static[low])])
    order = np.lexsort((omega, row))
    return row[order], omega[order], size[order]


def _gain_margins(line: Sweep, row: Index, omega: Array, size: Array) -> dict[str, Array]:
    count = line.stack.count
    high, low = np.full(count, np.inf), np.zeros(count)
    where = np.full(count, np.nan)
    factor = 1.0 / size
    up = factor > 1.0
    np.minimum.at(high, row[up], factor[up])
    np.maximum.at(low, row[~up], factor[~up])
    critical = up & (factor == high[row])
    where[row[critical]] = omega[critical]
    # the limit at infinite frequency: on the negative axis, or turning for ever with dead time
    end = np.where(line.stack.dead_time_s > 0.0, -np.abs(line.limit), line.limit)
    reach = (end < 0.0) & (end > -1.0)
    limit = np.where(reach, -1.0 / np.where(reach, end, -1.0), np.inf)
    where[limit < high] = np.inf
    return {
        "gain_margin": np.minimum(high, limit),
        "gain_margin_low": low,
        "phase_crossover_rad_s": where,
    }


def _turn_margins(line: Sweep, row: Index, omega: Array, value: Complex) -> dict[str, Array]:
    count = line.stack.count
    phase, delay = np.full(count, np.inf), np.full(count, np.inf)
    crossover = np.full(count, np.nan)
    angle = _angle_to_critical(value)
    size = np.degrees(np.abs(angle))
    np.minimum.at(phase, row, size)
    np.minimum.at(delay, row, np.mod(angle, 2.0 * np.pi) / omega)
    smallest = size == phase[row]
    crossover[row[smallest]] = omega[smallest]
    return {"phase_margin_deg": phase, "delay_margin_s": delay, "crossover_rad_s": crossover}


def _peak_margins(line: Sweep) -> dict[str, Array]:
    functions: dict[str, OfLoop] = {
        "ms": lambda v: 1.0 / np.abs(1.0 + v),
        "mt": lambda v: np.abs(v / (1.0 + v)),
        "disk": lambda v: np.abs((1.0 - v) / (1.0 + v)) / 2.0,
    }
    count = line.stack.count
    static = line.stack.integrators == 0
    at_zero = np.where(static, _static_gain(line), 1e300)
    # with dead time and a gain that does not fall, the whole circle |L| = |L(inf)| counts
    end = np.where(line.stack.dead_time_s > 0.0, -np.abs(line.limit), line.limit)
    end = np.clip(end, -1e300, 1e300)
    values: dict[str, Array] = {}
    found = peaks(line, [(of_loop, None) for of_loop in functions.values()])
    for (name, of_loop), (row, omega, height) in zip(functions.items(), found, strict=True):
        best, where = np.full(count, -np.inf), np.full(count, np.nan)
        np.maximum.at(best, row, height)
        hit = height == best[row]
        where[row[hit]] = omega[hit]
        with np.errstate(divide="ignore", invalid="ignore"):
            zero, infinity = of_loop(at_zero), of_loop(end)
        if line.stack.scan_time_s is not None:
            infinity = np.full(count, -np.inf)
        where[zero > best] = 0.0
        where[infinity > np.maximum(zero, best)] = np.inf
        values[name] = np.maximum(np.maximum(best, zero), infinity)
        if name == "ms":
            values["ms_frequency_rad_s"] = where
    disk = values.pop("disk")
    values["disk_margin"] = 1.0 / disk
    return values
