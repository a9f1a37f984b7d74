"""Scenarios in which the setpoint or the gas moves while the loop is in automatic."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from chamberctl.errors import Infeasible, InputError
from chamberctl.findings import Finding
from chamberctl.plant.chain import build_chain, gauge_node
from chamberctl.plant.gauge import reading, true_pressure
from chamberctl.plant.point import pressure_text
from chamberctl.plant.steady import steady_pressures
from chamberctl.quantities import format_quantity
from chamberctl.simulation.happenings import Happenings
from chamberctl.simulation.prepared import (
    Array,
    Plan,
    Situation,
    carried_load,
    corners,
    where_it_leads,
)
from chamberctl.study.scenarios import (
    CloggingLine,
    GasBurst,
    GasStep,
    SetpointRamp,
    VentingLeak,
)

if TYPE_CHECKING:
    from chamberctl.study import System

BURST_CORNERS = 160
BURST_LENGTH = 8.0
"""A burst's exponential decay is drawn with this many straight lines over this many decay times."""

_PLACES = 17
_HALF = 0.5


def setpoint_step(situation: Situation, sign: float) -> Plan:
    """Plan a step of the setpoint by duty.setpoint_step."""
    begin, after = situation.lead_s, situation.tail_s
    before_pa = situation.point.indicated_pa
    after_pa = before_pa * (1.0 + sign * situation.study.duty.setpoint_step)
    times = situation.times(begin + after)
    setpoint = np.where(times < begin - 1e-9, before_pa, after_pa)
    happenings = Happenings(begin + after, setpoint, situation.steady_load())
    notes = where_it_leads(situation, after_pa, situation.point.gas_load_pa_m3_s)
    return Plan(happenings, begin, begin, notes)


def setpoint_ramp(situation: Situation) -> Plan:
    """Plan a ramp of the setpoint; the reachable rate is stated."""
    ramp = situation.parameters.setpoint_ramp or SetpointRamp()
    start, load = situation.point.indicated_pa, situation.point.gas_load_pa_m3_s
    end = ramp.to_pa or start * (1.0 - 2.0 * situation.study.duty.setpoint_step)
    if math.isclose(end, start, rel_tol=1e-9):
        raise InputError(
            "a ramp ends at another setpoint than it begins at",
            given=pressure_text(end), field="scenario.setpoint_ramp.to",
        )  # fmt: skip
    places = np.geomspace(start, end, _PLACES)
    reachable = reachable_rates(situation, places, falls=end < start)
    begin = situation.lead_s
    if ramp.decades_per_minute is not None:
        per_s = ramp.decades_per_minute / 60.0
        length = abs(math.log10(end / start)) / per_s
        demand = per_s * math.log(10.0) * places
    else:
        least = float(reachable.min())
        given = ramp.rate_pa_s or _HALF * least
        rate = given if given > 0.0 else abs(end - start) / situation.tail_s
        length, demand = abs(end - start) / rate, np.full(_PLACES, rate)
    times = situation.times(begin + length + situation.tail_s)
    share = np.clip((times - begin) / length, 0.0, 1.0)
    if ramp.decades_per_minute is not None:
        setpoint = start * (end / start) ** share
    else:
        setpoint = start + share * (end - start)
    happenings = Happenings(float(times[-1]), setpoint, situation.steady_load())
    notes = (
        _ramp_note(situation, places, demand, reachable, end < start),
        *where_it_leads(situation, end, load),
    )
    return Plan(happenings, begin, begin + length, notes)


