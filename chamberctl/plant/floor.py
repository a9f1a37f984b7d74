"""The lowest pressure that the user knows to be controllable on the plant, whatever the model says.

Choked vapor paths, ice on a condenser or wet goods can make speed irrelevant below a pressure that
no pump data show. Where the duty states that pressure, the window ends there, and duty points below
it are refused with the numbers that the model has for them.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from chamberctl.cautions import GAS_ADVICE
from chamberctl.errors import Infeasible
from chamberctl.findings import Finding
from chamberctl.plant.operating import operating_point
from chamberctl.plant.point import OperatingPoint, pressure_text, throughput_text

if TYPE_CHECKING:
    from chamberctl.study import Study

Array = NDArray[np.float64]

SUBJECT = "minimum controllable pressure"
"""Subject of all findings about it."""

_EDGE = 1e-9
"""A pressure this much (relative) below the floor still lies on it, by rounding."""


def floor_pa(study: Study) -> float:
    """Return the duty's minimum controllable pressure [Pa]; 0 where none is stated."""
    return study.duty.minimum_controllable_pressure_pa or 0.0


def controllable(pressure_pa: Any, floor: float) -> Any:
    """Say which chamber pressures are not below the floor; NaN is none.

    Parameters
    ----------
    pressure_pa : float or array
        True chamber pressure [Pa].
    floor : float
        Minimum controllable pressure [Pa]; 0 for none.
    """
    return np.asarray(pressure_pa) >= floor * (1.0 - _EDGE)


def above_floor(lowest_pa: Array, highest_pa: Array, floor: float) -> tuple[Array, Array]:
    """Cut the ends of a window off at the floor.

    Parameters
    ----------
    lowest_pa, highest_pa : array
        True chamber pressures at maximum and at minimum speed [Pa]; NaN: no steady state.
    floor : float
        Minimum controllable pressure [Pa]; 0 for none.

    Returns
    -------
    tuple of array
        Both ends; NaN where all of the window lies below the floor.
    """
    # minimum speed without a steady state reaches up to atmosphere: that is not below the floor
    lost = ~np.isnan(highest_pa) & ~controllable(highest_pa, floor)
    return (
        np.where(lost, np.nan, np.maximum(lowest_pa, floor)),
        np.where(lost, np.nan, highest_pa),
    )


def refused_below(study: Study, points: Sequence[OperatingPoint]) -> tuple[OperatingPoint, ...]:
    """Refuse the points whose chamber pressure lies below the duty's floor.

    Parameters
    ----------
    study : Study
        The study.
    points : sequence of OperatingPoint
        Its duty points as the model has them.

    Returns
    -------
    tuple of OperatingPoint
        The points; a refused one is not feasible, says why and what is nearest, and keeps the
        numbers of the model.
    """
    floor = floor_pa(study)
    return tuple(
        _refused(study, point, floor)
        if point.feasible and not controllable(point.pressure_pa, floor)
        else point
        for point in points
    )


def _refused(study: Study, point: OperatingPoint, floor: float) -> OperatingPoint:
    reason = (
        f"{pressure_text(point.pressure_pa)} in the chamber lies below the minimum controllable "
        f"pressure of {pressure_text(floor)} that the duty states{known_from(study)}; that the "
        "model has a steady state there does not count."
    )
    nearest = _nearest(study, point, floor)
    finding = Finding("no", SUBJECT, f"{reason} {nearest}")
    return replace(
        point,
        feasible=False,
        below_floor=True,
        reason=reason,
        nearest=nearest,
        findings=(finding,),
    )


def known_from(study: Study) -> str:
    """Return how the floor is known, in parentheses, such as " (tried in May)"; "" if not said."""
    reason = study.duty.minimum_controllable_reason
    return f" ({reason})" if reason else ""


def _nearest(study: Study, point: OperatingPoint, floor: float) -> str:
    """Say which setpoint brings the chamber to the floor at the point's gas load."""
    gas = throughput_text(point.gas_load_pa_m3_s)
    try:
        at_floor = operating_point(
            study.system,
            pressure_pa=floor,
            gas_load_pa_m3_s=point.gas_load_pa_m3_s,
            gauge=study.loop_gauge(),
        )
    except Infeasible:
        return (
            f"Nearest: none at a gas load of {gas}: even minimum speed holds the chamber below the "
            f"minimum controllable pressure. More gas lifts it. {GAS_ADVICE}"
        )
    return (
        f"Nearest: a setpoint of {pressure_text(at_floor.indicated_pa)} at this gas load, which is "
        f"{pressure_text(floor)} in the chamber; or find out by a test whether it can go lower."
    )


def floor_findings(
    study: Study, loads_pa_m3_s: Array, lowest_pa: Array, highest_pa: Array
) -> Iterator[Finding]:
    """Yield what the floor does to the window.

    Parameters
    ----------
    study : Study
        The study.
    loads_pa_m3_s : array, shape (Q,)
        Gas loads [Pa m3/s].
    lowest_pa, highest_pa : array, shape (Q,)
        True chamber pressures at maximum and at minimum speed, as the model has them [Pa].
    """
    floor = floor_pa(study)
    if not floor:
        return
    stated = f"The duty states that pressures below {pressure_text(floor)} cannot be controlled"
    known = known_from(study) or ", but not how that is known (minimum_controllable_reason)"
    lost = ~controllable(highest_pa, floor) & ~np.isnan(highest_pa)
    for load in loads_pa_m3_s[lost]:
        yield Finding(
            "no",
            SUBJECT,
            f"{stated}{known}. At a gas load of {throughput_text(float(load))} even minimum speed "
            "holds the chamber below that: nothing of the window is left there.",
        )
    cut = ~controllable(lowest_pa, floor) & ~np.isnan(lowest_pa) & ~lost
    if np.any(cut):
        deepest = pressure_text(float(np.min(lowest_pa[cut])))
        yield Finding(
            "note",
            SUBJECT,
            f"{stated}{known}. The window ends there at {int(np.sum(cut))} of {lowest_pa.size} gas "
            f"loads, although by the model the pumps would go down to {deepest}.",
        )
    elif not np.any(lost):
        yield Finding(
            "note",
            SUBJECT,
            f"{stated}{known}. The whole window lies above; it does not matter here.",
        )
