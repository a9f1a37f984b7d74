"""Six margins of 1,000 sampled plants, against a polished reference and python-control."""

from __future__ import annotations

import math
import time
import warnings
from collections.abc import Callable
from dataclasses import replace

import control
import numpy as np
from scipy.linalg import expm
from scipy.optimize import brentq, minimize_scalar

from chamberctl.control.controller import PidSettings
from chamberctl.control.margins import margins
from chamberctl.control.rules import simc_settings
from chamberctl.plant.linear import LoopModel
from tests.benchmarks import Result

PLANTS = 1000
LIBRARY_PLANTS = 20
SCAN_TIME_S = 0.1
#: The library's one fixed frequency vector, up to pi/Ts.
OMEGA = np.geomspace(1e-3, math.pi / SCAN_TIME_S, 500)
SIX = ("gain_margin", "phase_margin_deg", "delay_margin_s", "ms", "mt", "disk_margin")
Loop = Callable[[np.ndarray], np.ndarray]


def booster_plant(rng: np.random.Generator) -> LoopModel:
    """Return an invented chamber, line, booster, backing pump, drive and gauge, linearized.

    States: deviations of chamber, booster inlet and outlet pressure, speed and reading.
    """

    def between(low: float, high: float) -> float:
        return math.exp(rng.uniform(math.log(low), math.log(high)))

    v_c, v_i, v_b = between(0.2, 3.0), between(0.01, 0.1), between(0.005, 0.05)
    line, swept, backing = between(0.05, 0.5), between(0.1, 0.5), between(0.02, 0.1)
    gap = between(1e-3, 0.02)
    speed, ratio = rng.uniform(0.3, 1.0), swept / backing
    drive, gauge = between(0.1, 2.0), between(0.02, 0.5)
    a = np.zeros((5, 5))
    a[0, :2] = -line / v_c, line / v_c
    a[1, :4] = line / v_i, -(line + speed * swept + gap) / v_i, gap / v_i, -swept / v_i
    a[2, 1:4] = (
        (speed * swept + gap) / v_b,
        -(gap + speed * backing) / v_b,
        (swept - ratio * backing) / v_b,
    )
    a[2, 3] -= 0.3 * backing / v_b
    a[3, 3] = -1.0 / drive
    a[4, 0], a[4, 4] = 1.0 / gauge, -1.0 / gauge
    b = np.zeros((5, 2))
    b[3, 0], b[0, 1] = 1.0 / drive, 1.0 / v_c
    c = np.zeros((2, 5))
    c[0, 4] = c[1, 0] = 1.0
    return LoopModel(a, b, c, np.zeros((2, 2)), dead_time_s=between(0.2, 2.0), reading_pa=1000.0)


def run() -> dict:
    """Return the measured times, their ratio and the worst deviations."""
    rng = np.random.default_rng(2)
    models = [booster_plant(rng) for _ in range(PLANTS)]
    law = PidSettings(kc=0.0, td_s=0.0, tf_s=0.2, scan_time_s=SCAN_TIME_S)
    settings = [simc_settings(model, law)[0] for model in models]
    # a little of derivative action, so that all of the law is in the loop
    settings = [
        replace(one, td_s=0.3, tfd_s=0.1, kc=rng.uniform(0.5, 1.3) * one.kc) for one in settings
    ]
    margins(models[:10], settings[:10])
    own = min(_timed(lambda: margins(models, settings)) for _ in range(3))
    found = margins(models, settings)
    library = _library_time(models[:LIBRARY_PLANTS], settings[:LIBRARY_PLANTS])
    worst = dict.fromkeys(SIX, 0.0)
    for i in np.flatnonzero(found.stable):
        for name, value in _polished(models[i], settings[i]).items():
            worst[name] = max(worst[name], abs(getattr(found, name)[i] / value - 1.0))
    ratio = library * PLANTS / own
    results = [
        Result("plants", PLANTS, ""),
        Result("stable ones, compared with the polished reference", int(found.stable.sum()), ""),
        Result("six margins of all plants", own, "s"),
        Result("the library's two functions, for as many plants", library * PLANTS, "s"),
        Result("ratio", ratio, "", "at least 50", bool(ratio >= 50.0)),
    ]
    results += [
        Result(
            f"worst relative deviation: {name}",
            float(value),
            "",
            "at most 1e-4",
            bool(value <= 1e-4),
        )
        for name, value in worst.items()
    ]
    return {"name": "margins of 1,000 sampled plants with exact dead time", "results": results}


def _timed(work: Callable[[], object]) -> float:
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


def _library_time(models: list[LoopModel], settings: list[PidSettings]) -> float:
    """Return the library's time for one plant [s], warm, its loop and its response given.

    Whole scans of dead time, which the library can hold as states. The faster of its two ways to
    stability_margins counts: from the loop, and from the loop's response.
    """
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # what it says of its own methods is not the point here
        times = [_library_once(*pair) for pair in zip(models, settings, strict=True)]
    return float(np.median(times))


