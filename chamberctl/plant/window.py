"""The operating window: which pressures speed can hold at all, at each gas load."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from chamberctl.errors import InputError
from chamberctl.findings import Finding
from chamberctl.physics.constants import LOWEST_PRESSURE_PA
from chamberctl.plant.chain import Chain, build_chain, gauge_node
from chamberctl.plant.floor import (
    above_floor,
    controllable,
    floor_findings,
    floor_pa,
    refused_below,
)
from chamberctl.plant.gauge import expected_gas_factor, reading, true_pressure
from chamberctl.plant.operating import operating_points
from chamberctl.plant.point import (
    LITTLE_AUTHORITY,
    OperatingPoint,
    percent_text,
    pressure_text,
    throughput_text,
)
from chamberctl.plant.steady import speed_for_pressure, steady_pressures
from chamberctl.plant.survey import Survey, survey
from chamberctl.study.flowing import system_gas

if TYPE_CHECKING:
    from chamberctl.study import Gauge, Study, System

Array = NDArray[np.float64]

LIKE_NITROGEN = 0.05
"""A gas factor this near to 1 is within what typical factors are known to."""


@dataclass(frozen=True)
class OperatingWindow:
    """Steady states over speed and gas load, and the duty within them.

    Arrays have shape (Q, S), gas loads by speeds; NaN where there is no steady state. Names and
    units as in `OperatingPoint`.

    Parameters
    ----------
    title : str
        Title of the study.
    speeds : array, shape (S,)
        Controller outputs within the drive's range [-].
    gas_loads_pa_m3_s : array, shape (Q,)
        Gas loads of the duty, at T_ref [Pa m3/s].
    floor_pa : float
        Minimum controllable pressure in the chamber that the duty states [Pa]; 0: none.
    controllable : bool array, shape (Q, S)
        Steady states that are not below the floor.
    lowest_pa, highest_pa : array, shape (Q,)
        Lowest and highest chamber pressure that can be held: at maximum speed, or the floor where
        that is higher, and at minimum speed [Pa].
    lowest_indicated_pa, highest_indicated_pa : array, shape (Q,)
        The same as readings of the loop's gauge [Pa].
    regime : str array, shape (Q, S)
        Regimes of all tubes and orifices, joined by "; ".
    duty_points : tuple of OperatingPoint
        Every setpoint at each of its gas loads; those that do not exist are kept and say why.
    findings : tuple of Finding
        What an engineer should know about the window.
    """

    title: str
    speeds: Array
    gas_loads_pa_m3_s: Array
    feasible: NDArray[np.bool_]
    extrapolated: NDArray[np.bool_]
    limited_by: NDArray[Any]
    pressure_pa: Array
    indicated_pa: Array
    authority_chamber: Array
    authority_gauge: Array
    gain_decades_per_fraction: Array
    gain_pa_per_fraction: Array
    time_constant_s: Array
    slew_down_pa_s: Array
    slew_up_pa_s: Array
    gauge_offset_pa: Array
    booster_ratio: Array
    booster_difference_pa: Array
    effective_speed_m3_s: Array
    regime: NDArray[Any]
    floor_pa: float
    controllable: NDArray[np.bool_]
    lowest_pa: Array
    highest_pa: Array
    lowest_indicated_pa: Array
    highest_indicated_pa: Array
    duty_points: tuple[OperatingPoint, ...]
    findings: tuple[Finding, ...]


def operating_window(
    study: Study, *, n_speeds: int = 41, n_loads: int | None = None
) -> OperatingWindow:
    """Find the reachable pressures over the drive's speed range and the duty's gas loads.

    Parameters
    ----------
    study : Study
        System, duty and controller.
    n_speeds : int
        Number of speeds, evenly spread in ln n.
    n_loads : int, optional
        Number of gas loads, evenly spread in ln q over the duty's range; the duty's own loads if
        not given.

    Returns
    -------
    OperatingWindow
        Arrays over gas load and speed, the duty points and findings.
    """
    system = study.system
    gauge = loop_gauge(study)
    chain = build_chain(system)
    drive = system.drive
    speeds = np.geomspace(drive.minimum_speed, drive.maximum_speed, n_speeds)
    speeds[[0, -1]] = drive.minimum_speed, drive.maximum_speed
    loads = _loads(study, n_loads)
    grid_loads, grid_speeds = (part.ravel() for part in np.meshgrid(loads, speeds, indexing="ij"))
    found = survey(chain, system, gauge, grid_speeds, grid_loads)
    shape = (loads.size, speeds.size)
    arrays = {
        name: np.asarray(getattr(found, name)).reshape(shape)
        for name in OperatingWindow.__dataclass_fields__
        if name in Survey.__dataclass_fields__
    }
    points = duty_points(study)
    floor = floor_pa(study)
    arrays["controllable"] = arrays["feasible"] & controllable(arrays["pressure_pa"], floor)
    fastest, slowest = (found.pressures_pa.reshape(chain.size, *shape)[..., i] for i in (-1, 0))
    cut_off = floor_findings(study, loads, fastest[0], slowest[0])
    findings = (*_window_findings(arrays, loads, system, gauge, points), *cut_off)
    lowest, highest = above_floor(fastest[0], slowest[0], floor)
    fastest = _at_floor(study, chain, loads, fastest)
    node = gauge_node(chain, gauge)
    lost = np.isnan(lowest)
    return OperatingWindow(
        title=study.title,
        speeds=speeds,
        gas_loads_pa_m3_s=loads,
        regime=_joined_regimes(found, shape),
        floor_pa=floor,
        lowest_pa=lowest,
        highest_pa=highest,
        lowest_indicated_pa=np.where(lost, np.nan, reading(system, gauge, fastest[node])),
        highest_indicated_pa=np.where(lost, np.nan, reading(system, gauge, slowest[node])),
        duty_points=points,
        findings=findings,
        **arrays,
    )


def loop_gauge(study: Study) -> Gauge:
    """The gauge that the controller reads."""
    return next(gauge for gauge in study.system.gauges if gauge.tag == study.controller.gauge)


def duty_points(study: Study, *, reasons: bool = True) -> tuple[OperatingPoint, ...]:
    """Operating point of every setpoint at each of its gas loads; infeasible ones are kept.

    Parameters
    ----------
    study : Study
        System, duty and controller.
    reasons : bool
        Whether infeasible points say why; to find that out takes longer than all the rest.

    Returns
    -------
    tuple of OperatingPoint
        In the order of `study.duty_points()`.

    Raises
    ------
    InputError
        The true pressure at a setpoint is outside the model.
    """
    _refuse_outside_model(study)
    setpoints, loads, labels = zip(*study.duty_points(), strict=True)
    found = operating_points(
        study.system, setpoints, loads, labels, loop_gauge(study), reasons=reasons
    )
    return refused_below(study, found)


def _refuse_outside_model(study: Study) -> None:
    """Refuse a setpoint that a heated gauge head shows where the true pressure is too low."""
    gauge = loop_gauge(study)
    for number, hold in enumerate(study.duty.holds):
        pressure = float(true_pressure(study.system, gauge, hold.setpoint_pa))
        if pressure < LOWEST_PRESSURE_PA:
            path = f"duty.hold[{number}].setpoint"
            typed = study.provenance.get(path)
            raise InputError(
                f"with the heated head of gauge {gauge.tag} this is a true pressure of "
                f"{pressure_text(pressure)}: outside the model, which holds from "
                f"{pressure_text(LOWEST_PRESSURE_PA)} up and does not describe how gas sticks to "
                "and leaves surfaces; raise the setpoint",
                given=repr(typed.typed) if typed else pressure_text(hold.setpoint_pa),
                field=path,
                file=study.file,
            )


def _at_floor(study: Study, chain: Chain, loads: Array, fastest: Array) -> Array:
    """Node pressures at maximum speed, or at the speed that holds the chamber at the floor."""
    floor, drive = floor_pa(study), study.system.drive
    cut = ~np.isnan(fastest[0]) & ~controllable(fastest[0], floor)
    if not np.any(cut):
        return fastest
    speeds = speed_for_pressure(
        chain, 0, floor, loads[cut], drive.minimum_speed, drive.maximum_speed
    )
    ends, held = fastest.copy(), np.isfinite(speeds)
    ends[:, cut] = np.nan
    ends[:, np.flatnonzero(cut)[held]] = steady_pressures(chain, speeds[held], loads[cut][held])
    return ends


def _loads(study: Study, count: int | None) -> Array:
    loads = np.unique([load for _, load, _ in study.duty_points()])
    if count is None:
        return loads
    return np.geomspace(loads[0], loads[-1], count)


def _joined_regimes(found: Survey, shape: tuple[int, int]) -> NDArray[Any]:
    names = np.array([regime for _, regime in found.regimes], dtype=object)
    if not names.size:
        return np.full(shape, "", dtype=object)
    joined = ["; ".join(column) if column[0] else "" for column in names.T]
    return np.array(joined, dtype=object).reshape(shape)


def _window_findings(
    arrays: dict[str, Any],
    loads: Array,
    system: System,
    gauge: Gauge,
    points: tuple[OperatingPoint, ...],
) -> tuple[Finding, ...]:
    """Findings on the window as a whole; those of single points stay with the points."""
    findings = [
        Finding("no", "duty not reachable", f"{point.where}: {point.reason} {point.nearest}")
        for point in points
        if not point.feasible
    ]
    for row, load in enumerate(loads):
        if not np.any(arrays["feasible"][row]):
            text = f"At a gas load of {throughput_text(load)} no speed gives a steady state."
            findings.append(Finding("no", "no steady state", text))
    usable = arrays["controllable"]
    weak = np.min(arrays["authority_chamber"][usable]) if np.any(usable) else np.nan
    if weak < LITTLE_AUTHORITY:
        findings.append(
            Finding(
                "caution",
                "speed has little effect",
                f"Somewhere in the window speed authority falls to {weak:.2f}: there a wider line, "
                "a throttle or a bleed of approved inert gas acts, a larger pump does not.",
            )
        )
    if np.any(arrays["extrapolated"] & usable):
        share = percent_text(float(np.mean(arrays["extrapolated"][usable])))
        text = f"{share} of the window lies outside the pumps' stated curves."
        findings.append(Finding("caution", "extrapolated", text))
    findings += _below_the_model(arrays)
    findings += _gauge_findings(arrays, gauge)
    findings += _thermal_gauges(system)
    if system.drive.second_ramp_s > 0.0:
        findings.append(
            Finding(
                "caution",
                "double ramp",
                "A second ramp acts on the speed command besides the drive's own: a hidden lag. "
                "Take one of them out.",
            )
        )
    return tuple(findings)


def _below_the_model(arrays: dict[str, Any]) -> list[Finding]:
    """Pressures in the window that are lower than the model holds for."""
    low = arrays["controllable"] & (arrays["pressure_pa"] < LOWEST_PRESSURE_PA)
    if not np.any(low):
        return []
    deepest = pressure_text(float(np.min(arrays["pressure_pa"][low])))
    return [
        Finding(
            "caution",
            "outside the model",
            f"By the pumps' data the window reaches down to {deepest}. Below "
            f"{pressure_text(LOWEST_PRESSURE_PA)} gas that sticks to and leaves surfaces rules, "
            "which is not described: those pressures are outside the model.",
        )
    ]


def _thermal_gauges(system: System) -> list[Finding]:
    """Thermal gauges whose reading is taken for true although the gas is not nitrogen."""
    gas = system_gas(system.gas)
    expected = expected_gas_factor(gas)
    return [
        Finding(
            "caution",
            "gas factor",
            f"{gauge.tag} is a thermal gauge with a gas factor of 1, as for nitrogen. In "
            f"{gas.name} the true pressure is typically {expected:.2g} times such a reading below "
            "about 1 mbar, and no constant multiple above. Give its gas_factor, or control by a "
            "gauge that does not depend on the gas.",
        )
        for gauge in system.gauges
        if gauge.kind == "thermal"
        and gauge.gas_factor == 1.0
        and abs(expected - 1.0) > LIKE_NITROGEN
    ]


def _gauge_findings(arrays: dict[str, Any], gauge: Gauge) -> list[Finding]:
    findings = []
    if gauge.gas_factor != 1.0:
        findings.append(
            Finding(
                "note",
                "gas factor",
                f"True pressure at {gauge.tag} is {gauge.gas_factor:g} times its reading for this "
                "gas: both are shown. A change of gas changes the factor.",
            )
        )
    if not np.any(arrays["controllable"]):
        return findings
    shown = arrays["indicated_pa"][arrays["controllable"]]
    low, high = np.min(shown), np.max(shown)
    if low < gauge.range_low_pa or high > gauge.range_high_pa:
        findings.append(
            Finding(
                "caution",
                "gauge range",
                f"The window reaches from {pressure_text(low)} to {pressure_text(high)} indicated, "
                f"beyond the range of {gauge.tag} ({pressure_text(gauge.range_low_pa)} to "
                f"{pressure_text(gauge.range_high_pa)}).",
            )
        )
    return findings
