"""Running the loop on the nonlinear plant: from a described system to a trace in time."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from chamberctl.control.controller import Memory, PidSettings
from chamberctl.control.gain_steps import GainSteps
from chamberctl.errors import InputError
from chamberctl.physics.gases import most_probable_speed, viscosity
from chamberctl.plant.chain import Chain, build_chain, gauge_node
from chamberctl.plant.compiled import compile_function
from chamberctl.simulation import core
from chamberctl.simulation.drive import DriveNumbers
from chamberctl.simulation.happenings import (
    BoosterWaits,
    Happenings,
    PowerDip,
    Start,
    scan_count,
)
from chamberctl.simulation.signal import NO_FAULT, GaugeNumbers
from chamberctl.simulation.stepping import PlantNumbers
from chamberctl.study.flowing import system_gas

if TYPE_CHECKING:
    from chamberctl.study import Drive, Gauge, System

__all__ = [
    "BoosterWaits",
    "Happenings",
    "PowerDip",
    "Start",
    "Trace",
    "simulate_loop",
]

Array = NDArray[np.float64]

TOLERANCE = 1e-5
"""Error of ln p allowed per step; with it a run keeps 1e-4 in pressure (halving shows it)."""

STEPS_PER_SCAN_AT_LEAST = 1.0
SHORTEST_STEP_S = 1e-13

LEAST_OPEN = 1e-9
"""A closed valve still leaks this share of its open conductance (assumed; an ideal pump behind an
ideal valve would have no pressure at all)."""


@dataclass(frozen=True)
class Trace:
    """A run, scan by scan.

    Parameters
    ----------
    time_s : array, shape (scans,)
        Time of each scan [s].
    columns : dict of str to array
        `core.COLUMNS` and the pressure of each node as "p_NAME_pa"; units in the names, speeds as
        fractions of rated, controller quantities in speed fraction or in the loop's reading.
    held : bool array, shape (scans,)
        Scans at which the output was given from outside.
    setpoint_pa : array, shape (scans,)
        Indicated setpoint [Pa].
    settings : PidSettings
        The controller's settings.
    complete : bool
        False where the integration could not go on; later rows are NaN.
    """

    time_s: Array
    columns: dict[str, Array]
    held: NDArray[np.bool_]
    setpoint_pa: Array
    settings: PidSettings
    complete: bool

    @property
    def pressure_pa(self) -> Array:
        """True chamber pressure [Pa]."""
        return self.columns["p_chamber_pa"]


def drive_numbers(drive: Drive) -> DriveNumbers:
    """The drive as plain numbers; a ramp time of zero is no ramp."""

    def rate(full_scale_s: float) -> float:
        return 1.0 / full_scale_s if full_scale_s > 0.0 else math.inf

    bands = np.array(drive.avoid_bands, dtype=float).reshape(-1, 2)
    return DriveNumbers(
        rate(drive.rise_time_s),
        rate(drive.fall_time_s),
        rate(drive.second_ramp_s),
        drive.lag_s,
        drive.resolution,
        drive.minimum_speed,
        drive.maximum_speed,
        bands,
    )


def gauge_numbers(
    system: System, chain: Chain, gauge: Gauge, reading: str, floor_pa: float
) -> GaugeNumbers:
    """The loop's gauge as plain numbers; see `signal.GaugeNumbers`."""
    gas, chamber_k = system_gas(system.gas), system.chamber.temperature_k
    head_k = gauge.head_temperature_k or 0.0
    mean_k = 0.5 * (head_k + chamber_k) if head_k else chamber_k
    return GaugeNumbers(
        node=gauge_node(chain, gauge),
        lag_s=gauge.lag_s,
        range_low_pa=gauge.range_low_pa,
        range_high_pa=gauge.range_high_pa,
        log_signal=gauge.signal == "log",
        steps=2.0**gauge.bits - 1.0 if gauge.bits else 0.0,
        head_k=head_k,
        chamber_k=chamber_k,
        bore_radius_m=0.5 * gauge.tube_bore_m,
        viscosity_pa_s=float(viscosity(mean_k, gas.viscosity_20c_pa_s, gas.sutherland_k)),
        most_probable_speed_m_s=float(most_probable_speed(mean_k, gas.molar_mass_kg_mol)),
        floor_pa=floor_pa,
        log_reading=reading == "log10",
    )


