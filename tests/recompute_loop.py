"""Recompute every margin in a loop.json with numpy and scipy alone; chamberctl is not used.

    python tests/recompute_loop.py FOLDER/loop.json

prints the file's numbers beside the recomputed ones and ends with 1 if any differs. The equations
are those of the file's "law": L(z) = -K(z) G(z), the plant behind a zero-order hold with its exact
dead time. Stability comes from the eigenvalues of the closed loop.
"""

from __future__ import annotations

import json
import math
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
from scipy.linalg import expm
from scipy.optimize import brentq, minimize_scalar

TOLERANCE = 1e-4
POINTS = 4000

Matrix = np.ndarray


def held(a: Matrix, b: Matrix, time: float) -> tuple[Matrix, Matrix]:
    """exp(A time), and the integral of exp(A t) B over that time."""
    n = len(a)
    block = np.zeros((n + 1, n + 1))
    block[:n, :n], block[:n, n:] = a, b
    block = expm(block * time)
    return block[:n, :n], block[:n, n:]


class Loop:
    """One point of the file as a sampled loop."""

    def __init__(self, document: dict[str, Any], point: dict[str, Any]) -> None:
        self.ts = float(document["scan_time_s"])
        self.settings = point.get("settings", document["settings"])
        a, b, c, d = (np.array(point[name], dtype=float) for name in "ABCD")
        scans = math.floor(point["dead_time_s"] / self.ts)
        rest = point["dead_time_s"] - scans * self.ts
        self.c, self.d, self.scans = c, float(d[0, 0]), scans
        self.whole, _ = held(a, b, self.ts)
        later, self.new = held(a, b, self.ts - rest)
        self.old = later @ held(a, b, rest)[1]

    def plant(self, z: Matrix) -> Matrix:
        z = z[:, None, None]
        x = np.linalg.solve(z * np.eye(len(self.whole)) - self.whole, self.new + self.old / z)
        # the output acts after its scan: what answers at once shows in the next reading
        return ((self.c @ x + self.d / z) * z**-self.scans)[:, 0, 0]

    def controller(self, z: Matrix) -> Matrix:
        s, ts = self.settings, self.ts
        integral = np.zeros_like(z)
        if s["Ti_s"] is not None:
            integral = ts / s["Ti_s"] * (z if s["integral"] == "before" else 1.0) / (z - 1.0)
        ad = ts / (s["Tfd_s"] + ts)
        derivative = s["Td_s"] / ts * ad * (z - 1.0) / (z - 1.0 + ad)
        af = ts / (s["Tf_s"] + ts)
        return s["Kc"] * (1.0 + integral + derivative) * af * z / (z - 1.0 + af)

    def sweep(self, omega: Matrix) -> Matrix:
        """L at many frequencies [rad/s]."""
        z = np.exp(1j * omega * self.ts)
        return -self.controller(z) * self.plant(z)

    def open(self, omega: float) -> complex:
        """L at a frequency [rad/s]."""
        return complex(self.sweep(np.array([omega]))[0])

    def closed(self) -> Matrix:
        """One scan of the closed loop: plant, late outputs, filter, derivative, integral.

        Built by running the law on unit vectors, scan by scan, as its text says.
        """
        n, late = len(self.whole), self.scans + 1
        size = n + late + 3
        step = np.zeros((size, size))
        for i in range(size):
            state = np.zeros(size)
            state[i] = 1.0
            step[:, i] = self._scan(state, n, late)
        return step

    def _scan(self, state: Matrix, n: int, late: int) -> Matrix:
        s, ts = self.settings, self.ts
        x, waiting = state[:n], state[n : n + late]
        filtered, d, integral = state[n + late :]
        y = float((self.c @ x)[0]) + self.d * waiting[self.scans]
        share = 1.0 if s["Ti_s"] is None else ts / s["Ti_s"]
        ki = 0.0 if s["Ti_s"] is None else s["Kc"] * share
        yf = filtered + (y - filtered) * ts / (s["Tf_s"] + ts)
        d = d + (s["Kc"] * s["Td_s"] * (yf - filtered) / ts - d) * ts / (s["Tfd_s"] + ts)
        if s["integral"] == "before":
            integral = integral + ki * yf
        u = s["Kc"] * yf + integral + d
        if s["integral"] == "after":
            integral = integral + ki * yf
        queue = np.concatenate([[u], waiting])  # newest first
        x = self.whole @ x + self.new[:, 0] * queue[self.scans] + self.old[:, 0] * queue[-1]
        return np.concatenate([x, queue[:late], [yf, d, integral]])


