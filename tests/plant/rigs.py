"""Plants with one part more, and what the tests of parts ask of a plant."""

from __future__ import annotations

from typing import Any

from chamberctl.plant.chain import build_chain
from chamberctl.plant.operating import OperatingPoint, operating_point
from chamberctl.plant.steady import steady_pressures
from chamberctl.study import Gauge, System
from tests.plant.plants import plant

ELBOW = {"kind": "elbow", "diameter_m": 0.05, "leg_m": 0.1}

BOOSTED = {
    "backing": {"displacement_m3_s": 0.1},
    "speed_map": {"output": (0.0, 1.0), "booster": (0.0, 1.0), "backing": (1.0, 1.0)},
}
GAPS = {"swept_speed_m3_s": 0.5, "gap_conductance_m3_s": 0.0166}


def boosted(booster: dict[str, Any] = GAPS, **changes: Any) -> System:
    """An ideal backing pump at rated speed behind a booster that follows the output."""
    return plant(**(BOOSTED | {"booster": booster} | changes))


def chamber(system: System, speed: Any, load_: Any, node: int = 0) -> Any:
    """Pressure at rest [Pa]."""
    return steady_pressures(build_chain(system), speed, load_)[node]


def authority(system: System, speed: float, load_: float) -> tuple[float, OperatingPoint]:
    """Speed authority at the chamber, and the operating point."""
    point = operating_point(system, speed=speed, gas_load_pa_m3_s=load_)
    return point.authority_chamber, point


def gauge_at(position: str, **changes: Any) -> Gauge:
    """The reference plant's gauge at another place."""
    return plant().gauges[0].model_copy(update={"position": position, **changes})
