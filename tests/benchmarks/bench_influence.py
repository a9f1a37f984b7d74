"""How long it takes to move every uncertain input of a preset, and to judge speed as a handle."""

from __future__ import annotations

import time
from typing import Any

from chamberctl.control.influence import influences
from chamberctl.control.tuning import rule_tuning
from chamberctl.plant.handle import handle_verdict
from chamberctl.plant.window import duty_points
from chamberctl.study import load, presets
from tests.benchmarks import Result

LIMIT_S = 3.0
RUNS = 3


def run() -> dict[str, Any]:
    """Time both on every preset; the tuning and the duty points are known.

    Returns
    -------
    dict
        Name and results; the shortest of a few runs counts, because other work only adds.
    """
    results = []
    for name in presets():
        study = load(f"preset:{name}")
        tuning, points = rule_tuning(study), duty_points(study)
        shortest: dict[str, float] = {}
        for _ in range(RUNS):
            start = time.perf_counter()
            found = influences(study, tuning, points)
            between = time.perf_counter()
            handle_verdict(study, points)
            taken = {"influences": between - start, "handle": time.perf_counter() - between}
            shortest = {key: min(value, shortest.get(key, value)) for key, value in taken.items()}
        for key, what in (
            ("influences", f"{len(found.rows)} inputs at {len(points)} points"),
            ("handle", "verdict and alternatives"),
        ):
            target = f"below {LIMIT_S:g} s"
            quantity = f"{name}: {what}"
            value = shortest[key]
            results.append(Result(quantity, value, "s", target, value < LIMIT_S))
    return {"name": "influences and the verdict on speed", "results": results}
