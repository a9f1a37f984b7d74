"""How far a loop may be moved before ramps and limits act, which no margin contains.

The sampled linear loop says what the output would do. Its largest value and its fastest move are
held against the room that limits and ramps leave at each point. Where the output comes to a limit,
the rest is the plant's own: then only gas lifts the pressure, and no gain helps.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

from chamberctl.control.answers import Array, metered_share, step_answers
from chamberctl.control.response import usual_duration
from chamberctl.control.room import Bound, Resting, Room, resting
from chamberctl.plant.chain import build_chain
from chamberctl.plant.steady import load_for_pressure

if TYPE_CHECKING:
    from chamberctl.control.controller import PidSettings
    from chamberctl.control.tuned import TunedPoint
    from chamberctl.plant.chain import Chain
    from chamberctl.plant.point import OperatingPoint
    from chamberctl.study import Study

Way = Literal["gas_up", "gas_down", "setpoint_up", "setpoint_down"]
WAYS: tuple[Way, ...] = ("gas_up", "gas_down", "setpoint_up", "setpoint_down")

LN10 = math.log(10.0)
#: Largest steps that are looked at: ten times the gas, three decades of setpoint.
MOST_GAS, MOST_DECADES = 10.0, 3.0
#: Places between a pressure and the next at which the slowest rise is looked at.
PLACES = 9
_HALVINGS = 32


@dataclass(frozen=True)
class LargestStep:
    """The largest step that stays clear of ramps and limits.

    Parameters
    ----------
    size : float
        Share of the metered gas flow, or of the setpoint [1]; inf where nothing binds.
    bound : str
        What a larger one meets first; empty where nothing binds.
    at_once : bool
        Whether the law's first move meets it, before the plant has answered.
    """

    size: float
    bound: Bound
    at_once: bool = False


@dataclass(frozen=True)
class PointMoves:
    """One duty point.

    Parameters
    ----------
    where : str
    gas_up, gas_down, setpoint_up, setpoint_down : LargestStep
    rise_per_s : float
        Fastest rise of the pressure, at lowest output, quasi-steady [1/s]; zero or negative: it
        cannot rise.
    asked_rise_per_s : float
        Fastest rise that the linear loop asks for after the duty's setpoint step up [1/s].
    rise_time_s : float
        Least time that the duty's setpoint step up takes whatever the gains [s]; inf where it
        cannot rise.
    """

    where: str
    gas_up: LargestStep
    gas_down: LargestStep
    setpoint_up: LargestStep
    setpoint_down: LargestStep
    rise_per_s: float
    asked_rise_per_s: float
    rise_time_s: float

    @property
    def gas_limited(self) -> bool:
        """Whether gas alone limits how fast the pressure rises after the duty's setpoint step."""
        return self.asked_rise_per_s > self.rise_per_s


def large_moves(
    study: Study, settings: PidSettings | Sequence[PidSettings], points: Sequence[TunedPoint]
) -> tuple[PointMoves, ...]:
    """Return how far each duty point may be moved before ramps and limits act.

    Parameters
    ----------
    study : Study
        System and duty.
    settings : PidSettings or sequence of PidSettings
        The loop's settings, or those in force at each point; with a scan time.
    points : sequence of TunedPoint
        Duty points with their models; those with an unstable loop are left out.

    Returns
    -------
    tuple of PointMoves

    Notes
    -----
    A drive without lag keeps clear of a ramp as long as it reaches each command before the next
    scan; one with lag, as long as the lag by itself moves it no faster than the ramp. Ramps are
    held against the linear answer. For limits its output is scaled from its linear to its true
    resting speed, which differ where steps are large; what the law does within the dead time needs
    no such scale.
    """
    each = settings if isinstance(settings, Sequence) else [settings] * len(points)
    held = [(p, one) for p, one in zip(points, each, strict=True) if p.margins.stable]
    if not held:
        return ()
    stable, used = [point for point, _ in held], [one for _, one in held]
    models, count = [point.model for point in stable], len(stable)
    length = max(map(usual_duration, models, used))
    # every loop twice: a step by the whole metered gas, and one by a decade or the whole reading
    gas = np.array([metered_share(study, model) for model in models])
    units = np.array([_unit(one, point) for point, one in held])
    none = np.zeros(count)
    both = step_answers(
        [*models, *models], [*used, *used], duration_s=length,
        gas_load_steps=np.append(gas, none), setpoint_steps=np.append(none, units),
    )  # fmt: skip
    chain = build_chain(study.system)
    states = [point.point for point in stable]
    room = Room.of(study.system.drive, used[0], math.nan)
    rests = resting(study, chain, states, room.low, room.high)
    rates = _rise_rates(study, chain, states, room.low)
    return tuple(
        _Moves(study, used[i], point, rests[i], rates[i]).of(
            both.speed[i], both.speed[count + i], both.reading[count + i]
        )
        for i, point in enumerate(stable)
    )


def _rise_rates(
    study: Study, chain: Chain, points: Sequence[OperatingPoint], speed: float
) -> Array:
    """Fastest rise of each chamber on its way up the duty's setpoint step [Pa/s], (N, PLACES)."""
    way = np.linspace(1.0, 1.0 + study.duty.setpoint_step, PLACES)
    pressures = np.outer([point.pressure_pa for point in points], way)
    carried = load_for_pressure(chain, pressures.ravel(), np.full(pressures.size, speed))
    load = np.array([[point.gas_load_pa_m3_s] for point in points])
    return np.asarray((load - carried.reshape(pressures.shape)) / chain.volumes_m3[0])