def margins(loop: Loop) -> dict[str, Any]:
    """All margins of one loop; None where a margin does not exist."""
    spectrum = np.abs(np.linalg.eigvals(loop.closed()))
    if np.max(spectrum) >= 1.0:
        names = ("gain_margin", "gain_margin_low", "phase_margin_deg", "delay_margin_s")
        names += ("ms", "mt", "disk_margin", "crossover_rad_s")
        return {"stable": False, **dict.fromkeys(names)}
    omega = np.geomspace(1e-6, 1.0, POINTS) * np.pi / loop.ts
    value = loop.sweep(omega)
    crossings = roots(loop, lambda v: math.log(abs(v)), omega, np.log(np.abs(value)))
    turns = [(float(np.angle(-loop.open(w))), w) for w in crossings]
    phase = min(((abs(angle), w) for angle, w in turns), default=(None, None))
    sides = roots(loop, lambda v: v.imag, omega[:-1], value[:-1].imag)
    factors = [-1.0 / v.real for v in (loop.open(w) for w in (*sides, omega[-1])) if v.real < 0]
    peak = {
        "ms": highest(loop, lambda v: abs(1 / (1 + v)), omega, value),
        "mt": highest(loop, lambda v: abs(v / (1 + v)), omega, value),
        "disk": highest(loop, lambda v: abs(1 / (1 + v) - 0.5), omega, value),
    }
    return {
        "stable": True,
        "gain_margin": min((f for f in factors if f > 1), default=None),
        "gain_margin_low": max((f for f in factors if f <= 1), default=0.0),
        "phase_margin_deg": None if phase[0] is None else math.degrees(phase[0]),
        "delay_margin_s": min((angle % (2 * math.pi) / w for angle, w in turns), default=None),
        "ms": peak["ms"],
        "mt": peak["mt"],
        "disk_margin": 1.0 / peak["disk"],
        "crossover_rad_s": phase[1],
    }


Measure = Callable[[complex], float]


def roots(loop: Loop, measure: Measure, omega: Matrix, level: Matrix) -> list[float]:
    found = []
    for i in np.flatnonzero(np.sign(level[1:]) != np.sign(level[:-1])):
        found.append(brentq(lambda w: measure(loop.open(w)), omega[i], omega[i + 1], xtol=1e-14))
    return found


def highest(loop: Loop, measure: Measure, omega: Matrix, value: Matrix) -> float:
    height = np.array([measure(v) for v in value])
    best = float(np.max(height))
    for i in np.flatnonzero((height[1:-1] >= height[:-2]) & (height[1:-1] >= height[2:])) + 1:
        if height[i] > 0.9 * best:
            peak = minimize_scalar(
                lambda w: -measure(loop.open(w)),
                bounds=(omega[i - 1], omega[i + 1]),
                method="bounded",
                options={"xatol": 1e-10 * omega[i]},
            )
            best = max(best, -float(peak.fun))
    return best


def compare(document: dict[str, Any]) -> list[tuple[str, str, Any, Any, bool]]:
    """Every margin of the file: point, name, number in the file, recomputed, whether they agree."""
    lines = []
    for point in document["points"]:
        found = margins(Loop(document, point))
        for name, given in point["margins"].items():
            mine = found[name]
            if given is None or mine is None or isinstance(given, bool):
                good = given == mine
            else:
                good = abs(mine - given) <= TOLERANCE * max(abs(given), 1e-12)
            lines.append((point["where"], name, given, mine, good))
    return lines


def main(arguments: list[str]) -> int:
    document = json.loads(Path(arguments[0]).read_text(encoding="utf-8"))
    lines = compare(document)
    for where, name, given, mine, good in lines:
        print(
            f"{'' if good else 'DIFFERS '}{where}: {name}: {given} in the file, {mine} recomputed"
        )
    return 0 if all(line[-1] for line in lines) else 1


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
