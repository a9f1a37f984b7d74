"""Small plants that the plant tests share, SI values."""

from __future__ import annotations

from typing import Any

from chamberctl.study.system import System

GAUGE = {
    "tag": "PT-1",
    "kind": "capacitance",
    "position": "chamber",
    "range_low_pa": 1e-3,
    "range_high_pa": 1.1e5,
    "signal": "log",
    "fails_to": "zero",
}


def plant(**changes: Any) -> System:
    """The reference plant: 500 L, ideal pump of 100 L/s, 20 to 100 % speed, 1 s dead time."""
    described: dict[str, Any] = {
        "gas": {"name": "N2"},
        "chamber": {"volume_m3": 0.5},
        "backing": {"displacement_m3_s": 0.1},
        "speed_map": {"output": (0.0, 1.0), "backing": (0.0, 1.0)},
        "drive": {
            "rated_hz": 50.0,
            "minimum_speed": 0.2,
            "minimum_reason": "as the pump's data sheet has it",
            "rise_time_s": 30.0,
            "fall_time_s": 30.0,
            "dead_time_s": 1.0,
        },
        "gauges": (GAUGE,),
    }
    described.update(changes)
    return System.model_validate(described)


def conductance(conductance_m3_s: float, volume_m3: float = 0.0) -> dict[str, Any]:
    """A line of fixed conductance."""
    return {
        "kind": "conductance",
        "conductance_m3_s": conductance_m3_s,
        "volume_m3": volume_m3,
    }


def booster_plant(**changes: Any) -> System:
    """Chamber, long tube, leaky booster and multi-stage pump; drive and gauge with lags."""
    described: dict[str, Any] = {
        "gas": {"name": "Ar"},
        "chamber": {
            "volume_m3": 1.0,
            "hot_zones": ({"volume_m3": 0.6, "temperature_k": 900.0},),
        },
        "line": ({"kind": "tube", "diameter_m": 0.16, "length_m": 12.0, "temperature_k": 333.15},),
        "booster": {
            "swept_speed_m3_s": 0.55,
            "gap_conductance_m3_s": 0.015,
            "gap_conductance_per_pressure_m3_s_pa": 1e-5,
            "carry_back_speed_m3_s": 0.005,
            "inlet_volume_m3": 0.02,
        },
        "backing": {
            "displacement_m3_s": 0.17,
            "ultimate_pressure_pa": 2.0,
            "slip_exponent": 2.0,
            "inlet_volume_m3": 0.03,
        },
        "speed_map": {"output": (0.0, 1.0), "booster": (0.0, 1.0), "backing": (0.0, 1.0)},
        "drive": {
            "rated_hz": 50.0,
            "minimum_speed": 0.25,
            "minimum_reason": "as the pump's data sheet has it",
            "rise_time_s": 30.0,
            "fall_time_s": 40.0,
            "dead_time_s": 0.5,
            "lag_s": 0.5,
        },
        "gauges": (GAUGE | {"lag_s": 0.1},),
    }
    described.update(changes)
    return plant(**described)
