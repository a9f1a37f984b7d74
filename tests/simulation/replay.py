"""The same loop by other means: solve_ivp between events, and plain Python at each scan.

Nothing of the engine is used but the right-hand side: the drive is integrated as a differential
equation, the gauge's lag likewise, and nodes without a volume are solved for at every evaluation.
Rounding, bands, counts and noise are left out ("ideal").
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from scipy.integrate import solve_ivp

from chamberctl.control.controller import Memory, reading_of, step
from chamberctl.physics.gases import most_probable_speed, viscosity
from chamberctl.physics.transpiration import transpiration_ratio
from chamberctl.plant import equations
from chamberctl.plant.chain import build_chain, gauge_node
from chamberctl.plant.compiled import compiled_net_flows
from chamberctl.simulation.engine import LEAST_OPEN, Trace
from chamberctl.simulation.prepared import Prepared
from chamberctl.simulation.signal import FAILS_FULL, FAILS_LAST, FAILS_ZERO
from chamberctl.study.flowing import system_gas

Array = Any


@dataclass
class Replay:
    """One run by other means; `plain` calls the right-hand side as it is written."""

    prepared: Prepared
    rtol: float = 1e-10
    plain: bool = False
    method: str = "LSODA"
    shows: dict[str, list[float]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        prepared, happenings = self.prepared, self.prepared.happenings
        self.chain = build_chain(prepared.system)
        self.rows = self.chain.rows.copy()
        self.flows: Callable[..., Any] = equations.net_flows if self.plain else compiled_net_flows()
        self.held = np.flatnonzero(self.chain.volumes_m3 > 0.0)
        self.free = np.flatnonzero(self.chain.volumes_m3 <= 0.0)
        self.drive, self.gauge = prepared.system.drive, prepared.gauge
        self.node = gauge_node(self.chain, self.gauge)
        self.ts = float(prepared.settings.scan_time_s or 0.0)
        self.scans = math.ceil(happenings.duration_s / self.ts) + 1
        self.load = happenings.load
        self.opening = happenings.opening.copy()
        self.opening[:, 1] = np.maximum(self.opening[:, 1], LEAST_OPEN)
        waits = happenings.booster_waits
        self.woken_s = -math.inf if waits is None else math.inf
        self.log_p = np.log(prepared.start.pressures_pa).astype(float)

    # --- what acts on the plant

    def share(self, t: float) -> float:
        """How much of the map's speed the booster has."""
        waits = self.prepared.happenings.booster_waits
        if waits is None:
            return 1.0
        if t <= self.woken_s:
            return waits.standby
        return min(1.0, waits.standby + (t - self.woken_s) / self.drive.rise_time_s)

    def net(self, t: float, pressures: Array, speed: float, ends: tuple[float, float]) -> Array:
        """Net flows at a time inside the piece from ends[0] to ends[1]."""
        chain, happenings = self.chain, self.prepared.happenings
        if happenings.moving >= 0:
            self.rows[happenings.moving, 9] = on_line(self.opening, t, ends)
        if happenings.booster_waits is not None and chain.booster_node is not None:
            for place in (0, 3):
                whole = chain.rows[chain.booster_node, place]
                self.rows[chain.booster_node, place] = self.share(t) * whole
        return self.flows(
            chain.kinds, self.rows, chain.curves, chain.compression, chain.nodes, chain.vapor,
            chain.booster_map, chain.backing_map, pressures, speed,
            on_line(self.load, t, ends), np.empty(chain.size),
        )  # fmt: skip

    def all_pressures(
        self, t: float, logs: Array, speed: float, ends: tuple[float, float]
    ) -> tuple[Array, Array]:
        """Pressures and flows of all nodes, those without a volume by Newton's method."""
        self.log_p[self.held] = logs
        flows = self.net(t, np.exp(self.log_p), speed, ends).copy()
        for _ in range(50 if self.free.size else 0):
            slope = np.empty((self.free.size, self.free.size))
            for column, node in enumerate(self.free):
                moved = self.log_p.copy()
                moved[node] += 1e-7
                change = self.net(t, np.exp(moved), speed, ends)[self.free] - flows[self.free]
                slope[:, column] = change / 1e-7
            change = np.clip(np.linalg.solve(slope, -flows[self.free]), -1.0, 1.0)
            self.log_p[self.free] += change
            flows = self.net(t, np.exp(self.log_p), speed, ends).copy()
            if np.max(np.abs(change)) < 1e-12:
                break
        return np.exp(self.log_p), flows

    # --- one piece of time in which nothing jumps

    def piece(self, begin: float, end: float, speed: float, target: float, gauge_pa: float,
              coasting: bool) -> tuple[float, float]:  # fmt: skip
        """Integrate; returns speed and gauge pressure at the end."""
        up, down, lag = self.rates(coasting)
        lagging, watched = lag > 0.0, self.gauge.lag_s > 0.0

        def ramped(t: float) -> float:
            left = target - speed
            most = (up if left > 0.0 else down) * (t - begin)
            return speed + min(max(left, -most), most) if left else target

        def slope(t: float, y: Array) -> Array:
            now = y[self.held.size] if lagging else ramped(t)
            pressures, flows = self.all_pressures(t, y[: self.held.size], now, (begin, end))
            held = self.held
            rates = list(flows[held] / (self.chain.volumes_m3[held] * pressures[held]))
            if lagging:
                rates.append(min(max((target - now) / lag, -down), up))
            if watched:
                rates.append((pressures[self.node] - y[-1]) / self.gauge.lag_s)
            return np.array(rates)

        start = list(self.log_p[self.held])
        start += [speed] if lagging else []
        start += [gauge_pa] if watched else []
        found = solve_ivp(
            slope, (begin, end), start, method=self.method, rtol=self.rtol, atol=self.rtol
        )
        assert found.success, found.message
        last = found.y[:, -1]
        now = float(last[self.held.size]) if lagging else ramped(end)
        pressures, _ = self.all_pressures(end, last[: self.held.size], now, (begin, end))
        return now, float(last[-1]) if watched else float(pressures[self.node])

    def rates(self, coasting: bool) -> tuple[float, float, float]:
        """Ramps up and down and lag of the drive, or of one that coasts."""
        if coasting:
            dip = self.prepared.happenings.power_dip
            assert dip is not None
            return math.inf, 1.0 / dip.coast_s, 0.0
        rise, fall = self.drive.rise_time_s, self.drive.fall_time_s
        return (
            1.0 / rise if rise else math.inf, 1.0 / fall if fall else math.inf, self.drive.lag_s
        )  # fmt: skip

    # --- the run

    def run(self, commands: Array | None = None, last_s: float | None = None) -> dict[str, Array]:
        """Run with the given commands, or in closed loop; node pressures and outputs per scan."""
        prepared, happenings = self.prepared, self.prepared.happenings
        scans = self.scans if last_s is None else min(self.scans, int(last_s / self.ts) + 1)
        speed, memory = prepared.start.speed, prepared.start.memory
        gauge_pa = float(prepared.start.pressures_pa[self.node])
        wait = prepared.settings.delay_s + self.drive.dead_time_s
        arriving: list[tuple[float, float]] = []
        samples: dict[float, float] = {}
        wanted, given = speed, []
        pressures = np.empty((scans, self.chain.size))
        outputs, speeds, readings = np.empty(scans), np.empty(scans), np.empty(scans)
        self.before = None
        switched = False
        fixed = [*self.load[:, 0], *self.opening[:, 0]]
        dip = happenings.power_dip
        fixed += [] if dip is None else [dip.off_s, dip.on_s]
        for k in range(scans):
            t, end = k * self.ts, (k + 1) * self.ts
            pressures[k], speeds[k] = np.exp(self.log_p), speed
            if commands is None:
                taken = self.sampled(t)
                sample = gauge_pa if taken <= 0.0 or abs(taken - t) < 1e-9 else samples[taken]
                memory, switched, readings[k] = self.scan(k, sample, memory, switched)
                command = min(max(memory.output, self.drive.minimum_speed),
                              self.drive.maximum_speed)  # fmt: skip
            else:
                command = float(commands[k])
            outputs[k] = memory.output
            given.append(command)
            arriving.append((t + wait, command))
            self.wake(t)
            moments = [at for at in (*fixed, *(at for at, _ in arriving)) if t < at < end]
            nexts = [self.sampled(j * self.ts) for j in (k + 1, k + 2, k + 3)]
            moments += [at for at in nexts if t < at < end]
            waits = happenings.booster_waits
            if waits is not None and math.isfinite(self.woken_s):
                full = self.woken_s + (1.0 - waits.standby) * self.drive.rise_time_s
                moments += [full] if t < full < end else []
            here = t
            for stop in [*distinct(moments, t, end), end]:
                while arriving and arriving[0][0] <= here + 1e-9 * self.ts:
                    wanted = arriving.pop(0)[1]
                coasting = dip is not None and dip.off_s <= here + 1e-9 < dip.on_s
                target = 0.0 if coasting else wanted
                for inner in self.ramp_end(here, stop, speed, target, coasting):
                    speed, gauge_pa = self.piece(here, inner, speed, target, gauge_pa, coasting)
                    here = inner
                for at in nexts:
                    if abs(at - here) < 1e-9:
                        samples[at] = gauge_pa
        return {"pressures": pressures, "output": outputs, "speed": speeds, "reading": readings,
                "command": np.array(given)}  # fmt: skip

    def ramp_end(
        self, here: float, stop: float, speed: float, target: float, coasting: bool
    ) -> list[float]:
        """Ends of the pieces up to `stop`: where a ramp arrives or gives way to the lag."""
        up, down, lag = self.rates(coasting)
        gap = target - speed
        rate = up if gap > 0.0 else down
        if not math.isfinite(rate) or gap == 0.0:
            return [stop]
        over = here + abs(gap) / rate - lag
        return [over, stop] if here + 1e-9 < over < stop - 1e-9 else [stop]

    def wake(self, t: float) -> None:
        """Let a waiting booster start."""
        waits = self.prepared.happenings.booster_waits
        node = self.chain.booster_node
        if waits is None or node is None or math.isfinite(self.woken_s):
            return
        if t >= waits.from_s and math.exp(self.log_p[node]) < waits.below_pa:
            self.woken_s = t

    def sampled(self, t: float) -> float:
        """When the value that a scan at t reads was taken."""
        taken = t - self.gauge.dead_time_s
        period = self.gauge.update_period_s
        if period > 0.0:
            taken = math.floor(taken / period + 1e-9) * period
        return min(taken, t)

    def scan(
        self, k: int, gauge_pa: float, memory: Memory, switched: bool
    ) -> tuple[Memory, bool, float]:
        """Gauge and controller at one scan, in plain Python."""
        prepared, happenings, gauge = self.prepared, self.prepared.happenings, self.gauge
        shown = gauge_pa / per_scan(happenings.factor, k, gauge.gas_factor)
        if gauge.head_temperature_k:
            chamber_k = prepared.system.chamber.temperature_k
            mean_k, gas = (
                0.5 * (gauge.head_temperature_k + chamber_k),
                system_gas(prepared.system.gas),
            )
            shown *= transpiration_ratio(
                gauge_pa, gauge.head_temperature_k, chamber_k, 0.5 * gauge.tube_bore_m,
                viscosity(mean_k, gas.viscosity_20c_pa_s, gas.sutherland_k),
                most_probable_speed(mean_k, gas.molar_mass_kg_mol),
            )  # fmt: skip
        shown = min(max(shown, gauge.range_low_pa), gauge.range_high_pa)
        self.before = shown if self.before is None else self.before
        fault = int(per_scan(happenings.fault, k, 0))
        sent = {FAILS_ZERO: 0.0, FAILS_FULL: gauge.range_high_pa, FAILS_LAST: self.before}
        if fault:
            shown = sent[fault]
        else:
            self.before = shown
        settings = prepared.settings
        y = reading_of(shown, settings.reading, gauge.range_low_pa)
        setpoint = per_scan(happenings.setpoint_pa, k, 0.0)
        r = reading_of(setpoint, settings.reading, gauge.range_low_pa)
        bad = prepared.detects_faults and fault > 0
        if happenings.switch_below_pa is not None:
            switched = switched or (shown < happenings.switch_below_pa and not bad)
        held = bool(per_scan(happenings.held, k, False)) and not switched
        given = per_scan(happenings.applied, k, 0.0)
        applied = None if math.isnan(given) else given
        if bad and not held:
            applied = None if prepared.bad_action < 0.0 else prepared.bad_action
        memory = step(
            memory, settings, r, y, feed_forward=per_scan(happenings.feed_forward, k, 0.0),
            mode="override" if held else "auto", applied=applied, reading_good=held or not bad,
        )  # fmt: skip
        return memory, switched, y


