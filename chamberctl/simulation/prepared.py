"""A scenario ready to run: the situation it starts from, and everything the engine needs."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from chamberctl.control.controller import Memory, PidSettings
from chamberctl.control.gain_steps import GainSteps
from chamberctl.errors import Infeasible, InputError
from chamberctl.findings import Finding
from chamberctl.plant.chain import Chain, build_chain, gauge_node
from chamberctl.plant.gauge import true_pressure
from chamberctl.plant.nearby import SPEED, Held, States, settle
from chamberctl.plant.operating import operating_point
from chamberctl.plant.point import percent_text, pressure_text, throughput_text
from chamberctl.plant.steady import load_for_pressure
from chamberctl.simulation import core
from chamberctl.simulation.engine import TOLERANCE, simulate_loop
from chamberctl.simulation.happenings import Happenings, Start, scan_count
from chamberctl.study.scenarios import Scenarios

if TYPE_CHECKING:
    from chamberctl.plant.point import OperatingPoint
    from chamberctl.simulation.engine import Trace
    from chamberctl.study import Gauge, Limits, Study, System

Array = NDArray[np.float64]

LEAST_TAIL_S, MOST_TAIL_S = 60.0, 86400.0
CONSTANTS_WATCHED = 10.0
"""A run goes on for this many integral times or time constants after all has happened; at most a
day, because an integral time may be huge where it is a way to turn integral action off."""

_MARGIN_S = 1e-9
_EDGE = 1e-6


@dataclass(frozen=True)
class Situation:
    """Where a scenario begins.

    Parameters
    ----------
    study : Study
        System, duty, controller, and the scenarios' parameters.
    settings : PidSettings
        The controller's settings; with a scan time.
    point : OperatingPoint
        The steady state that the loop holds.
    start_output : float
        Output that the controller goes to where it is told to start anew [-].
    """

    study: Study
    settings: PidSettings
    point: OperatingPoint
    start_output: float

    @property
    def system(self) -> System:
        """The system as described."""
        return self.study.system

    @property
    def gauge(self) -> Gauge:
        """The loop's gauge."""
        gauge: Gauge = self.study.loop_gauge()
        return gauge

    @property
    def parameters(self) -> Scenarios:
        """What the study says of the scenarios."""
        return self.study.scenario or Scenarios()

    @property
    def lead_s(self) -> float:
        """Time at rest before anything happens [s]."""
        return self.parameters.lead_s

    @property
    def tail_s(self) -> float:
        """Time watched after all has happened [s]."""
        if self.parameters.tail_s is not None:
            return self.parameters.tail_s
        integral = self.settings.ti_s if math.isfinite(self.settings.ti_s) else 0.0
        watched = CONSTANTS_WATCHED * max(integral, self.point.time_constant_s)
        return min(max(LEAST_TAIL_S, watched), MOST_TAIL_S)

    @property
    def scan_time_s(self) -> float:
        """Scan time [s]."""
        if self.settings.scan_time_s is None:
            raise InputError("a simulated controller needs a scan time", field="scan_time_s")
        return self.settings.scan_time_s

    @property
    def unmetered_pa_m3_s(self) -> float:
        """Gas that enters without being metered [Pa m3/s]."""
        return min(self.study.system.gas_load.unmetered_pa_m3_s, self.point.gas_load_pa_m3_s)

    @property
    def metered_pa_m3_s(self) -> float:
        """Metered gas flow at the start [Pa m3/s]."""
        return self.point.gas_load_pa_m3_s - self.unmetered_pa_m3_s

    def times(self, duration_s: float) -> Array:
        """Time of each scan of a run [s]."""
        count = scan_count(duration_s, self.scan_time_s)
        return np.arange(count, dtype=np.float64) * self.scan_time_s

    def rest(self) -> Start:
        """Start at the operating point, in automatic."""
        point = self.point
        return Start(np.array(point.node_pressures_pa), point.speed, memory_at(point.speed))

    def steady_load(self) -> Array:
        """The point's gas load, for ever."""
        return corners((0.0, self.point.gas_load_pa_m3_s))


@dataclass(frozen=True)
class Prepared:
    """A scenario ready to run.

    Parameters
    ----------
    name, title : str
        Name of the scenario, and what it is in a few words.
    system : study.System
        The system; with an inlet valve where the scenario needs one and none is described.
    gauge : study.Gauge
        The loop's gauge.
    settings : PidSettings
        The controller's settings.
    start : Start
        State at the start.
    happenings : Happenings
        What happens from outside.
    event_s, settled_s : float
        When it begins to happen, and when all has happened [s].
    detects_faults : bool
        Whether the controller notices a gauge fault.
    bad_action : float
        Output at a bad reading [-], or `core.HOLD_OUTPUT`.
    notes : tuple of Finding
        What is to be known before the run.
    hold_band : float
        Half width of the duty's hold band [fraction of setpoint].
    limits : study.Limits
        The duty's limits.
    floor_pa : float
        The duty's minimum controllable pressure, true and in the chamber [Pa]; 0: none.
    point : OperatingPoint
        The steady state that the loop holds before or after.
    steps : GainSteps or None
        Gains by reading or output, in place of those of `settings`.
    """

    name: str
    title: str
    system: System
    gauge: Gauge
    settings: PidSettings
    start: Start
    happenings: Happenings
    event_s: float
    settled_s: float
    detects_faults: bool
    bad_action: float
    notes: tuple[Finding, ...]
    hold_band: float
    limits: Limits
    floor_pa: float
    point: OperatingPoint
    steps: GainSteps | None = None

    def run(
        self, *, seed: int | None = None, tolerance: float = TOLERANCE, ideal: bool = False
    ) -> Trace:
        """Run it; see `engine.simulate_loop`."""
        return simulate_loop(
            self.system,
            self.gauge,
            self.settings,
            self.start,
            self.happenings,
            seed=seed,
            detects_faults=self.detects_faults,
            bad_action=self.bad_action,
            tolerance=tolerance,
            ideal=ideal,
            steps=self.steps,
        )