def plant_numbers(chain: Chain) -> PlantNumbers:
    """The chain as plain arrays for compiled code."""
    return PlantNumbers(
        chain.kinds,
        chain.rows,
        chain.curves,
        chain.compression,
        chain.nodes,
        chain.vapor,
        chain.booster_map,
        chain.backing_map,
        chain.volumes_m3,
    )


def simulate_loop(
    system: System,
    gauge: Gauge,
    settings: PidSettings,
    start: Start,
    happenings: Happenings,
    *,
    seed: int | None = None,
    detects_faults: bool = True,
    bad_action: float = core.HOLD_OUTPUT,
    tolerance: float = TOLERANCE,
    floor_pa: float | None = None,
    ideal: bool = False,
    steps: GainSteps | None = None,
) -> Trace:
    """Run the sampled loop on the nonlinear plant.

    Parameters
    ----------
    system : study.System
        The system; chamber, line, pumps, drive.
    gauge : study.Gauge
        The loop's gauge.
    settings : PidSettings
        The controller; must have a scan time.
    start : Start
        State at the start.
    happenings : Happenings
        What happens from outside.
    seed : int, optional
        Seed of the gauge's noise; no noise if not given.
    detects_faults : bool
        Whether the controller notices a gauge fault.
    bad_action : float
        Output to go to at a bad reading [-]; `core.HOLD_OUTPUT` holds it.
    tolerance : float
        Error of ln p allowed per step [-].
    floor_pa : float, optional
        Floor of the reading before the logarithm [Pa]; the gauge's lower end if not given.
    ideal : bool
        Leave out rounding, bands and the second ramp of the drive and the gauge's counts.
    steps : GainSteps, optional
        Gains by reading or output, in place of those of `settings`.

    Returns
    -------
    Trace
        The run. Where the integration cannot go on (a load that is not a number, a plant without
        any answer) it ends early, `complete` is False, and what was reached is kept.

    Raises
    ------
    InputError
        If the settings have no scan time, the run has no scan, or the start is no state.
    """
    scan_time = settings.scan_time_s
    if scan_time is None:
        raise InputError("a simulated controller needs a scan time", field="scan_time_s")
    scans = scan_count(happenings.duration_s, scan_time)
    chain = build_chain(system)
    begin = np.asarray(start.pressures_pa, dtype=float)
    if begin.shape != (chain.size,) or not np.all((begin > 0.0) & np.isfinite(begin)):
        remedy = f"a run starts from {chain.size} node pressures above zero"
        raise InputError(remedy, given=str(start.pressures_pa), field="start")
    drive = drive_numbers(system.drive)
    floor = gauge.range_low_pa if floor_pa is None else floor_pa
    watching = gauge_numbers(system, chain, gauge, settings.reading, floor)
    if ideal:
        drive = drive._replace(resolution=0.0, bands=np.empty((0, 2)), second_per_s=math.inf)
        watching = watching._replace(steps=0.0)
    schedule = _schedule(happenings, system, gauge, settings, scans, seed, watching)
    schedule = _with_machines(schedule, happenings, chain)
    record = np.full((scans, len(core.COLUMNS) + chain.size), np.nan)
    options = core.Options(
        tolerance, scan_time / STEPS_PER_SCAN_AT_LEAST, SHORTEST_STEP_S, detects_faults, bad_action
    )
    status = compiled_run()(
        plant_numbers(chain),
        drive,
        watching,
        (GainSteps("reading", (settings,), ()) if steps is None else steps).numbers(),
        schedule,
        options,
        scan_time,
        np.log(begin),
        start.speed,
        start.memory,
        record,
    )
    names = [*core.COLUMNS, *(f"p_{name.replace(' ', '_')}_pa" for name in chain.node_names)]
    return Trace(
        time_s=np.arange(scans, dtype=np.float64) * scan_time,
        columns={name: record[:, index] for index, name in enumerate(names)},
        held=record[:, core.COLUMNS.index("held")] == 1.0,
        setpoint_pa=_per_scan(happenings.setpoint_pa, scans, 0.0),
        settings=settings,
        complete=status == core.DONE,
    )


