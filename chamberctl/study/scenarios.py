"""What is described of the days the loop is tried on: the tables [scenario.NAME], all optional."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Literal

from chamberctl.study.fields import Part, choice, part, quantity, words
from chamberctl.study.gas import GAS_NAMES, GasName


class SetpointRamp(Part):
    """The setpoint runs to another one at a rate."""

    to_pa: float | None = quantity(
        "pressure", "mbar", "indicated setpoint at the end of the ramp", "1e-3 Pa", "1100 mbar",
        default=None, shown="the setpoint less twice duty.setpoint_step",
        source="assumed, because it is far enough for the ramp to be seen",
    )  # fmt: skip
    rate_pa_s: float | None = quantity(
        "pressure_rate", "mbar/s", "rate of the setpoint, without a sign", "1e-6 Pa/s",
        "1e5 Pa/s", default=None, shown="half of what the pumps or the gas can do", key="rate",
        source="assumed, because it leaves as much again for control",
    )  # fmt: skip
    decades_per_minute: float | None = quantity(
        "number", "", "rate of the setpoint in decades per minute, in place of rate", "1e-6",
        "1000", default=None, shown="rate is used", source="only for ramps of the logarithm",
    )  # fmt: skip

    def contradictions(self) -> Iterator[tuple[str, str]]:
        """Yield a rate that is given twice."""
        if self.rate_pa_s is not None and self.decades_per_minute is not None:
            yield "decades_per_minute", "the rate is given twice; keep rate or decades_per_minute"


class GasStep(Part):
    """The metered gas flow steps by duty.gas_load_step; a flow signal may help the loop."""

    feed_forward_weight: float = quantity(
        "fraction", "%", "share of the speed that the flow signal asks for, where one is wired",
        "0 %", "200 %", default="100 %", source="the whole of it",
    )  # fmt: skip
    speed_error: float = quantity(
        "fraction", "%", "how much the pumping speed that the feed-forward believes in is too high",
        "-90 %", "500 %", default="20 %",
        source="assumed, because pumping speeds at the chamber are seldom known better",
    )  # fmt: skip


class GasBurst(Part):
    """A burst of gas that decays."""

    size: float = quantity(
        "fraction", "%", "height of the burst, of the metered gas flow", "0 %", "10000 %",
        default="50 %", source="assumed, because it tries the loop beyond its usual steps",
    )  # fmt: skip
    decay_s: float = quantity(
        "time", "s", "time in which the burst falls to 1/e", "10 ms", "24 h", default="30 s",
        source="assumed, because bursts last from seconds to minutes",
    )  # fmt: skip


class PumpDown(Part):
    """From atmosphere into the hold: at a fixed output first, then in automatic."""

    from_pa: float = quantity(
        "pressure", "mbar", "true pressure in chamber, line and pumps at the start", "1 Pa",
        "1100 mbar", default="1000 mbar", key="start_pressure", source="atmosphere",
    )  # fmt: skip
    output: float | None = quantity(
        "speed", "%", "output until the loop is switched to automatic", "0 %", "100 %",
        default=None, shown="the controller's highest output", source="fastest",
    )  # fmt: skip
    loop: Literal["below the switch pressure", "from the start"] = choice(
        ("below the switch pressure", "from the start"), "when the loop is in automatic",
        default="below the switch pressure", source="controller.switch_pressure says below what",
    )  # fmt: skip
    booster_start_pa: float | None = quantity(
        "pressure", "mbar", "pressure at the booster's inlet below which it may start", "1 Pa",
        "1100 mbar", default=None, shown="the booster follows the output from the start",
        source="user data; no interlock is assumed",
    )  # fmt: skip
    booster_standby: float = quantity(
        "fraction", "%", "booster speed before that, of what the output asks for", "0 %", "100 %",
        default="20 %", source="assumed, because a booster that stands still throttles the pumps",
    )  # fmt: skip
    longest_s: float | None = quantity(
        "time", "s", "time given to the pump-down before the hold", "1 s", "24 h", default=None,
        shown="estimated from the pumps' speed", source="computed",
    )  # fmt: skip


class ReturnFromStandby(Part):
    """The inlet valve is closed and the pumps idle; then it opens and the loop takes over."""

    closed_s: float = quantity(
        "time", "s", "time with the valve closed", "0 s", "24 h", default="1 min",
        source="assumed, because a minute shows what the leak does",
    )  # fmt: skip
    pressure_pa: float | None = quantity(
        "pressure", "mbar", "true chamber pressure at the start", "1e-3 Pa", "1100 mbar",
        default=None, shown="twice the pressure of the hold",
        source="assumed, because a closed chamber rises",
    )  # fmt: skip
    standby_speed: float | None = quantity(
        "speed", "%", "output during standby", "0 %", "100 %", default=None,
        shown="the drive's minimum speed", source="the drive's limit",
    )  # fmt: skip
    booster_standby: float = quantity(
        "fraction", "%", "booster speed during standby, of what the output asks for", "0 %",
        "100 %", default="20 %", source="assumed, because it has nothing to pump",
    )  # fmt: skip
    opening_time_s: float | None = quantity(
        "time", "s", "time the valve takes to open", "0 s", "1 h", default=None,
        shown="the valve's own, or 2 s",
        source="assumed, because most isolation valves open within a second or two (from memory)",
    )  # fmt: skip


class SpeedOverride(Part):
    """The pump overrides its loop for a while, as one does that must warm up again."""

    output: float | None = quantity(
        "speed", "%", "output during the override", "0 %", "100 %", default=None,
        shown="the controller's highest output", source="fastest warms most",
    )  # fmt: skip
    lasts_s: float = quantity(
        "time", "s", "how long it lasts", "0 s", "24 h", default="3 min",
        source="assumed, because pumps warm up within minutes",
    )  # fmt: skip


class CloggingLine(Part):
    """A part of the line narrows slowly."""

    part: str = words(
        "name of the part of the line", source="the part with the largest pressure difference"
    )
    left: float = quantity(
        "fraction", "%", "share of its conductance that is left at the end", "0.1 %", "100 %",
        default="50 %", source="assumed, because filters are changed near it",
    )  # fmt: skip
    over_s: float = quantity(
        "time", "s", "time it takes", "1 s", "30 d", default="10 min",
        source="assumed, because a loop that follows minutes follows days",
    )  # fmt: skip


class GaugeFault(Part):
    """The gauge sends zero, full scale or its last value."""

    lasts_s: float = quantity(
        "time", "s", "how long it lasts", "0 s", "24 h", default="2 min",
        source="assumed, because it shows where the loop goes",
    )  # fmt: skip
    detected: Literal["zero and full scale", "all", "none"] = choice(
        ("zero and full scale", "all", "none"), "which faults the controller notices",
        default="zero and full scale",
        source="assumed, because a range check sees these two and takes a frozen value for good",
    )  # fmt: skip


class GasChange(Part):
    """Another gas flows, which line and pumps carry otherwise and the gauge may read otherwise."""

    before: GasName | None = choice(
        GAS_NAMES, "gas that flows at first", default=None, shown="the study's gas",
        source="the study describes it",
    )  # fmt: skip
    to: GasName | None = choice(
        GAS_NAMES, "gas that takes its place, at once", default=None,
        shown="line and pumps keep the study's gas",
        source="without it only the gauge notices, as it does of gas that hardly differs",
    )  # fmt: skip
    gas_factor: float | None = quantity(
        "number", "", "gas factor of the new gas: true pressure = factor x indicated", "0.05",
        "20", default=None,
        shown="of a thermal gauge 1.7 (argon), from a gauge set to another gas 1 (nitrogen)",
        source="typical values of thermal gauges; other gauges keep their factor",
    )  # fmt: skip

    def contradictions(self) -> Iterator[tuple[str, str]]:
        """Yield a first gas without a second, and a change to the same gas."""
        if self.before is not None and self.to is None:
            yield "before", "say in 'to' which gas takes its place; without it no gas is changed"
        elif self.before is not None and self.before == self.to:
            yield "to", "this gas flows already; name another one"


class PowerLoss(Part):
    """The drive is without power for a moment and coasts."""

    lasts_s: float = quantity(
        "time", "s", "how long it lasts", "0 s", "1 h", default="1.5 s",
        source="assumed, because most dips end within a second or two (from memory)",
    )  # fmt: skip
    coast_time_s: float = quantity(
        "time", "s", "time from rated speed to standstill without power", "10 ms", "1 h",
        default="20 s", source="assumed, because rotors store some tens of seconds (from memory)",
    )  # fmt: skip
    command: Literal["held", "as the loop says"] = choice(
        ("held", "as the loop says"), "what the command does while the power is away",
        default="held", source="assumed, because most drives report the fault",
    )  # fmt: skip


class VentingLeak(Part):
    """A leak to the outside that grows."""

    to_pa_m3_s: float | None = quantity(
        "throughput", "mbar L/s", "additional leakage at the end", "0 mbar L/s", "1e6 mbar L/s",
        default=None, shown="half of the gas load",
        source="assumed, because it moves the speed well beyond its usual range",
    )  # fmt: skip
    over_s: float = quantity(
        "time", "s", "time in which it grows", "1 s", "30 d", default="5 min",
        source="assumed, because seals fail within minutes",
    )  # fmt: skip


class Scenarios(Part):
    """The days the loop is tried on in simulation; every table may be left out."""

    lead_s: float = quantity(
        "time", "s", "time at rest before anything happens", "0 s", "1 h", default="10 s",
        source="assumed, because it shows that the start is steady",
    )  # fmt: skip
    tail_s: float | None = quantity(
        "time", "s", "time watched after all has happened", "1 s", "24 h", default=None,
        shown="ten integral times or time constants, 1 min to 1 day",
        source="assumed, because a well tuned loop has settled by then",
    )  # fmt: skip
    setpoint_ramp: SetpointRamp | None = part("the setpoint's ramp", default=None, source="below")
    gas_step: GasStep | None = part("the step of gas flow", default=None, source="below")
    gas_burst: GasBurst | None = part("the burst of gas", default=None, source="below")
    pump_down: PumpDown | None = part("the pump-down", default=None, source="below")
    return_from_standby: ReturnFromStandby | None = part(
        "the return from standby", default=None, source="below"
    )
    speed_override: SpeedOverride | None = part("the override", default=None, source="below")
    clogging_line: CloggingLine | None = part("the line that clogs", default=None, source="below")
    gauge_fault: GaugeFault | None = part("the gauge's fault", default=None, source="below")
    gas_change: GasChange | None = part("the change of gas", default=None, source="below")
    power_dip: PowerLoss | None = part("the power dip", default=None, source="below")
    venting_leak: VentingLeak | None = part("the growing leak", default=None, source="below")