@dataclass(frozen=True)
class Plan:
    """What a builder says of its scenario; what it leaves out stays as in the situation."""

    happenings: Happenings
    event_s: float
    settled_s: float
    notes: tuple[Finding, ...] = ()
    system: System | None = None
    settings: PidSettings | None = None
    start: Start | None = None
    detects_faults: bool = True


def memory_at(output: float) -> Memory:
    """Memory of a controller that starts from an output without a bump."""
    return Memory(output=output, unlimited=output)


def corners(*points: tuple[float, float]) -> Array:
    """Corners of straight lines, (time [s], value)."""
    return np.array(points, dtype=np.float64)


def within(times: Array, begin_s: float, end_s: float) -> NDArray[np.bool_]:
    """Scans from `begin_s` on and before `end_s`."""
    return (times >= begin_s - _MARGIN_S) & (times < end_s - _MARGIN_S)


def bad_action(situation: Situation) -> float:
    """Output that the controller goes to at a bad reading, or `core.HOLD_OUTPUT`."""
    return {
        "hold output": core.HOLD_OUTPUT,
        "go to start output": situation.start_output,
        "go to minimum": situation.settings.output_min,
        "go to maximum": situation.settings.output_max,
    }[situation.study.controller.bad_reading]


def where_it_leads(
    situation: Situation,
    indicated_pa: float,
    gas_load_pa_m3_s: float,
    gauge: Gauge | None = None,
    system: System | None = None,
) -> tuple[Finding, ...]:
    """Say so where the state that a scenario leads to cannot be held; nothing otherwise."""
    return _leads(
        system or situation.system,
        gauge or situation.gauge,
        situation.point,
        indicated_pa,
        gas_load_pa_m3_s,
    )


@lru_cache(maxsize=128)
def _leads(
    system: System, gauge: Gauge, point: OperatingPoint, indicated_pa: float,
    gas_load_pa_m3_s: float,
) -> tuple[Finding, ...]:  # fmt: skip
    """What `where_it_leads` says; several scenarios lead to the same state."""
    chain, drive = build_chain(system), system.drive
    wanted = float(true_pressure(system, gauge, indicated_pa))
    node, ends = gauge_node(chain, gauge), np.array([drive.minimum_speed, drive.maximum_speed])
    factor = np.full(2, wanted / point.node_pressures_pa[node])
    states = settle(
        chain,
        _states(point, factor, ends),
        Held(np.array([[SPEED, SPEED], [node, node]]), np.array([ends, [wanted, wanted]])),
    )
    least, most = (float(carried) for carried in states.gas_load_pa_m3_s)
    near = _EDGE * gas_load_pa_m3_s
    if not (states.found.all() and least < most):
        return _led_to_by_search(system, gauge, indicated_pa, gas_load_pa_m3_s)
    if least - near <= gas_load_pa_m3_s <= most + near:
        return ()
    if gas_load_pa_m3_s > most:
        limit = f"full speed, {percent_text(drive.maximum_speed)}, carries no more than"
    else:
        limit = f"minimum speed, {percent_text(drive.minimum_speed)}, carries as much as"
    carried = throughput_text(most if gas_load_pa_m3_s > most else max(least, 0.0))
    return _outside(
        f"at {pressure_text(indicated_pa)} on the gauge {limit} {carried}; the gas load is "
        f"{throughput_text(gas_load_pa_m3_s)}."
    )


def _led_to_by_search(
    system: System, gauge: Gauge, indicated_pa: float, gas_load_pa_m3_s: float
) -> tuple[Finding, ...]:
    """The same by the bracketed search, which always ends."""
    try:
        operating_point(
            system, indicated_pa=indicated_pa, gas_load_pa_m3_s=gas_load_pa_m3_s, gauge=gauge
        )
    except Infeasible as error:
        return _outside(error.reason)
    return ()


def _outside(reason: str) -> tuple[Finding, ...]:
    text = f"This leads to where the pumps cannot hold: {reason} No gain helps there."
    return (Finding("caution", "outside the window", text),)


def carried_load(chain: Chain, point: OperatingPoint, pressure_pa: Array, speed: float) -> Array:
    """Gas load that would hold the chamber at a pressure at a speed.

    Parameters
    ----------
    chain : Chain
        The system.
    point : OperatingPoint
        A state of it, or of a similar one, to search from.
    pressure_pa : array, shape (M,)
        Chamber pressures [Pa].
    speed : float
        Controller output [-].

    Returns
    -------
    array, shape (M,)
        As `steady.load_for_pressure`, found from the point where that is possible [Pa m3/s].
    """
    count = pressure_pa.size
    states = settle(
        chain,
        _states(point, pressure_pa / point.pressure_pa, np.full(count, speed)),
        Held(
            np.array([np.full(count, SPEED), np.zeros(count, dtype=np.int64)]),
            np.array([np.full(count, speed), pressure_pa]),
        ),
    )
    carried = np.maximum(states.gas_load_pa_m3_s, 0.0)
    lost = ~states.found
    if np.any(lost):
        carried[lost] = load_for_pressure(chain, pressure_pa[lost], speed)
    return carried


def _states(point: OperatingPoint, factor: Array, speed: Array) -> States:
    """The operating point with every pressure and the gas load times some factors, at speeds."""
    return States(
        np.outer(point.node_pressures_pa, factor),
        speed,
        point.gas_load_pa_m3_s * factor,
        np.ones(factor.size, dtype=bool),
    )
