"""Ten minutes of the sampled nonlinear loop at 0.1 s, against solve_ivp scan by scan."""

from __future__ import annotations

import statistics
import subprocess
import sys
import tempfile
import time
from dataclasses import replace
from os import environ
from typing import Any

import numpy as np
from scipy.integrate import solve_ivp

import chamberctl as cc
from chamberctl.control.tuning import rule_tuning
from chamberctl.plant.chain import build_chain
from chamberctl.plant.compiled import CACHE_VARIABLE, compiled_net_flows
from chamberctl.simulation.drive import speed_after
from chamberctl.simulation.engine import Trace, drive_numbers
from chamberctl.simulation.happenings import Happenings, Start
from chamberctl.simulation.prepared import Prepared, corners, memory_at
from chamberctl.simulation.scenarios import build, worst_point
from tests.benchmarks import Result
from tests.simulation.replay import node_pressures

SCAN_S, DURATION_S = 0.1, 600.0
PRESETS = ("crystal-furnace", "heat-treatment-furnace")
RUNS, REPLAYS = 15, 3
LIMIT_S, LIMIT_RATIO, AGREES = 0.030, 100.0, 1e-4

FIRST_CALL = """
import time
import chamberctl as cc
from tests.benchmarks.bench_simulation import ten_minutes
what = ten_minutes("crystal-furnace")
begin = time.perf_counter()
what.run()
print(time.perf_counter() - begin)
"""


def ten_minutes(preset: str) -> Prepared:
    """Gas up by a fifth from 100 s to 250 s, setpoint down by a tenth at 400 s, in automatic."""
    tuning = rule_tuning(cc.load(f"preset:{preset}"))
    settings = replace(tuning.settings, scan_time_s=SCAN_S, computation_delay_s=None)
    point = worst_point(tuning)
    prepared = build(tuning.study, settings, point, "gas-step")
    gas = point.gas_load_pa_m3_s
    setpoint = np.full(round(DURATION_S / SCAN_S) + 1, point.indicated_pa)
    setpoint[round(400.0 / SCAN_S) :] *= 0.9
    load = corners((0.0, gas), (100.0, gas), (100.0, 1.2 * gas), (250.0, 1.2 * gas), (250.0, gas))
    start = Start(np.array(point.node_pressures_pa), point.speed, memory_at(point.speed))
    return replace(prepared, start=start, happenings=Happenings(DURATION_S, setpoint, load))


def median_s(what: Prepared, **more: Any) -> tuple[float, Trace]:
    """Median time of a run, everything but the compiling included."""
    trace = what.run(**more)
    taken = []
    for _ in range(RUNS):
        begin = time.perf_counter()
        trace = what.run(**more)
        taken.append(time.perf_counter() - begin)
    return statistics.median(taken), trace


def scan_by_scan(what: Prepared, trace: Trace) -> np.ndarray:
    """Node pressures by solve_ivp with as little around it as there can be.

    The commands are those of the trace; they and the gas change at scans only, the speed in
    between is in closed form, and the gauge and the controller are left out.
    """
    chain, drive = build_chain(what.system), drive_numbers(what.system.drive)
    flows, net = np.empty(chain.size), compiled_net_flows()
    volumes, late = chain.volumes_m3, round((SCAN_S + what.system.drive.dead_time_s) / SCAN_S)
    commands, gas = trace.columns["command"], trace.columns["gas_load_pa_m3_s"]
    x = np.log(what.start.pressures_pa)
    found = np.empty((trace.time_s.size, chain.size))
    speed = what.start.speed
    for k in range(trace.time_s.size):
        found[k] = np.exp(x)
        start, load = speed, gas[k]
        target = commands[k - late] if k >= late else speed

        def slope(
            t: float, x: np.ndarray, start: float = start, target: float = target,
            load: float = load,
        ) -> np.ndarray:  # fmt: skip
            pressures = np.exp(x)
            net(
                chain.kinds, chain.rows, chain.curves, chain.compression, chain.nodes, chain.vapor,
                chain.booster_map, chain.backing_map, pressures,
                speed_after(start, target, drive, t), load, flows,
            )  # fmt: skip
            return flows / (volumes * pressures)

        x = solve_ivp(slope, (0.0, SCAN_S), x, method="LSODA", rtol=1e-8, atol=1e-8).y[:, -1]
        speed = speed_after(start, target, drive, SCAN_S)
    return found


def first_call_s(warm: bool) -> float:
    """Time of the first run in a new process, with an empty or with a filled cache."""
    with tempfile.TemporaryDirectory() as folder:
        for _ in range(2 if warm else 1):
            done = subprocess.run(
                [sys.executable, "-c", FIRST_CALL], env={**environ, CACHE_VARIABLE: folder},
                capture_output=True, text=True, check=True,
            )  # fmt: skip
        return float(done.stdout)


def run() -> dict[str, Any]:
    """Time and accuracy on two booster plants; the first call once.

    Returns
    -------
    dict
        Name and results.
    """
    results = []
    for preset in PRESETS:
        what = ten_minutes(preset)
        noisy, _ = median_s(what, seed=1)
        quiet, trace = median_s(what, ideal=True)
        scipy = []
        for _ in range(REPLAYS):
            begin = time.perf_counter()
            other = scan_by_scan(what, trace)
            scipy.append(time.perf_counter() - begin)
        ratio = statistics.median(scipy) / quiet
        pressures = node_pressures(trace, what)
        worst = float(np.max(np.abs(pressures / other - 1.0)))
        finer = node_pressures(what.run(ideal=True, tolerance=1e-9), what)
        halved = node_pressures(what.run(ideal=True, tolerance=5e-6), what)
        error = float(np.max(np.abs(pressures / finer - 1.0)))
        moved = float(np.max(np.abs(pressures / halved - 1.0)))
        ms = f"at most {1e3 * LIMIT_S:g} ms"
        results += [
            Result(f"{preset}: with noise, counts, rounding", 1e3 * noisy, "ms", ms,
                   noisy <= LIMIT_S),
            Result(f"{preset}: without", 1e3 * quiet, "ms", ms, quiet <= LIMIT_S),
            Result(f"{preset}: times faster than solve_ivp", ratio, "", "at least 100",
                   ratio >= LIMIT_RATIO),
            Result(f"{preset}: pressures against solve_ivp", worst, "", "below 1e-4",
                   worst < AGREES),
            Result(f"{preset}: against a tolerance of 1e-9", error, "", "below 1e-4",
                   error < AGREES),
            Result(f"{preset}: tolerance halved moves", moved, "", "below 1e-4", moved < AGREES),
        ]  # fmt: skip
    results += [
        Result("first run after installation (compiles)", first_call_s(False), "s"),
        Result("first run of a later process (from the cache)", first_call_s(True), "s"),
    ]
    return {"name": "ten minutes of the sampled loop at 0.1 s", "results": results}