def per_scan(values: Any, k: int, otherwise: float) -> float:
    """Value at scan k; the last one goes on."""
    return otherwise if values is None else float(values[min(k, len(values) - 1)])


def on_line(corners: Array, t: float, ends: tuple[float, float]) -> float:
    """Value of straight lines between corners, seen from inside the piece."""
    middle = 0.5 * (ends[0] + ends[1])
    place = int(np.searchsorted(corners[:, 0], middle, side="right")) - 1
    if place + 1 >= len(corners):
        return float(corners[-1, 1])
    (t0, v0), (t1, v1) = corners[place], corners[place + 1]
    return float(v0 + (v1 - v0) * (t - t0) / (t1 - t0))


def distinct(moments: list[float], begin: float, end: float) -> list[float]:
    """Moments in order, but for rounding; those at the ends left out."""
    found: list[float] = []
    for at in sorted(moments):
        if at - (found[-1] if found else begin) > 1e-9 and end - at > 1e-9:
            found.append(at)
    return found


def node_pressures(trace: Trace, prepared: Prepared) -> Array:
    """Node pressures of a trace, shape (scans, N)."""
    names = build_chain(prepared.system).node_names
    return np.column_stack([trace.columns[f"p_{name.replace(' ', '_')}_pa"] for name in names])