def _library_once(model: LoopModel, one: PidSettings) -> float:
    loop = _library_loop(model, one)
    response = loop(np.exp(1j * OMEGA * SCAN_TIME_S))
    data = (np.abs(response), np.degrees(np.unwrap(np.angle(response))), OMEGA)
    whole = min(_timed(lambda: control.stability_margins(loop)) for _ in range(2))
    points = min(_timed(lambda: control.stability_margins(data)) for _ in range(2))
    disk = min(_timed(lambda: control.disk_margins(loop, OMEGA)) for _ in range(2))
    return min(whole, points) + disk


def _library_loop(model: LoopModel, one: PidSettings) -> control.StateSpace:
    ts = SCAN_TIME_S
    a, b, c, d = model.siso(one.reading)
    plant = control.sample_system(control.ss(a, b, -c, -d), ts, "zoh")
    scans = round((model.dead_time_s + one.delay_s) / ts)
    af, ad = ts / (one.tf_s + ts), ts / (one.tfd_s + ts)
    slope = one.kc * one.td_s / ts * ad
    parts = [([one.kc], [1.0]), ([one.kc * ts / one.ti_s], [1.0, -1.0])]
    parts += [([slope, -slope], [1.0, ad - 1.0])]
    law = sum(control.ss(control.tf(num, den, ts)) for num, den in parts[1:]) + one.kc
    reading = control.ss(control.tf([af, 0.0], [1.0, af - 1.0], ts))
    late = control.ss(control.tf([1.0], [1.0, *([0.0] * scans)], ts))
    return plant * late * law * reading


def _polished(model: LoopModel, one: PidSettings) -> dict[str, float]:
    """Return the six margins by a dense search and scalar polishing, apart from the package."""
    loop = _reference_loop(model, one)
    w = np.geomspace(1e-5, math.pi / SCAN_TIME_S, 4000)
    value = loop(w)

    def at(v: float) -> complex:
        return complex(loop(np.array([v]))[0])

    def crossings(of: Callable[[complex], float], levels: np.ndarray) -> list[float]:
        turns = np.flatnonzero(np.sign(levels[1:]) != np.sign(levels[:-1]))
        return [brentq(lambda v: of(at(v)), w[i], w[i + 1], xtol=1e-14) for i in turns]

    size = crossings(lambda v: abs(v) - 1.0, np.abs(value) - 1.0)
    angles = [np.angle(-at(v)) for v in size]
    real = crossings(lambda v: v.imag, value.imag)
    ends = [at(v).real for v in real] + [value[-1].real]
    gains = [-1.0 / v for v in ends if -1.0 < v < 0.0]
    peaks = {
        "ms": lambda v: np.abs(1.0 / (1.0 + v)),
        "mt": lambda v: np.abs(v / (1.0 + v)),
        "disk": lambda v: np.abs(0.5 * (1.0 - v) / (1.0 + v)),
    }
    found = {}
    for name, of in peaks.items():
        k = int(np.argmax(of(value)))
        low, high = w[max(k - 1, 0)], w[min(k + 1, w.size - 1)]
        best = minimize_scalar(
            lambda v, of=of: -float(of(at(v))), bounds=(low, high), method="bounded",
            options={"xatol": 1e-10},
        )  # fmt: skip
        found[name] = max(-best.fun, float(of(value).max()))
    return {
        "gain_margin": min(gains, default=math.inf),
        "phase_margin_deg": math.degrees(min(abs(angle) for angle in angles)),
        "delay_margin_s": min(a % (2 * math.pi) / v for a, v in zip(angles, size, strict=True)),
        "ms": found["ms"],
        "mt": max(found["mt"], 1.0),
        "disk_margin": 1.0 / max(found["disk"], 0.5),
    }


def _reference_loop(model: LoopModel, one: PidSettings) -> Loop:
    """Return L(w) from scipy's exponential and one linear solution per frequency."""
    ts = SCAN_TIME_S
    a, b, c, _ = model.siso(one.reading)
    n = a.shape[0]
    delay = model.dead_time_s + one.delay_s
    scans = math.floor(delay / ts)
    rest = delay - scans * ts
    block = np.zeros((n + 1, n + 1))
    block[:n, :n], block[:n, n:] = a, b
    held, before = expm(block * (ts - rest)), expm(block * rest)
    whole, now = held[:n, :n] @ before[:n, :n], held[:n, n]
    late = held[:n, :n] @ before[:n, n]
    af, ad = ts / (one.tf_s + ts), ts / (one.tfd_s + ts)

    def loop(w: np.ndarray) -> np.ndarray:
        z = np.exp(1j * w * ts)
        matrices = z[:, None, None] * np.eye(n) - whole
        inputs = now * (z**-scans)[:, None] + late * (z ** -(scans + 1))[:, None]
        plant = np.linalg.solve(matrices, inputs[..., None])[..., 0] @ c[0]
        slope = one.td_s / ts * ad * (z - 1.0) / (z - 1.0 + ad)
        law = one.kc * (1.0 + ts / one.ti_s / (z - 1.0) + slope) * af * z / (z - 1.0 + af)
        return -law * plant

    return loop
