"""The robust optimum of 75 plants, beside python-control's calls inside scipy's optimizer."""

from __future__ import annotations

import math
import time
import warnings
from collections.abc import Callable
from dataclasses import replace

import control
import numpy as np
from scipy.optimize import minimize

import chamberctl as cc
from chamberctl.control.controller import PidSettings
from chamberctl.control.duty_loops import settings_frame
from chamberctl.control.envelope import envelope
from chamberctl.control.finder import Finder
from chamberctl.control.optimum import optimum_of
from chamberctl.control.pace import LoopLimits
from chamberctl.control.robust import robust_settings
from chamberctl.control.rules import simc_settings
from chamberctl.plant.linear import LoopModel
from chamberctl.plant.window import duty_points
from tests.benchmarks import Result

PLANTS = 75
MS = 1.6
#: The library's one fixed frequency vector, up to pi/Ts.
FREQUENCIES = 400


def run() -> dict:
    """Return the times of both ways, their ratio and how far they agree."""
    study = cc.load("preset:crystal-furnace")
    frame = replace(settings_frame(study), integral="after")
    models = _plants(study, frame)
    limits = LoopLimits.of_peak(MS)
    found = optimum_of(Finder(models, frame), limits)
    own = min(_timed(lambda: optimum_of(Finder(models, frame), limits)) for _ in range(5))
    pid = min(_timed(lambda: optimum_of(Finder(models, frame, "PID"), limits)) for _ in range(3))
    start = time.perf_counter()
    action = _by_library(models, frame)
    library = time.perf_counter() - start
    points = duty_points(study)
    robust_settings(study, points, dense=False, explain=False)
    whole = min(
        _timed(lambda: robust_settings(study, points, dense=False, explain=False)) for _ in range(3)
    )
    count = len(envelope(study, points).plants)
    apart = abs(action / found.integral_action - 1.0)
    results = [
        Result("plants", len(models), ""),
        Result("the optimum, PI, warm", own, "s", "at most 0.5", bool(own <= 0.5)),
        Result("the optimum, PID, warm", pid, "s"),
        Result("the same by the library inside scipy's SLSQP, PI", library, "s"),
        Result("ratio", library / own, ""),
        Result("integral action, ours over the library's", found.integral_action / action, ""),
        Result("they agree within", apart, "", "at most 5e-3", bool(apart <= 5e-3)),
        Result(f"from study to settings, {count} plants and both orders", whole, "s"),
    ]
    return {"name": "robust optimum of an envelope", "results": results}


def _plants(study: cc.Study, frame: PidSettings) -> list[LoopModel]:
    """Return plants of a preset's envelope, their dead times in whole scans for the library."""
    step = frame.scan_time_s
    assert step is not None
    found = envelope(study, duty_points(study)).plants
    chosen = np.linspace(0, len(found) - 1, PLANTS).astype(int)
    return [
        replace(model, dead_time_s=step * round(model.dead_time_s / step))
        for model in (found[i].model for i in chosen)
    ]


def _by_library(models: list[LoopModel], frame: PidSettings) -> float:
    """Return the largest Kc/Ti with |S| and |T| of every plant within MS; begin at a rule."""
    step = frame.scan_time_s
    assert step is not None
    omega = np.geomspace(1e-3, math.pi / step, FREQUENCIES)
    plants = []
    for model in models:
        a, b, c, d = model.siso(frame.reading)
        late = round((model.dead_time_s + frame.delay_s) / step)
        delay = control.ss(control.tf([1.0], [1.0, *([0.0] * late)], step))
        plants.append(control.sample_system(control.ss(a, b, -c, -d), step, "zoh") * delay)

    def room(x: np.ndarray) -> np.ndarray:
        kc, ti = np.exp(x)
        law = control.ss(control.tf([kc, kc * (step / ti - 1.0)], [1.0, -1.0], step))
        peaks = []
        for plant in plants:
            loop = plant * law
            for closed in (control.feedback(1, loop), control.feedback(loop, 1)):
                peaks.append(np.max(np.abs(closed(np.exp(1j * omega * step)))))
        return MS - np.array(peaks)

    rule, _, _ = simc_settings(models[0], frame)
    begin = np.log([0.3 * rule.kc, 1.5 * rule.ti_s])
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # what it says of its own methods is not the point here
        found = minimize(
            lambda x: x[1] - x[0], begin, method="SLSQP",
            constraints={"type": "ineq", "fun": room}, options={"ftol": 1e-6, "maxiter": 60},
        )  # fmt: skip
    return float(np.exp(found.x[0] - found.x[1]))


def _timed(work: Callable[[], object]) -> float:
    start = time.perf_counter()
    work()
    return time.perf_counter() - start
