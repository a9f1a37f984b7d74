"""Looking for jumps of value or slope along a pressure, and reaching every part of a chain."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from scipy.ndimage import maximum_filter1d

from chamberctl.plant.chain import Chain
from chamberctl.plant.equations import BOOSTER, BOOSTER_TABLE, CONDUCTANCE, PASSAGE

#: Twelve decades of pressure [Pa].
LOWEST, HIGHEST = 1e-7, 1e5
STEP = 1e-30
GRID = 6001
LINE_KINDS = (PASSAGE, CONDUCTANCE)
BOOSTER_KINDS = (BOOSTER, BOOSTER_TABLE)

Function = Callable[[Any], Any]


def by_log_pressure(function: Function, pressure: Any) -> Any:
    """dq/d ln p by complex step [Pa m3/s]."""
    return np.imag(function(pressure * (1.0 + 1j * STEP))) / STEP


def jump(function: Function, low: float = LOWEST, high: float = HIGHEST) -> float:
    """Largest change over a vanishing step of ln p, relative to the sizes within half a decade.

    A grid finds where the function bends most; that place is divided again and again. Where nothing
    jumps the change vanishes with the step.
    """
    grid = np.linspace(np.log(low), np.log(high), GRID)
    values = np.asarray(function(np.exp(grid)), dtype=float)
    size = maximum_filter1d(np.abs(values), GRID // 24) + 1e-300
    bend = np.abs(np.diff(values, 2)) / size[1:-1]
    worst = int(np.argmax(bend))
    left, right, change = grid[worst], grid[worst + 2], 0.0
    for _ in range(8):
        fine = np.linspace(left, right, 21)
        steps = np.abs(np.diff(np.asarray(function(np.exp(fine)), dtype=float)))
        found = int(np.argmax(steps))
        left, right, change = fine[found], fine[found + 1], float(steps[found] / size[worst])
    return change


def element_functions(
    chain: Chain, element: int, inlet: float, outlet: float, speed: float
) -> tuple[Function, Function]:
    """Throughput of one element over its inlet and over its outlet pressure."""
    return (
        lambda p: chain.throughput(element, p, outlet, speed),
        lambda p: chain.throughput(element, inlet, p, speed),
    )