def _unit(settings: PidSettings, point: TunedPoint) -> float:
    return 1.0 if settings.reading == "log10" else point.model.reading_pa


class _Moves:
    """All that is asked of one duty point."""

    def __init__(
        self, study: Study, settings: PidSettings, point: TunedPoint, rests: Resting, rates: Array
    ) -> None:
        self.study, self.point, self.rests, self.rates = study, point, rests, rates
        self.log = settings.reading == "log10"
        self.scan_s = settings.scan_time_s or 0.0
        self.room = Room.of(study.system.drive, settings, point.point.speed)
        delay = point.model.dead_time_s + settings.delay_s
        self.blind = math.floor(delay / self.scan_s + 1e-9) + 1
        unmetered = study.system.gas_load.unmetered_pa_m3_s
        self.metered = max(point.point.gas_load_pa_m3_s - unmetered, 0.0)
        # setpoint units that a ramp of the setpoint lets through in one scan
        self.per_scan = settings.setpoint_ramp_per_s * self.scan_s / _unit(settings, point)

    def of(self, gas: Array, setpoint: Array, seen: Array) -> PointMoves:
        steps = {
            "gas_up": self._largest(gas, 1.0, MOST_GAS, ramped=False),
            "gas_down": self._largest(gas, -1.0, 1.0, ramped=False),
            "setpoint_up": self._largest(setpoint, 1.0, self._most(), ramped=True),
            "setpoint_down": self._largest(setpoint, -1.0, self._most(), ramped=True),
        }
        rise, time_s = self._rise()
        return PointMoves(
            where=self.point.where, rise_per_s=rise, rise_time_s=time_s,
            asked_rise_per_s=self._asked_rise(seen), **steps,
        )  # fmt: skip

    def _most(self) -> float:
        return MOST_DECADES if self.log else 1.0

    def _largest(self, unit: Array, sign: float, most: float, *, ramped: bool) -> LargestStep:
        """Largest step, by halving between nothing and the most that is looked at."""

        def used(units: float, scans: int | None = None) -> dict[Bound, float]:
            linear = sign * self._shaped(unit, units, ramped)
            scaled = self._scaled(linear, sign * units, ramped)
            return self.room.used(linear[:scans], scaled[:scans], self.scan_s)

        def share(units: float) -> float:
            return max(used(units).values())

        if share(most) <= 1.0:
            return LargestStep(math.inf, "")
        low, high = 0.0, most
        for _ in range(_HALVINGS):
            middle = 0.5 * (low + high)
            low, high = (middle, high) if share(middle) <= 1.0 else (low, middle)
        at_limit = used(high)
        bound = max(at_limit, key=lambda name: at_limit[name])
        at_once = used(high, 1)[bound] >= at_limit[bound] * (1.0 - 1e-9)
        return LargestStep(self._fraction(low, sign) if ramped else low, bound, at_once)

    def _scaled(self, linear: Array, units: float, ramped: bool) -> Array:
        """The output after a step of so many units, scaled to its true resting speed."""
        target, final = self._resting(units, ramped), float(linear[-1])
        if math.isnan(target):  # beyond the limits nothing rests
            return np.append(linear, math.copysign(math.inf, final))
        if not target * final > 0.0:
            return linear
        scaled = target / final * linear
        scaled[: self.blind] = linear[: self.blind]
        return scaled

    def _shaped(self, unit: Array, units: float, ramped: bool) -> Array:
        """The answer to a step, or to a ramp of the setpoint up to it."""
        if not ramped or units <= self.per_scan:
            return units * unit
        whole = math.floor(units / self.per_scan)
        rest = units - whole * self.per_scan
        summed = np.cumsum(unit)
        behind = np.zeros_like(unit)
        late = np.zeros_like(unit)
        if whole < unit.size:
            behind[whole:] = summed[: unit.size - whole]
            late[whole:] = unit[: unit.size - whole]
        return np.asarray(self.per_scan * (summed - behind) + rest * late)

    def _resting(self, units: float, ramped: bool) -> float:
        """How far the speed comes to rest from where it was; nan beyond the limits."""
        point = self.point.point
        if ramped:
            factor = 10.0**units if self.log else 1.0 + units
            return self.rests.moved("readings", point.indicated_pa, factor * point.indicated_pa)
        load = point.gas_load_pa_m3_s
        return self.rests.moved("loads", load, load + units * self.metered)

    def _fraction(self, units: float, sign: float) -> float:
        """Share of the setpoint that so many units are."""
        return sign * (10.0 ** (sign * units) - 1.0) if self.log else units

    def _asked_rise(self, seen: Array) -> float:
        step = self.study.duty.setpoint_step
        units = math.log10(1.0 + step) if self.log else step
        shaped = self._shaped(seen, units, True)
        rate = float(np.diff(shaped).max(initial=0.0)) / self.scan_s
        return rate * LN10 if self.log else rate / self.point.model.reading_pa

    def _rise(self) -> tuple[float, float]:
        """Fastest rise at rest, and least time of the duty's setpoint step up."""
        pressure = self.point.point.pressure_pa
        rise = float(self.rates[0]) / pressure
        if not np.all(self.rates > 0.0):
            return rise, math.inf
        way = pressure * np.linspace(1.0, 1.0 + self.study.duty.setpoint_step, PLACES)
        return rise, float(np.trapezoid(1.0 / self.rates, way))