def load_compiled(system: System, gauge: Gauge) -> None:
    """Run one scan: the compiled code is then at hand before anybody waits for a run.

    Parameters
    ----------
    system, gauge : study.System, study.Gauge
        As for `simulate_loop`.
    """
    pressures = np.full(build_chain(system).size, gauge.range_high_pa)
    start = Start(pressures, system.drive.maximum_speed, Memory())
    settings = PidSettings(kc=1.0, scan_time_s=1.0)
    happenings = Happenings(1.0, pressures[:1], np.array([[0.0, 0.0]]))
    simulate_loop(system, gauge, settings, start, happenings)


@cache
def compiled_run() -> Callable[..., int]:
    """`core.run`, compiled on first use in this process.

    Returns
    -------
    callable
        Same arguments as `core.run`.
    """
    return compile_function(core.run, borrows=True)


def _per_scan(values: NDArray | None, scans: int, otherwise: float) -> Array:
    """One value per scan; the last one goes on."""
    if values is None:
        return np.full(scans, otherwise)
    given = np.asarray(values, dtype=float)
    return np.append(given, np.full(max(scans - given.size, 0), given[-1]))[:scans]


def _schedule(
    happenings: Happenings,
    system: System,
    gauge: Gauge,
    settings: PidSettings,
    scans: int,
    seed: int | None,
    watching: GaugeNumbers,
) -> core.Schedule:
    """Translate what happens into the arrays of compiled code."""
    scan_time = settings.scan_time_s
    assert scan_time is not None
    time = np.arange(scans) * scan_time
    setpoint = _per_scan(happenings.setpoint_pa, scans, 0.0)
    if settings.reading == "log10":
        setpoint = np.log10(np.maximum(setpoint, watching.floor_pa))
    taken = time - gauge.dead_time_s
    if gauge.update_period_s > 0.0:
        taken = np.floor(taken / gauge.update_period_s + 1e-9) * gauge.update_period_s
        taken = np.minimum(taken, time)
    noise = np.zeros(scans)
    if seed is not None:
        noise = gauge.noise * np.random.default_rng(seed).standard_normal(scans)
    return core.Schedule(
        setpoint=setpoint,
        mode=_per_scan(happenings.held, scans, 0.0).astype(np.int64),
        applied=_per_scan(happenings.applied, scans, 0.0),
        feed_forward=_per_scan(happenings.feed_forward, scans, 0.0),
        fault=_per_scan(happenings.fault, scans, NO_FAULT).astype(np.int64),
        noise=noise,
        factor=_per_scan(happenings.factor, scans, gauge.gas_factor),
        sampled_s=taken,
        arrives_s=time + settings.delay_s + system.drive.dead_time_s,
        load_s=np.ascontiguousarray(happenings.load[:, 0]),
        load=np.ascontiguousarray(happenings.load[:, 1]),
        open_s=np.ascontiguousarray(happenings.opening[:, 0]),
        open=np.maximum(happenings.opening[:, 1], LEAST_OPEN),
        moving=happenings.moving,
        switch_pa=-1.0 if happenings.switch_below_pa is None else happenings.switch_below_pa,
        booster=-1,
        booster_from_s=0.0,
        booster_below_pa=math.inf,
        standby=1.0,
        power_off_s=math.inf,
        power_on_s=math.inf,
        coast_per_s=0.0,
    )


def _with_machines(schedule: core.Schedule, happenings: Happenings, chain: Chain) -> core.Schedule:
    """Add a booster that waits and a while without power."""
    waits, dip = happenings.booster_waits, happenings.power_dip
    if waits is not None and chain.booster_node is not None:
        schedule = schedule._replace(
            booster=chain.booster_node,
            booster_from_s=float(waits.from_s),
            booster_below_pa=float(waits.below_pa),
            standby=float(waits.standby),
        )
    if dip is not None:
        schedule = schedule._replace(
            power_off_s=float(dip.off_s),
            power_on_s=float(dip.on_s),
            coast_per_s=1.0 / dip.coast_s,
        )
    return schedule
