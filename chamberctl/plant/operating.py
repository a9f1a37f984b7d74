"""Finding one operating point, or saying why it does not exist."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from chamberctl.cautions import GAS_ADVICE
from chamberctl.errors import Infeasible, InputError
from chamberctl.findings import Finding
from chamberctl.physics.constants import LOWEST_PRESSURE_PA
from chamberctl.plant.chain import Chain, build_chain, gauge_node
from chamberctl.plant.gauge import reading, true_pressure
from chamberctl.plant.point import OperatingPoint, percent_text, pressure_text, throughput_text
from chamberctl.plant.point_findings import point_findings
from chamberctl.plant.steady import load_for_pressure, speed_for_pressure, steady_pressures
from chamberctl.plant.survey import Survey, survey
from chamberctl.quantities import format_quantity

if TYPE_CHECKING:
    from chamberctl.study import Gauge, System


def operating_point(
    system: System,
    *,
    gas_load_pa_m3_s: float,
    pressure_pa: float | None = None,
    indicated_pa: float | None = None,
    speed: float | None = None,
    gauge: Gauge | None = None,
    where: str = "",
) -> OperatingPoint:
    """Find the steady state at a gas load and a pressure, a reading or a speed.

    Parameters
    ----------
    system : study.System
        The system.
    gas_load_pa_m3_s : float
        All gas entering the chamber, at T_ref [Pa m3/s].
    pressure_pa : float, optional
        True chamber pressure [Pa]; or
    indicated_pa : float, optional
        reading of the loop's gauge [Pa]; or
    speed : float, optional
        controller output, fraction of rated speed [-]. Exactly one of the three.
    gauge : study.Gauge, optional
        The loop's gauge; the first one if not given.
    where : str, optional
        Label of the point.

    Returns
    -------
    OperatingPoint
        The steady state.

    Raises
    ------
    Infeasible
        If there is no such steady state within the drive's speed range; with the reason and the
        nearest request that can be met.
    InputError
        If not exactly one of the three is given, or a value is outside the model.
    """
    if sum(value is not None for value in (pressure_pa, indicated_pa, speed)) != 1:
        raise InputError("give exactly one of pressure_pa, indicated_pa and speed")
    if not gas_load_pa_m3_s >= 0.0:
        raise InputError(
            "a gas load is zero or more", given=f"{gas_load_pa_m3_s} Pa m3/s", field="gas_load"
        )
    chain = build_chain(system)
    gauge = gauge if gauge is not None else system.gauges[0]
    if speed is None:
        node, wanted = 0, pressure_pa
        if indicated_pa is not None:
            node, wanted = (
                gauge_node(chain, gauge),
                float(true_pressure(system, gauge, indicated_pa)),
            )
        assert wanted is not None
        _refuse_outside_model(wanted)
        drive = system.drive
        speed = float(
            speed_for_pressure(
                chain, node, wanted, gas_load_pa_m3_s, drive.minimum_speed, drive.maximum_speed
            )
        )
        if np.isnan(speed):
            shown = gauge if indicated_pa is not None else None
            raise _unreachable(chain, system, node, wanted, shown, gas_load_pa_m3_s)
    found = survey(chain, system, gauge, np.array([speed]), np.array([gas_load_pa_m3_s]))
    if not found.feasible[0]:
        raise Infeasible(
            f"At speed {percent_text(speed)} and a gas load of "
            f"{throughput_text(gas_load_pa_m3_s)} there is no steady state between vacuum and "
            "atmosphere.",
            _load_advice(chain, system, speed),
        )
    _refuse_outside_model(float(found.pressure_pa[0]))
    return point_at(found, 0, chain, system, where)


def operating_points(
    system: System,
    indicated_pa: Sequence[float],
    gas_loads_pa_m3_s: Sequence[float],
    labels: Sequence[str],
    gauge: Gauge | None = None,
    *,
    reasons: bool = True,
) -> tuple[OperatingPoint, ...]:
    """Find many operating points by reading and gas load at once; infeasible ones are kept.

    Parameters
    ----------
    system : study.System
        The system.
    indicated_pa, gas_loads_pa_m3_s : sequence of float
        Reading of the loop's gauge [Pa] and gas load [Pa m3/s] of each point.
    labels : sequence of str
        Label of each point.
    gauge : study.Gauge, optional
        The loop's gauge; the first one if not given.
    reasons : bool
        Whether points without a steady state say why.

    Returns
    -------
    tuple of OperatingPoint
        In the order given.
    """
    chain = build_chain(system)
    gauge = gauge if gauge is not None else system.gauges[0]
    node, drive = gauge_node(chain, gauge), system.drive
    wanted = np.asarray(true_pressure(system, gauge, np.array(indicated_pa)))
    loads = np.array(gas_loads_pa_m3_s)
    for pressure in wanted:
        _refuse_outside_model(float(pressure))
    speeds = speed_for_pressure(
        chain, node, wanted, loads, drive.minimum_speed, drive.maximum_speed
    )
    reachable = np.isfinite(speeds)
    found = survey(chain, system, gauge, speeds[reachable], loads[reachable])
    place = np.cumsum(reachable) - 1
    points = []
    for index, label in enumerate(labels):
        if reachable[index]:
            points.append(point_at(found, int(place[index]), chain, system, label))
            continue
        pressure, load = float(wanted[index]), float(loads[index])
        shown = float(indicated_pa[index])
        if reasons:
            error = _unreachable(chain, system, node, pressure, gauge, load)
            points.append(_infeasible_point(system, gauge, label, shown, load, error))
        else:
            points.append(_without_state(label, shown, load))
    return tuple(points)


def point_at(found: Survey, index: int, chain: Chain, system: System, where: str) -> OperatingPoint:
    """Cut one operating point out of a survey.

    Parameters
    ----------
    found : Survey
        The survey.
    index : int
        Which of its pairs.
    chain : Chain
        The system as arrays.
    system : study.System
        The system.
    where : str
        Label of the point.

    Returns
    -------
    OperatingPoint
        The point, with its findings.
    """
    names = [
        name
        for name in Survey.__dataclass_fields__
        if name not in ("feasible", "pressures_pa", "limited_by", "extrapolated", "regimes")
    ]
    values = {name: float(getattr(found, name)[index]) for name in names}
    point = OperatingPoint(
        where=where,
        feasible=True,
        reason="",
        nearest="",
        node_names=chain.node_names,
        node_pressures_pa=tuple(float(p) for p in found.pressures_pa[:, index]),
        regimes=tuple((name, str(regime[index])) for name, regime in found.regimes),
        limited_by=str(found.limited_by[index]),
        extrapolated=bool(found.extrapolated[index]),
        findings=(),
        below_floor=False,
        **values,
    )
    return replace(point, findings=point_findings(point, system))


def slew_rates(system: System, pressure_pa: float, gas_load_pa_m3_s: float) -> tuple[float, float]:
    """Quasi-steady rates of fall and rise from a chamber pressure, at rest or not.

    Parameters
    ----------
    system : study.System
        The system.
    pressure_pa : float
        Chamber pressure [Pa].
    gas_load_pa_m3_s : float
        Gas entering the chamber [Pa m3/s].

    Returns
    -------
    tuple of float
        (fall at maximum speed, rise at minimum speed) [Pa/s]; zero or negative: cannot.

    Notes
    -----
    (S(max) p - q)/V_eff and (q - S(min) p)/V_eff, with every other node at rest. Ramps and the
    volumes of line and pumps make the first seconds slower.
    """
    chain, drive = build_chain(system), system.drive
    ends = np.array([drive.maximum_speed, drive.minimum_speed])
    carried = load_for_pressure(chain, np.full(2, pressure_pa), ends)
    volume = chain.volumes_m3[0]
    return (
        float((carried[0] - gas_load_pa_m3_s) / volume),
        float((gas_load_pa_m3_s - carried[1]) / volume),
    )


def _infeasible_point(
    system: System, gauge: Gauge, where: str, indicated_pa: float, load: float, error: Infeasible
) -> OperatingPoint:
    """Keep a point that has no steady state, with its reason, instead of dropping it."""
    findings = (Finding("no", where, f"{error.reason} {error.nearest}".strip()),)
    point = replace(
        _without_state(where, indicated_pa, load),
        reason=error.reason,
        nearest=error.nearest,
        findings=findings,
    )
    if gauge.position != "chamber":
        return point
    down, up = slew_rates(system, float(true_pressure(system, gauge, indicated_pa)), load)
    return replace(point, slew_down_pa_s=down, slew_up_pa_s=up)


def _without_state(where: str, indicated_pa: float, load: float) -> OperatingPoint:
    """Return a point of which nothing is known but what is asked."""
    nan = float("nan")
    numbers = {
        name: nan for name, kind in OperatingPoint.__annotations__.items() if kind == "float"
    }
    numbers |= {"indicated_pa": indicated_pa, "gas_load_pa_m3_s": load}
    return OperatingPoint(
        where=where,
        feasible=False,
        reason="",
        nearest="",
        node_names=(),
        node_pressures_pa=(),
        regimes=(),
        limited_by="",
        extrapolated=False,
        findings=(),
        below_floor=False,
        **numbers,
    )


def _refuse_outside_model(pressure_pa: float) -> None:
    if not pressure_pa >= LOWEST_PRESSURE_PA:
        raise InputError(
            "this pressure is outside the model, which holds from 1e-5 mbar up: adsorption and "
            "turbo pumps are not described",
            given=format_quantity(pressure_pa, "mbar", 3),
            field="pressure",
        )


_SAME = 1e-6
"""Readings closer than this do not differ [relative]."""


def _unreachable(
    chain: Chain, system: System, node: int, wanted: float, gauge: Gauge | None, load: float
) -> Infeasible:
    """Say why a pressure cannot be held, and what is nearest to it."""
    drive = system.drive
    ends = np.array([drive.maximum_speed, drive.minimum_speed])
    reached = np.append(steady_pressures(chain, ends, load)[node], wanted)
    if gauge is not None:
        reached = reading(system, gauge, reached)
    lowest, highest, shown = (float(pressure) for pressure in reached)
    asked, gas = pressure_text(shown), throughput_text(load)
    if np.isnan(lowest):
        return Infeasible(
            f"At a gas load of {gas} there is no steady state even at full speed: the pumps cannot "
            "carry the gas below atmospheric pressure.",
            _load_advice(chain, system, drive.maximum_speed),
        )
    if lowest >= highest * (1.0 - _SAME):
        does = "raises it" if lowest > highest * (1.0 + _SAME) else "does not move it"
        return Infeasible(
            f"{asked} is not held at a gas load of {gas}: more speed {does}, from "
            f"{pressure_text(highest)} at {percent_text(drive.minimum_speed)} to "
            f"{pressure_text(lowest)} at {percent_text(drive.maximum_speed)}. A loop on this gauge "
            "has the wrong sign or none.",
            'Nearest: hold the pressure in the chamber, by a gauge with position = "chamber"; or '
            "check the map from output to speeds.",
        )
    if shown < lowest:
        most = float(load_for_pressure(chain, wanted, drive.maximum_speed)) if node == 0 else 0.0
        less = f", or a gas load of at most {throughput_text(most)}" if most > 0.0 else ""
        return Infeasible(
            f"{asked} is not reachable at a gas load of {gas}: at full speed the pressure falls to "
            f"{pressure_text(lowest)} and no further.",
            f"Nearest: {pressure_text(lowest)}{less}. A larger pump helps only where the line does "
            "not rule (see the authority).",
        )
    return Infeasible(
        f"{asked} is not reachable at a gas load of {gas}: even at the minimum speed of "
        f"{percent_text(drive.minimum_speed)} the pumps hold {pressure_text(highest)}, and speed "
        "cannot lift it further.",
        f"Nearest: {pressure_text(highest)}, or a lower minimum speed if the pump allows it, a "
        f"throttle, or more gas. {GAS_ADVICE}",
    )


def _load_advice(chain: Chain, system: System, speed: float) -> str:
    most = float(load_for_pressure(chain, 0.9e5, speed))
    return f"Nearest: a gas load below {throughput_text(most)}." if most > 0.0 else ""
