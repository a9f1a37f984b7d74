"""What an engineer should know about an operating point, in plain words."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from chamberctl.findings import Finding, gravest_first
from chamberctl.plant.point import (
    LITTLE_AUTHORITY,
    STALLING_AUTHORITY,
    OperatingPoint,
    percent_text,
    pressure_text,
)
from chamberctl.plant.pump_data import outside_text
from chamberctl.plant.survey import OVERFLOW_VALVE, TORQUE_LIMIT

if TYPE_CHECKING:
    from chamberctl.study import System

NOTABLE_OFFSET = 0.01
"""A gauge offset above this share of chamber pressure is mentioned (assumed: gauges resolve it)."""


ROUNDING_PER_S = 1e-9
"""A slew rate below this share of the pressure per second is rounding, not motion [1/s]."""


def point_findings(point: OperatingPoint, system: System) -> tuple[Finding, ...]:
    """List the findings of one feasible operating point.

    Parameters
    ----------
    point : OperatingPoint
        The point; its own findings are not read.
    system : study.System
        The system.

    Returns
    -------
    tuple of Finding
        Most severe first.
    """
    findings = [
        *_authority(point),
        *_booster(point, system),
        *_one_sided(point),
        *_gauge(point),
        *_regime(point),
        *_bands(point, system),
    ]
    return gravest_first(findings)


def _authority(point: OperatingPoint) -> list[Finding]:
    if point.limited_by:
        holder = {
            OVERFLOW_VALVE: "booster's overflow valve is open",
            TORQUE_LIMIT: "booster's drive is at its torque limit",
        }[point.limited_by]
        return [
            Finding(
                "no",
                f"booster {point.limited_by}",
                f"The {holder} here: that holds the booster's pressure difference, speed no longer "
                "acts (authority 0), and no margins are given. The model is not overload "
                "protection.",
            )
        ]
    authority = point.authority_chamber
    if authority < LITTLE_AUTHORITY:
        return [
            Finding(
                "caution",
                "speed has little effect",
                f"Speed authority is {authority:.2f}: ten percent more speed moves the pressure by "
                f"only {10.0 * authority:.1f} %. Speed is the wrong handle here; a wider or "
                "shorter line, a throttle or a bleed of approved inert gas would act, a larger "
                "pump behind the same line would not.",
            )
        ]
    if authority > STALLING_AUTHORITY:
        return [
            Finding(
                "caution",
                "near stall",
                f"Speed authority is {authority:.2f}: slip eats the displacement, and the loop "
                "gain rises steeply as speed falls. A little less speed loses the pressure.",
            )
        ]
    return []


def _booster(point: OperatingPoint, system: System) -> list[Finding]:
    if system.booster is None or math.isnan(point.booster_difference_pa):
        return []
    limit = system.booster.difference_limit_pa
    if limit is None or point.booster_difference_pa <= limit:
        return []
    return [
        Finding(
            "no",
            "booster difference",
            f"The booster's pressure difference is {pressure_text(point.booster_difference_pa)}, "
            f"above its stated limit of {pressure_text(limit)}: inlet "
            f"{pressure_text(point.node_pressures_pa[-2])}, fore pressure "
            f"{pressure_text(point.node_pressures_pa[-1])}. Slow the booster, or use a larger "
            "backing pump. The model is not overload protection.",
        )
    ]


def _one_sided(point: OperatingPoint) -> list[Finding]:
    findings = []
    nothing = ROUNDING_PER_S * point.pressure_pa
    if point.slew_up_pa_s <= nothing:
        findings.append(
            Finding(
                "caution",
                "cannot rise",
                "Even at minimum speed the pressure cannot rise from here: gas alone lifts it, and "
                "there is not enough. An undershoot stays; no gain helps.",
            )
        )
    if point.slew_down_pa_s <= nothing:
        findings.append(
            Finding(
                "caution",
                "cannot fall",
                "Even at maximum speed the pressure cannot fall from here: there is no reserve "
                "against more gas.",
            )
        )
    return findings


def _gauge(point: OperatingPoint) -> list[Finding]:
    if abs(point.gauge_offset_pa) <= NOTABLE_OFFSET * point.pressure_pa:
        return []
    return [
        Finding(
            "note",
            "gauge position",
            f"The gauge stands where the pressure is "
            f"{pressure_text(abs(point.gauge_offset_pa))} "
            f"{'lower' if point.gauge_offset_pa < 0.0 else 'higher'} than in the chamber.",
        )
    ]


def _regime(point: OperatingPoint) -> list[Finding]:
    return [
        Finding(
            "caution" if regime == "choked" else "note",
            "flow regime",
            f"Flow in {name} is {regime}."
            + (" Pumping harder does not draw more gas through it." if regime == "choked" else ""),
        )
        for name, regime in point.regimes
    ]


def _bands(point: OperatingPoint, system: System) -> list[Finding]:
    findings = [
        Finding(
            "caution",
            "speed to avoid",
            f"The steady speed of {percent_text(point.speed)} lies in a band to avoid "
            f"({percent_text(low)} to {percent_text(high)}): the loop would hunt between its "
            "edges.",
        )
        for low, high in system.drive.avoid_bands
        if low < point.speed < high
    ]
    if point.extrapolated:
        text = outside_text(system, point.node_pressures_pa[-1], point.backing_speed)
        findings.append(Finding("caution", "extrapolated", text))
    return findings
