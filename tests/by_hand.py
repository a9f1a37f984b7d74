"""Small results made by hand on the ideal plant V dp/dt = Q - S n p, for tests of pictures."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np

from chamberctl.figures import LoopCurve, ResponseCurve

MBAR = 100.0
MBAR_L_S = 0.1


def ideal_study(**controller: Any) -> Any:
    """Return what pictures read of a study: 100 L/s, 10 to 50 Hz, holds at 5 mbar."""
    gauge = SimpleNamespace(tag="PT-1", range_low_pa=0.1 * MBAR, range_high_pa=10 * MBAR)
    drive = SimpleNamespace(
        minimum_speed=0.2,
        maximum_speed=1.0,
        avoid_bands=((0.60, 0.66),),
        rated_hz=50.0,
        rated_rpm=None,
    )
    holds = (SimpleNamespace(setpoint_pa=5 * MBAR, gas_loads_pa_m3_s=()),)
    return SimpleNamespace(
        system=SimpleNamespace(gauges=(gauge,), drive=drive),
        duty=SimpleNamespace(holds=holds),
        controller=SimpleNamespace(gauge="PT-1", reading_unit="mbar", **controller),
    )


def ideal_window(gas_factor: float = 1.0, conductance_m3_s: float = np.inf) -> Any:
    """Return the ideal plant's operating window at 60, 120 and 250 mbar L/s."""
    speeds = np.linspace(0.05, 1.0, 60)
    loads = np.array([60.0, 120.0, 250.0]) * MBAR_L_S
    inlet = loads[:, None] / (0.1 * speeds)
    true = inlet + loads[:, None] / conductance_m3_s
    alpha = inlet / true
    return SimpleNamespace(
        speeds=speeds,
        gas_loads_pa_m3_s=loads,
        pressure_pa=true,
        indicated_pa=true / gas_factor,
        authority_chamber=alpha,
        authority_gauge=np.ones_like(alpha),
        feasible=np.ones_like(true, dtype=bool),
        controllable=np.ones_like(true, dtype=bool),
        floor_pa=0.0,
        extrapolated=np.broadcast_to(speeds < 0.12, true.shape),
        lowest_indicated_pa=loads / 0.1 / gas_factor,
        highest_indicated_pa=loads / 0.02 / gas_factor,
        duty_points=tuple(ideal_point(load, gas_factor) for load in loads),
    )


def ideal_point(gas_load_pa_m3_s: float, gas_factor: float = 1.0) -> Any:
    """Return the operating point at 5 mbar indicated."""
    speed = gas_load_pa_m3_s / (0.1 * 5 * MBAR * gas_factor)
    return SimpleNamespace(
        feasible=bool(0.2 <= speed <= 1.0),
        below_floor=False,
        speed=speed,
        indicated_pa=5 * MBAR,
        pressure_pa=5 * MBAR * gas_factor,
        gas_load_pa_m3_s=gas_load_pa_m3_s,
        authority_chamber=1.0,
        authority_gauge=1.0,
    )


def delay_loops() -> list[LoopCurve]:
    """Return PI loops around lags of 20 s and 2 s with 3 s dead time, gains 1, 1.5 and 2.5."""
    omega = np.geomspace(1e-3, np.pi, 400)
    s = 1j * omega
    base = (1 + 1 / (20 * s)) * np.exp(-3 * s) / ((20 * s + 1) * (2 * s + 1))
    return [LoopCurve(str(i), omega, k * base) for i, k in enumerate((1.0, 1.5, 2.5), start=1)]


def answers(height: float) -> list[ResponseCurve]:
    """Return three decaying swings toward a height [%]."""
    time = np.linspace(0, 120, 300)
    return [
        ResponseCurve(
            str(i),
            time,
            height * (1 - np.exp(-time / tau) * np.cos(time / 9)),
            -height / 4 * np.exp(-time / tau),
        )
        for i, tau in enumerate((8.0, 12.0, 25.0), start=1)
    ]


def hangs_on(*, has_margins: bool = True) -> Any:
    """Return influences with a lost point, an unstable loop, an outlier and an undecided case."""

    def effect(lowest: float, highest: float, authority: float, ms: float, *lost: int) -> Any:
        state = SimpleNamespace(lowest_authority=authority, worst_ms=ms)
        return SimpleNamespace(lowest_change=lowest, highest_change=highest, state=state, lost=lost)

    def row(name: str, tolerance: float, weight: float, *effects: Any) -> Any:
        return SimpleNamespace(name=name, tolerance=tolerance, weight=weight, effects=effects)

    rows = (
        row("pump: displacement", 0.5, np.inf, effect(0.1, 2.1, 0.9, 1.7, 1),
            effect(-0.1, -0.05, 1.0, np.inf, 3)),
        row("line: diameter", 0.02, 0.1, effect(0.05, 0.1, 0.8, 1.6),
            effect(-0.05, -0.1, 1.0, 1.5)),
        row("slip decided the other way, with a name that is long enough for two lines", np.nan,
            0.05, effect(0.0, 0.05, 0.95, 1.65)),
    )  # fmt: skip
    nominal = SimpleNamespace(lowest_authority=0.9, worst_ms=1.55)
    return SimpleNamespace(rows=rows, nominal=nominal, has_margins=has_margins)