def reachable_rates(situation: Situation, indicated_pa: Array, *, falls: bool) -> Array:
    """Quasi-steady rates of fall at maximum, or rise at minimum speed.

    Parameters
    ----------
    situation : Situation
        System, gauge and gas load.
    indicated_pa : array
        Readings on the way [Pa].
    falls : bool
        Whether the pressure is to fall.

    Returns
    -------
    array
        Rate of the reading [Pa/s], (S(max) p - q)/V_eff or (q - S(min) p)/V_eff; zero or negative:
        cannot. For a gauge away from the chamber, the reading's ratio to the chamber's pressure is
        taken as at the operating point.
    """
    point, gauge, system = situation.point, situation.gauge, situation.system
    if gauge.position == "chamber":
        chamber = np.asarray(true_pressure(system, gauge, indicated_pa))
    else:
        chamber = indicated_pa * point.pressure_pa / point.indicated_pa
    drive, chain = system.drive, build_chain(system)
    speed = drive.maximum_speed if falls else drive.minimum_speed
    net = carried_load(chain, point, np.asarray(chamber), speed) - point.gas_load_pa_m3_s
    rates = (net if falls else -net) / chain.volumes_m3[0]
    return np.asarray(rates * indicated_pa / chamber)


def _ramp_note(
    situation: Situation, places: Array, demand: Array, reachable: Array, falls: bool
) -> Finding:
    """Say what rate is reachable, and whether the ramp asks for more."""
    unit = situation.study.controller.reading_unit
    hardest = int(np.argmax(demand - reachable))

    def rate(value: float) -> str:
        decades = 60.0 * value / (places[hardest] * math.log(10.0))
        return f"{format_quantity(value, unit, 3)}/s ({decades:.3g} decades per minute)"

    least, wanted = float(reachable[hardest]), float(demand[hardest])
    where = format_quantity(float(places[hardest]), unit, 3)
    who = "the pumps at full speed" if falls else "the gas, with the pumps at minimum speed,"
    if least <= 0.0:
        cannot = "fall" if falls else "rise"
        return Finding(
            "caution",
            "reachable rate",
            f"At {where} the pressure cannot {cannot} at this gas load.",
        )
    if wanted > least:
        return Finding(
            "caution",
            "reachable rate",
            f"The ramp asks for {rate(wanted)} at {where}; {who} can do {rate(least)} there. That "
            "is the reachable rate; no gain makes it faster.",
        )
    return Finding(
        "note",
        "reachable rate",
        f"The ramp asks for {rate(wanted)}; where it is hardest, at {where}, {who} can do "
        f"{rate(least)}.",
    )


def gas_step(situation: Situation, *, feed_forward: bool) -> Plan:
    """Plan a step of the metered gas flow, with or without a flow signal wired to the output."""
    begin, after = situation.lead_s, situation.tail_s
    point, step = situation.point, situation.study.duty.gas_load_step
    before, metered = point.gas_load_pa_m3_s, situation.metered_pa_m3_s
    behind = before + step * metered
    load = corners((0.0, before), (begin, before), (begin, behind), (begin + after, behind))
    notes = where_it_leads(situation, point.indicated_pa, behind)
    happenings = Happenings(begin + after, np.array([point.indicated_pa]), load)
    if feed_forward:
        flow = situation.parameters.gas_step or GasStep()
        moves = feed_forward_move(
            point.speed, step * metered / before, flow.feed_forward_weight, flow.speed_error
        )
        times = situation.times(begin + after)
        happenings = replace(happenings, feed_forward=np.where(times < begin - 1e-9, 0.0, moves))
        text = (
            f"A flow signal moves the output by {100 * moves:.3g} % at once: weight "
            f"{100 * flow.feed_forward_weight:.4g} %, with a pumping speed taken "
            f"{100 * flow.speed_error:.4g} % too high."
        )
        notes = (Finding("note", "feed-forward", text), *notes)
    return Plan(happenings, begin, begin, notes)


def feed_forward_move(speed: float, flow_change: float, weight: float, speed_error: float) -> float:
    """Output that a flow signal adds, F = weight (q - q0)/(S p).

    Parameters
    ----------
    speed : float
        Speed that held the pressure before, q0/(S p) [-].
    flow_change : float
        Change of gas load, of the load before [-].
    weight : float
        Weight of the feed-forward [-].
    speed_error : float
        How much the pumping speed S it believes in is too high [-].

    Returns
    -------
    float
        Deviation of the output [-].
    """
    return weight * speed * flow_change / (1.0 + speed_error)


