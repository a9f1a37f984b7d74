"""Loops for the tests of control, and stability decided apart from the package's own margins."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from scipy.linalg import expm

from chamberctl.control.controller import Memory, PidSettings, numbers, scan
from chamberctl.control.finder import Finder
from chamberctl.control.optimum import Optimum, optimum_of
from chamberctl.control.pace import LoopLimits
from chamberctl.plant.linear import LoopModel


def plant(num: list[float], den: list[float], dead_time_s: float = 0.0) -> LoopModel:
    """Return the plant whose loop with a positive Kc is L = +Kc num/den exp(-dead_time s)."""
    return LoopModel.from_transfer_function([-value for value in num], den, dead_time_s)


def settings(kc: float, ti_s: float = math.inf, **more: object) -> PidSettings:
    """Return settings on a linear reading; sampled ones without computation delay."""
    values: dict[str, object] = {"reading": "linear", "computation_delay_s": 0.0, **more}
    return PidSettings(kc=kc, ti_s=ti_s, **values)  # type: ignore[arg-type]


def find_optimum(
    models: Sequence[LoopModel], frame: PidSettings, limits: LoopLimits, **more: Any
) -> Optimum:
    """Return the optimum of plants that are prepared for it alone."""
    return optimum_of(Finder(models, frame, **more), limits)


def series(kc: float, ti_s: float, td_s: float, **more: object) -> PidSettings:
    """Return settings that equal Kc (1 + 1/(Ti s)) (1 + Td s)."""
    share = 1.0 + td_s / ti_s
    return settings(kc * share, ti_s + td_s, td_s=td_s / share, **more)


def sampled_poles(model: LoopModel, given: PidSettings) -> np.ndarray:
    """Return the closed loop's poles z: the law itself run once on each unit state.

    The plant is sampled with scipy's exponential; the states are the plant's, the outputs of the
    scans before, and the controller's memory.
    """
    n = numbers(given)._replace(output_min=-math.inf, output_max=math.inf, largest_move=math.inf)
    ts = float(given.scan_time_s or 0.0)
    a, b, c, d = model.siso("linear")
    order = a.shape[0]
    delay = model.dead_time_s + given.delay_s
    scans = math.floor(delay / ts + 1e-9)
    rest = max(delay - scans * ts, 0.0)
    block = np.zeros((order + 1, order + 1))
    block[:order, :order], block[:order, order:] = a, b
    held, before = expm(block * (ts - rest)), expm(block * rest)
    whole = held[:order, :order] @ before[:order, :order]
    now, late = held[:order, order], held[:order, :order] @ before[:order, order]
    longest = scans + 1
    size = order + longest + 3
    columns = np.zeros((size, size))
    for k, unit in enumerate(np.eye(size)):
        x, past = unit[:order], unit[order : order + longest]
        integral, derivative, filtered = (float(value) for value in unit[order + longest :])
        y = float((c @ x)[0] + d[0, 0] * past[scans])
        memory = scan(n, Memory(integral, derivative, filtered, 0, 0, False), 0.0, y, 0.0, False, 0)
        outputs = np.concatenate([[memory.output], past])
        after = whole @ x + now * outputs[scans] + late * outputs[scans + 1]
        rest_of_state = [memory.integral, memory.derivative, memory.filtered]
        columns[:, k] = np.concatenate([after, outputs[:longest], rest_of_state])
    if math.isinf(given.ti_s):  # the integral stands still, and is not part of the loop
        keep = np.arange(size) != order + longest
        columns = columns[keep][:, keep]
    return np.linalg.eigvals(columns)


def continuous_poles(num: list[float], den: list[float], given: PidSettings) -> np.ndarray:
    """Return the closed loop's poles s of a loop without dead time, from its polynomial."""
    top, bottom = np.array([given.kc]), np.array([1.0])
    if math.isfinite(given.ti_s):
        top, bottom = given.kc * np.array([given.ti_s, 1.0]), np.array([given.ti_s, 0.0])
    if given.td_s:
        lag = np.array([given.tfd_s, 1.0]) if given.tfd_s else np.array([1.0])
        rate = given.kc * np.array([given.td_s, 0.0])
        top = np.polyadd(np.polymul(top, lag), np.polymul(rate, bottom))
        bottom = np.polymul(bottom, lag)
    if given.tf_s:
        bottom = np.polymul(bottom, [given.tf_s, 1.0])
    return np.roots(np.polyadd(np.polymul(top, num), np.polymul(bottom, den)))


@dataclass(frozen=True)
class RandomLoop:
    num: list[float]
    den: list[float]
    model: LoopModel
    settings: PidSettings


def random_loop(rng: np.random.Generator, sampled: bool) -> RandomLoop:
    """Return a loop of one to five poles: lags, resonances, integrators, now and then unstable."""
    order = int(rng.integers(1, 6))
    poles: list[complex] = []
    while len(poles) < order:
        size = math.exp(rng.uniform(math.log(0.02), math.log(15.0)))
        sign = -1.0 if rng.random() < 0.95 else 0.2
        if rng.random() < 0.25 and len(poles) < order - 1:
            damping = rng.uniform(0.05, 0.9)
            pole = size * complex(sign * damping, math.sqrt(1.0 - damping**2))
            poles += [pole, pole.conjugate()]
        else:
            poles.append(0.0 if rng.random() < 0.05 else sign * size)
    count = int(rng.integers(0, order))
    size = np.exp(rng.uniform(math.log(0.05), math.log(20.0), count))
    zeros = rng.choice([-1.0, 1.0], count, p=[0.7, 0.3]) * size
    den = np.atleast_1d(np.poly(poles)).real
    num = np.atleast_1d(np.poly(zeros)).real
    sign = np.sign(num[np.flatnonzero(num)[-1]] * den[np.flatnonzero(den)[-1]])
    level = abs(np.polyval(num, 0.3j) / np.polyval(den, 0.3j))
    num = num * sign * rng.choice([-1.0, 1.0], p=[0.05, 0.95]) * math.exp(rng.normal(0, 2)) / level
    td = float(rng.choice([0.0, rng.uniform(0.1, 3.0)]))
    given = settings(
        1.0,
        float(rng.choice([math.inf, math.exp(rng.uniform(-1.0, 4.0))], p=[0.1, 0.9])),
        td_s=td,
        tfd_s=float(rng.choice([0.0, 0.2])) * td,
        tf_s=float(rng.choice([0.0, 0.4])),
        integral="before" if rng.random() < 0.5 else "after",
    )
    dead_time = 0.0
    if sampled:
        dead_time = float(rng.choice([0.0, rng.uniform(0.0, 3.0)]))
        ts = float(rng.choice([0.1, 0.2, 1.0]))
        given = replace(given, scan_time_s=ts, computation_delay_s=float(rng.choice([0.0, ts])))
    return RandomLoop(
        num.tolist(), den.tolist(), plant(num.tolist(), den.tolist(), dead_time), given
    )
