"""Scenarios in which the loop is handed over, loses gauge or power, or has the wrong sign."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import lru_cache
from typing import TYPE_CHECKING, Any

import numpy as np

from chamberctl.control.controller import PidSettings
from chamberctl.errors import Infeasible
from chamberctl.findings import Finding
from chamberctl.plant.chain import build_chain
from chamberctl.plant.gauge import expected_gas_factor
from chamberctl.plant.operating import operating_point
from chamberctl.plant.point import pressure_text
from chamberctl.quantities import format_quantity
from chamberctl.simulation.disturbances import setpoint_step
from chamberctl.simulation.engine import LEAST_OPEN, simulate_loop
from chamberctl.simulation.happenings import BoosterWaits, Happenings, PowerDip, Start
from chamberctl.simulation.prepared import (
    Array,
    Plan,
    Situation,
    corners,
    memory_at,
    where_it_leads,
    within,
)
from chamberctl.simulation.resting import behind_valve, in_air, with_inlet_valve
from chamberctl.simulation.signal import FAILS_FULL, FAILS_LAST, FAILS_ZERO
from chamberctl.study.flowing import system_gas
from chamberctl.study.gas import Gas
from chamberctl.study.scenarios import (
    GasChange,
    GaugeFault,
    PowerLoss,
    PumpDown,
    ReturnFromStandby,
    SpeedOverride,
)

if TYPE_CHECKING:
    from chamberctl.study import Gauge, System
    from chamberctl.study.gas import GasName

SWITCH_AT = 2.0
"""The loop is switched to automatic at this multiple of the setpoint where nothing is stated
(assumed, because the loop then has a little way to settle in)."""

SHORT_GUESS_S, LONGEST_GUESS_S = 900.0, 7200.0
SAFETY = 1.3
COARSE_SCAN_S = 1.0
"""Times given to a pump-down: what most need no more than, and at most, and in multiples of what it
takes at the fixed output; and the scan time with which that is found (assumed)."""

ARGON_FACTOR = 1.7
"""Typical gas factor of a thermal gauge in argon below 1 mbar."""


def pump_down(situation: Situation) -> Plan:
    """Plan a pump-down from atmosphere at a fixed output, and the hand-over into the hold."""
    study, point = situation.study, situation.point
    down = situation.parameters.pump_down or PumpDown()
    output = situation.settings.output_max if down.output is None else down.output
    switch = study.controller.switch_pressure_pa or SWITCH_AT * point.indicated_pa
    waits = None
    if down.booster_start_pa is not None and situation.system.booster is not None:
        waits = BoosterWaits(down.booster_standby, down.booster_start_pa)
    speed = situation.system.drive.minimum_speed
    pressures = in_air(
        situation.system,
        down.from_pa,
        speed,
        point.gas_load_pa_m3_s,
        1.0 if waits is None else waits.standby,
    )
    start = Start(np.array(pressures), speed, memory_at(speed))
    happenings = Happenings(
        LONGEST_GUESS_S,
        np.array([point.indicated_pa]),
        situation.steady_load(),
        held=np.array([True]),
        applied=np.array([output]),
        switch_below_pa=switch,
        booster_waits=waits,
    )
    reached_s = _reached_after(
        situation.system,
        situation.gauge,
        (situation.scan_time_s, situation.settings.delay_s, output),
        switch,
        point.gas_load_pa_m3_s,
        (pressures, speed),
        waits,
    )
    guess_s = LONGEST_GUESS_S
    if reached_s is not None:
        guess_s = min(SAFETY * reached_s + situation.system.drive.rise_time_s, LONGEST_GUESS_S)
    length = down.longest_s or guess_s
    happenings = replace(happenings, duration_s=length + situation.tail_s)
    if down.loop == "from the start":
        happenings = replace(happenings, held=None, switch_below_pa=None)
    notes = _pump_down_notes(situation, down, output, switch, reached_s is not None)
    return Plan(happenings, 0.0, length, notes, start=start)


@lru_cache(maxsize=128)
def _reached_after(
    system: System, gauge: Gauge, timing: tuple[float, float, float], switch_pa: float,
    gas_load_pa_m3_s: float, start: tuple[tuple[float, ...], float], waits: BoosterWaits | None,
) -> float | None:  # fmt: skip
    """Time until the reading falls below the switch pressure [s]; None where it does not.

    The pump-down itself is run, at the fixed output and with coarse scans; `timing` is scan time,
    computation delay and output. The controller's settings do not come into it.
    """
    scan_s, delay_s, output = timing
    settings = PidSettings(
        kc=1.0, scan_time_s=max(scan_s, COARSE_SCAN_S), computation_delay_s=delay_s
    )
    pressures, speed = start
    begin = Start(np.array(pressures), speed, memory_at(speed))
    for longest_s in (SHORT_GUESS_S, LONGEST_GUESS_S):
        happenings = Happenings(
            longest_s,
            np.array([switch_pa]),
            corners((0.0, gas_load_pa_m3_s)),
            held=np.array([True]),
            applied=np.array([output]),
            booster_waits=waits,
        )
        trace = simulate_loop(system, gauge, settings, begin, happenings)
        below = np.flatnonzero(trace.columns["indicated_pa"] < switch_pa)
        if below.size:
            return float(trace.time_s[below[0]])
    return None


def _pump_down_notes(
    situation: Situation, down: PumpDown, output: float, switch: float, reached: bool
) -> tuple[Finding, ...]:
    unit = situation.study.controller.reading_unit
    where = format_quantity(switch, unit, 3)
    found = []
    if down.loop == "from the start":
        text = "In automatic from the start: the integral works against the limit all the way down."
        found.append(Finding("note", "hand-over", text))
    else:
        text = f"Output held at {100 * output:.4g} % until the reading falls below {where}."
        found.append(Finding("note", "hand-over", text))
        if not reached:
            text = f"{where} is not reached at this output and gas load: no switch to automatic."
            found.append(Finding("caution", "hand-over", text))
        if switch > situation.gauge.range_high_pa:
            text = f"{where} lies above the gauge's range; the loop is switched at once."
            found.append(Finding("caution", "hand-over", text))
    if situation.system.booster is not None and down.booster_start_pa is None:
        text = (
            "No booster start pressure is given (scenario.pump_down.booster_start): the booster "
            "follows the output from atmosphere. The largest pressure difference tells whether it "
            "may."
        )
        found.append(Finding("caution", "booster", text))
    return tuple(found)


def return_from_standby(situation: Situation) -> Plan:
    """Plan a standby with the inlet valve closed, then the valve opens and the loop takes over."""
    back = situation.parameters.return_from_standby or ReturnFromStandby()
    point, drive = situation.point, situation.system.drive
    system, valve, added = with_inlet_valve(situation.system, point.effective_speed_m3_s)
    speed = drive.minimum_speed if back.standby_speed is None else back.standby_speed
    pressure = SWITCH_AT * point.pressure_pa if back.pressure_pa is None else back.pressure_pa
    own = system.line[valve].opening_time_s or 2.0
    opening = own if back.opening_time_s is None else back.opening_time_s
    begin, idle = back.closed_s, situation.unmetered_pa_m3_s
    duration = begin + opening + situation.tail_s
    times = situation.times(duration)
    pressures = behind_valve(system, valve, pressure, speed, idle, back.booster_standby)
    start = Start(np.array(pressures), speed, memory_at(speed))
    full = point.gas_load_pa_m3_s
    happenings = Happenings(
        duration,
        np.array([point.indicated_pa]),
        corners((0.0, idle), (begin, idle), (begin, full), (duration, full)),
        opening=corners((0.0, LEAST_OPEN), (begin, LEAST_OPEN), (begin + opening, 1.0)),
        moving=valve,
        held=within(times, 0.0, begin),
        applied=np.array([speed]),
        booster_waits=BoosterWaits(back.booster_standby, from_s=begin),
    )
    text = (
        f"Valve closed for {begin:.4g} s, chamber from {pressure_text(pressure)} on, pumps at "
        f"{100 * speed:.4g} %; the metered gas comes when the valve opens."
    )
    if added:
        text += " The study describes no valve; one that opens wide was added before the pumps."
    notes = (Finding("note", "standby", text),)
    return Plan(happenings, begin, begin + opening, notes, system=system, start=start)


def speed_override(situation: Situation) -> Plan:
    """Plan an override of the speed and its release."""
    override = situation.parameters.speed_override or SpeedOverride()
    begin, end = situation.lead_s, situation.lead_s + override.lasts_s
    output = situation.settings.output_max if override.output is None else override.output
    duration = end + situation.tail_s
    happenings = Happenings(
        duration,
        np.array([situation.point.indicated_pa]),
        situation.steady_load(),
        held=within(situation.times(duration), begin, end),
        applied=np.array([output]),
    )
    drive = situation.system.drive
    speed = min(max(output, drive.minimum_speed), drive.maximum_speed)
    text = f"Output held at {100 * output:.4g} % for {override.lasts_s:.4g} s; then automatic."
    if speed != output:
        text += f" The drive's limit makes it a speed of {100 * speed:.4g} %."
    return Plan(happenings, begin, end, (Finding("note", "override", text),))


def gauge_fault(situation: Situation, fault: int) -> Plan:
    """Plan a gauge that sends zero, full scale or its last value for a while."""
    described = situation.parameters.gauge_fault or GaugeFault()
    begin, end = situation.lead_s, situation.lead_s + described.lasts_s
    duration = end + situation.tail_s
    fails = np.where(within(situation.times(duration), begin, end), fault, 0)
    happenings = Happenings(
        duration,
        np.array([situation.point.indicated_pa]),
        situation.steady_load(),
        fault=fails.astype(np.int64),
    )
    seen = described.detected == "all" or (
        described.detected == "zero and full scale" and fault != FAILS_LAST
    )
    action = situation.study.controller.bad_reading
    sends = {FAILS_ZERO: "zero", FAILS_FULL: "full scale", FAILS_LAST: "its last value"}[fault]
    if seen:
        text = (
            f"The gauge sends {sends}; the controller notices. Action on a bad reading: {action}."
        )
    else:
        text = f"The gauge sends {sends} and the controller does not notice: it believes it."
    notes = (Finding("note" if seen else "caution", "gauge fault", text),)
    return Plan(happenings, begin, end, notes, detects_faults=seen)


def gas_change(situation: Situation) -> Plan:
    """Plan a change of gas: one that only the gauge notices, or line and pumps, too."""
    change = situation.parameters.gas_change or GasChange()
    if change.to is not None:
        return _another_gas_flows(situation, change, change.to)
    return _gauge_reads_otherwise(situation, change)


def _mixing_s(situation: Situation) -> float:
    """Return volume times pressure over gas load [s]."""
    point = situation.point
    volume = float(build_chain(situation.system).volumes_m3[0])
    return volume * point.pressure_pa / point.gas_load_pa_m3_s


def _another_gas_flows(situation: Situation, change: GasChange, to: GasName) -> Plan:
    """Plan gas that gives way to another one at once, which is harder for the loop than any mixing.

    The factor of a gauge that depends on the gas mixes in.
    """
    gauge, point = situation.gauge, situation.point
    before = situation.system
    if change.before is not None:
        before = _with_gas(before, change.before)
    if before.gas.name == to:
        raise Infeasible(
            f"{to} flows already.",
            "Nearest: scenario.gas_change.to with another gas, or .before with the gas at first.",
        )
    after = _with_gas(situation.system, to)
    rest = operating_point(
        before,
        indicated_pa=point.indicated_pa,
        gas_load_pa_m3_s=point.gas_load_pa_m3_s,
        gauge=gauge,
    )
    mixing_s, settled, factor = _mixing_s(situation), 0.0, None
    duration = settled + situation.tail_s
    notes: list[Finding] = []
    if gauge.kind == "thermal" or change.gas_factor is not None:
        then = change.gas_factor or gauge.gas_factor * (
            expected_gas_factor(system_gas(after.gas)) / expected_gas_factor(system_gas(before.gas))
        )
        settled = 5.0 * mixing_s * max(1.0, then / gauge.gas_factor)
        duration = settled + situation.tail_s
        factor = mixed_factors(
            situation.times(duration), 0.0, mixing_s / gauge.gas_factor, gauge.gas_factor, then
        )
        gauge = gauge.model_copy(update={"gas_factor": then})
        text = f"The gauge's gas factor becomes {then:.4g} as the new gas mixes in."
        notes.append(Finding("caution", "gas factor", text))
    text = (
        f"{before.gas.name} gives way to {to} in line and pumps at once, which is harder than the "
        f"mixing over some {mixing_s:.3g} s (volume times pressure over gas load) on the plant."
    )
    notes.append(Finding("note", "gas", text))
    happenings = Happenings(
        duration, np.array([point.indicated_pa]), situation.steady_load(), factor=factor
    )
    leads = where_it_leads(
        situation, point.indicated_pa, point.gas_load_pa_m3_s, gauge=gauge, system=after
    )
    start = Start(np.array(rest.node_pressures_pa), rest.speed, memory_at(rest.speed))
    return Plan(happenings, 0.0, settled, (*notes, *leads), system=after, start=start)


def _with_gas(system: System, name: GasName) -> System:
    described: Any = dict.fromkeys(Gas.model_fields) | {"name": name, "parts": ()}
    return system.model_copy(update={"gas": system.gas.model_copy(update=described)})


def _gauge_reads_otherwise(situation: Situation, change: GasChange) -> Plan:
    """Plan a change of gas that mixes in, under a gauge that reads it otherwise."""
    gauge, point = situation.gauge, situation.point
    after = gas_factor_after(gauge.kind, gauge.gas_factor, change.gas_factor)
    begin = situation.lead_s
    mixing_s = _mixing_s(situation)
    settled = begin + 5.0 * mixing_s * max(1.0, after / gauge.gas_factor)
    times = situation.times(settled + situation.tail_s)
    factor = mixed_factors(times, begin, mixing_s / gauge.gas_factor, gauge.gas_factor, after)
    happenings = Happenings(
        float(times[-1]), np.array([point.indicated_pa]), situation.steady_load(), factor=factor
    )
    text = (
        f"The gauge's gas factor goes from {gauge.gas_factor:.4g} to {after:.4g} as the new gas "
        f"mixes in, with {mixing_s:.3g} s (volume times pressure over gas load) at first. The loop "
        f"holds the reading: the true pressure goes from {pressure_text(point.pressure_pa)} to "
        f"{pressure_text(point.pressure_pa * after / gauge.gas_factor)}. Line and pumps keep the "
        "old gas's data."
    )
    changed = gauge.model_copy(update={"gas_factor": after})
    notes = (
        Finding("caution", "gas factor", text),
        *where_it_leads(situation, point.indicated_pa, point.gas_load_pa_m3_s, gauge=changed),
    )
    return Plan(happenings, begin, settled, notes)


def gas_factor_after(kind: str, before: float, given: float | None) -> float:
    """Gas factor after a change of gas: as given, else typical of a thermal gauge."""
    if given is not None:
        return given
    if kind != "thermal":
        raise Infeasible(
            "A change of gas changes nothing: the loop's gauge is not a thermal one.",
            "Give scenario.gas_change.to for what line and pumps make of another gas, or "
            "scenario.gas_change.gas_factor if the gauge's reading depends on the gas.",
        )
    return ARGON_FACTOR if before == 1.0 else 1.0


def mixed_factors(
    times: Array, begin_s: float, mixing_s: float, before: float, after: float
) -> Array:
    """Gas factor at each scan while a new gas mixes in.

    Parameters
    ----------
    times : array
        Time of each scan [s].
    begin_s : float
        When the gas flow changes [s].
    mixing_s : float
        V r/q: volume times indicated pressure over gas load, the time constant at factor 1 [s].
    before, after : float
        Gas factors of the two gases [-].

    Returns
    -------
    array
        1/f = (1 - x)/before + x/after, with the share x of the new gas from p V dx/dt = q (1 - x)
        at the true pressure p = f r of a loop that holds its reading.

    Notes
    -----
    Solved with e = 1 - x as the variable: t = V r/q times the integral of f/e over e, in closed
    form: f/e = after/e - after (after/before - 1)/(1 + (after/before - 1) e).
    """
    remaining = np.geomspace(1.0, 1e-12, 20001)
    bend = after / before - 1.0
    taken = after * (-np.log(remaining) + np.log1p(bend * remaining) - math.log1p(bend))
    elapsed = np.clip((times - begin_s) / mixing_s, 0.0, taken[-1])
    left = np.interp(elapsed, taken, np.log(remaining))
    e = np.exp(left)
    return np.asarray(1.0 / ((1.0 - e) / after + e / before))


def power_dip(situation: Situation) -> Plan:
    """Plan a moment without power, in which the drive coasts."""
    loss = situation.parameters.power_dip or PowerLoss()
    begin, end = situation.lead_s, situation.lead_s + loss.lasts_s
    duration = end + situation.tail_s
    held = within(situation.times(duration), begin, end) if loss.command == "held" else None
    happenings = Happenings(
        duration,
        np.array([situation.point.indicated_pa]),
        situation.steady_load(),
        held=held,
        applied=np.array([math.nan]),
        power_dip=PowerDip(begin, end, loss.coast_time_s),
    )
    return Plan(happenings, begin, end)


def wrong_sense(situation: Situation) -> Plan:
    """Plan a step of the setpoint under a controller with the wrong action."""
    plan = setpoint_step(situation, 1.0)
    settings = replace(situation.settings, kc=-situation.settings.kc)
    text = (
        "Wrong action: positive feedback. Pressure above setpoint lowers the speed, and the loop "
        "runs to a limit. Pressure above setpoint -> speed must go up."
    )
    note = Finding("caution", "wrong action", text)
    return replace(plan, settings=settings, notes=(note, *plan.notes))
