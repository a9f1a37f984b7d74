"""A relay test, simulated: what an engineer would see, and what is concluded from it.

A relay in place of the controller makes the loop swing; amplitude and period of the swing stand for
ultimate gain and period. That is an approximation (the describing function counts the swing as a
sine), and its error can be told here, because the loop is known.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from chamberctl.control.frequency_rules import ultimate_point
from chamberctl.control.response import SampledPlant
from chamberctl.control.rule_gains import UltimatePoint
from chamberctl.control.rules import reduce_loop
from chamberctl.errors import Infeasible

if TYPE_CHECKING:
    from chamberctl.control.controller import PidSettings
    from chamberctl.plant.linear import LoopModel

Array = NDArray[np.float64]

#: Steps within an effective dead time between which switchings and peaks are sought.
STEPS = 24
#: Two swings that differ by less than this are one limit cycle [relative].
STEADY = 1e-9
#: Halvings of a step at which an event is placed.
_BITS = 52
#: Swings until it must have become steady, and swings of a sampled loop that are averaged.
MOST_SWINGS, AVERAGED = 200, 12


@dataclass(frozen=True)
class RelayTest:
    """The steady swing of a relay test, in deviations from the operating point.

    Parameters
    ----------
    relay : float
        Half the relay's move of the output [speed fraction].
    hysteresis, bias : float
        Half width of its dead zone [decades or Pa], and its mean output [speed fraction].
    high, low : float
        Largest and least reading of a swing [decades or Pa].
    high_output_s, low_output_s : float
        Times within a swing in which the output is high, low [s].
    estimate : UltimatePoint
        What is concluded: ku = 4 d/(pi sqrt(a^2 - eps^2)), tu = the period.
    exact : UltimatePoint
        What is true of this loop.
    """

    relay: float
    hysteresis: float
    bias: float
    high: float
    low: float
    high_output_s: float
    low_output_s: float
    estimate: UltimatePoint
    exact: UltimatePoint

    @property
    def period_s(self) -> float:
        """Period of the swing [s]."""
        return self.high_output_s + self.low_output_s

    @property
    def gain_error(self) -> float:
        """How far the estimated ultimate gain is off [relative]."""
        return self.estimate.gain / self.exact.gain - 1.0

    @property
    def period_error(self) -> float:
        """How far the estimated ultimate period is off [relative]."""
        return self.estimate.period_s / self.exact.period_s - 1.0


def relay_test(
    model: LoopModel,
    settings: PidSettings,
    relay: float = 0.05,
    *,
    hysteresis: float = 0.0,
    bias: float = 0.0,
    exact: UltimatePoint | None = None,
) -> RelayTest:
    """Simulate a relay test on the linear plant with its exact dead time.

    Parameters
    ----------
    model : LoopModel
        The plant.
    settings : PidSettings
        Reading, scan time and computation delay are used. With a scan time the relay looks at the
        reading once a scan; without, it switches at the very moment.
    relay : float
        Half the relay's move [speed fraction].
    hysteresis : float
        The output goes up above this reading and down below its negative [decades or Pa].
    bias : float
        Mean of the relay's two outputs [speed fraction].
    exact : UltimatePoint, optional
        The loop's edge of stability, where it is known already.

    Returns
    -------
    RelayTest
        The steady swing and what is concluded from it.

    Raises
    ------
    Infeasible
        If no steady swing comes about.

    References
    ----------
    K. J. Astrom, T. Hagglund, Automatic tuning of simple regulators with specifications on phase
    and amplitude margins, Automatica 20 (1984) 645-651 (from memory).
    """
    exact = ultimate_point(model, settings) if exact is None else exact
    run = _at_any_time if settings.scan_time_s is None else _at_scans
    swings = run(model, settings, _Relay(relay, hysteresis, bias))
    high, low, up_s, down_s = (float(np.mean(column)) for column in zip(*swings, strict=True))
    amplitude = 0.5 * (high - low)
    if not amplitude > hysteresis:
        raise Infeasible("The relay's dead zone is wider than the swing: nothing can be concluded.")
    gain = 4.0 * relay / (math.pi * math.sqrt(amplitude**2 - hysteresis**2))
    estimate = UltimatePoint(gain, up_s + down_s)
    return RelayTest(relay, hysteresis, bias, high, low, up_s, down_s, estimate, exact)


@dataclass(frozen=True)
class _Relay:
    half: float
    hysteresis: float
    bias: float

    def output(self, up: bool) -> float:
        return self.bias + (self.half if up else -self.half)

    def above(self, up: bool, reading: float) -> float:
        """Positive while the relay stays as it is."""
        return reading + self.hysteresis if up else self.hysteresis - reading


#: Largest and least reading, time with high and with low output.
Swing = tuple[float, float, float, float]


class _Swings:
    """Collects swings from switching to switching until they repeat themselves."""

    def __init__(self) -> None:
        self.swings: list[Swing] = []
        self.high, self.low, self.up_s = -math.inf, math.inf, math.nan
        self.since = math.nan

    def see(self, reading: float) -> None:
        self.high, self.low = max(self.high, reading), min(self.low, reading)

    def switched(self, up: bool, time_s: float) -> None:
        """Note a switching; a swing ends where the output goes up."""
        if not up:
            self.up_s = time_s - self.since
        elif not math.isnan(self.up_s):
            self.swings.append((self.high, self.low, self.up_s, time_s - self.since))
            self.high, self.low = -math.inf, math.inf
        self.since = time_s
        if len(self.swings) > MOST_SWINGS:
            raise Infeasible("The relay makes no steady swing within a reasonable time.")

    def steady(self) -> bool:
        if len(self.swings) < 3:
            return False
        last, before = self.swings[-1], self.swings[-2]
        height, period = last[0] - last[1], last[2] + last[3]
        sizes = (height, height, period, period)
        return all(
            abs(new - old) <= STEADY * size
            for new, old, size in zip(last, before, sizes, strict=True)
        )


class _Moving:
    """A linear plant with a constant input as its last state, moved by any part of one step."""

    def __init__(self, block: Array, step_s: float) -> None:
        from scipy.linalg import expm

        self.step_s = step_s
        self.whole = expm(block * step_s)
        self.halves = [expm(block * step_s * 0.5**j) for j in range(1, _BITS + 1)]

    def moved(self, state: Array, time_s: float) -> Array:
        """Return the state a while later, at most one step."""
        left = time_s / self.step_s
        if left >= 1.0:
            return np.asarray(self.whole @ state)
        for j, half in enumerate(self.halves, start=1):
            if left >= 0.5**j:
                state, left = half @ state, left - 0.5**j
        return state

    def until(self, state: Array, happens: Callable[[Array], bool]) -> tuple[float, Array]:
        """Return when and at which state something happens that does so once within the step."""
        time_s = 0.0
        for j, half in enumerate(self.halves, start=1):
            tried = half @ state
            if not happens(tried):
                state, time_s = tried, time_s + self.step_s * 0.5**j
        return time_s, state


def _at_any_time(model: LoopModel, settings: PidSettings, relay: _Relay) -> list[Swing]:
    """Swings of a relay that acts at once: exact from event to event."""
    a, b, c, d = model.siso(settings.reading)
    size, delay = len(a), model.dead_time_s + settings.delay_s
    block = np.zeros((size + 1, size + 1))
    block[:size, :size], block[:size, size:] = a, b
    out = np.append(c[0], d[0, 0])
    slope = out @ block
    step = max(reduce_loop(model, settings).dead_time_s, 1e-12) / STEPS
    plant, found = _Moving(block, step), _Swings()
    state, up, time = np.zeros(size + 1), True, 0.0
    coming: deque[tuple[float, float]] = deque([(delay, relay.output(True))])
    for _ in range(6 * STEPS * MOST_SWINGS):
        if found.steady():
            return found.swings[-1:]
        if coming and coming[0][0] <= time:
            state = np.append(state[:size], coming.popleft()[1])
        length = min(step, coming[0][0] - time) if coming else step
        start, after = state, plant.moved(state, length)
        switches = _stays(relay, up, out, start) and not _stays(relay, up, out, after)
        if switches:
            length, after = plant.until(start, partial(_leaves, relay, up, out))
        falls = _falls(slope, start)
        if falls != _falls(slope, after):
            turns = partial(_rises if falls else _falls, slope)
            found.see(float(out @ plant.until(start, turns)[1]))
        found.see(float(out @ after))
        time, state = time + length, after
        if switches:
            up = not up
            found.switched(up, time)
            coming.append((time + delay, relay.output(up)))
    raise Infeasible("The relay makes no steady swing: the plant hardly moves.")


def _stays(relay: _Relay, up: bool, out: Array, state: Array) -> bool:
    return relay.above(up, float(out @ state)) >= 0.0


def _leaves(relay: _Relay, up: bool, out: Array, state: Array) -> bool:
    return not _stays(relay, up, out, state)


def _falls(slope: Array, state: Array) -> bool:
    return float(slope @ state) < 0.0


def _rises(slope: Array, state: Array) -> bool:
    return not _falls(slope, state)


def _at_scans(model: LoopModel, settings: PidSettings, relay: _Relay) -> list[Swing]:
    """Swings of a relay that looks once a scan; they need not repeat exactly and are averaged."""
    plant, ts = SampledPlant(model, settings), settings.scan_time_s or 0.0
    found = _Swings()
    x = np.zeros(plant.whole.shape[0])
    past = [0.0] * (plant.scans + 2)
    up, k = True, 0
    while len(found.swings) < 3 * AVERAGED and not found.steady():
        reading = float(plant.out[0] @ x + plant.direct[0, 0] * past[plant.scans]) * plant.scale
        found.see(reading)
        if relay.above(up, reading) < 0.0:
            up = not up
            found.switched(up, k * ts)
        past.insert(0, relay.output(up))
        past.pop()
        x = plant.whole @ x
        x += plant.now * past[plant.scans] + plant.late * past[plant.scans + 1]
        k += 1
        if k > MOST_SWINGS * 250:
            raise Infeasible("The relay makes no steady swing: the plant hardly moves.")
    return found.swings[-AVERAGED:]