def gas_burst(situation: Situation) -> Plan:
    """Plan a burst of gas that decays exponentially, as straight lines between corners."""
    burst = situation.parameters.gas_burst or GasBurst()
    begin, point = situation.lead_s, situation.point
    before, height = point.gas_load_pa_m3_s, burst.size * situation.metered_pa_m3_s
    decays = np.linspace(0.0, BURST_LENGTH, BURST_CORNERS + 1)
    falling = np.column_stack([begin + burst.decay_s * decays, before + height * np.exp(-decays)])
    end = begin + burst.decay_s * BURST_LENGTH
    load = np.vstack([corners((0.0, before), (begin, before)), falling, [[end, before]]])
    duration = end + situation.tail_s
    happenings = Happenings(duration, np.array([point.indicated_pa]), load)
    return Plan(happenings, begin, end)


def venting_leak(situation: Situation) -> Plan:
    """Plan a leak that grows in a straight line and stays."""
    leak = situation.parameters.venting_leak or VentingLeak()
    begin, point = situation.lead_s, situation.point
    before = point.gas_load_pa_m3_s
    grown = _HALF * before if leak.to_pa_m3_s is None else leak.to_pa_m3_s
    end = begin + leak.over_s
    load = corners((0.0, before), (begin, before), (end, before + grown))
    happenings = Happenings(end + situation.tail_s, np.array([point.indicated_pa]), load)
    notes = where_it_leads(situation, point.indicated_pa, before + grown)
    return Plan(happenings, begin, end, notes)


def clogging_line(situation: Situation) -> Plan:
    """Plan a part of the line that loses conductance in a straight line."""
    clogging = situation.parameters.clogging_line or CloggingLine()
    begin, point = situation.lead_s, situation.point
    part = clogging_part(situation.system, point.node_pressures_pa, clogging.part)
    end = begin + clogging.over_s
    happenings = Happenings(
        end + situation.tail_s,
        np.array([point.indicated_pa]),
        situation.steady_load(),
        opening=corners((0.0, 1.0), (begin, 1.0), (end, clogging.left)),
        moving=part,
    )
    name = situation.system.line_names[part]
    notes = [
        Finding(
            "note", "clogging", f"'{name}' is left {100 * clogging.left:.4g} % open at the end."
        )
    ]
    chain = build_chain(situation.system)
    rows = chain.rows.copy()
    rows[part, 9] = clogging.left
    clogged = replace(chain, rows=rows)
    drive, gauge = situation.system.drive, situation.gauge
    lowest = steady_pressures(clogged, drive.maximum_speed, point.gas_load_pa_m3_s)
    shown = float(reading(situation.system, gauge, lowest[gauge_node(chain, gauge)]))
    if not shown <= point.indicated_pa:
        text = (
            "At the end even full speed does not hold the setpoint any more; no gain helps there."
        )
        notes.append(Finding("caution", "outside the window", text))
    return Plan(happenings, begin, end, tuple(notes))


def clogging_part(system: System, node_pressures_pa: tuple[float, ...], name: str) -> int:
    """Place of the line part that clogs: by name, else the one with the largest difference."""
    if not system.line:
        raise Infeasible(
            "Nothing can clog: the study describes no line.", "Describe it under [[system.line]]."
        )
    if name:
        if name not in system.line_names:
            known = ", ".join(f"'{other}'" for other in system.line_names)
            raise InputError(
                f"no part of the line has this name; known are: {known}",
                given=repr(name), field="scenario.clogging_line.part",
            )  # fmt: skip
        return system.line_names.index(name)
    differences = -np.diff(node_pressures_pa)[: len(system.line)]
    return int(np.argmax(differences))
