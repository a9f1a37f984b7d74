"""The controller's law, once: simulation, margins and exports all use what stands here.

The loop is direct acting: a pressure above the setpoint asks for more speed, Kc > 0.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from chamberctl.errors import InputError

Mode = Literal["auto", "manual", "override", "standby"]
MODES: tuple[Mode, ...] = ("auto", "manual", "override", "standby")

#: The law in words and equations, as it is written into exported files.
LAW = """\
Once per scan Ts, with reading y and setpoint r in the loop's reading (decades of indicated \
pressure for log10, Pa for linear) and output u in speed fraction:
yf_old = yf; yf = yf + (y - yf) Ts/(Tf + Ts)
r_old = r; r moves to the setpoint that was typed in, by at most (setpoint ramp) Ts
d = d + (Kc Td ((yf - c r) - (yf_old - c r_old))/Ts - d) Ts/(Tfd + Ts)
e = yf - r   (direct acting: pressure above setpoint -> speed up)
P = Kc (yf - b r)
integral = before: I = I + Kc (Ts/Ti) e, here
v = P + I + d + F   (F: feed-forward, 0 where none is wired)
u = v, limited in its rate, then to output_min ... output_max
integral = after: I = I + Kc (Ts/Ti) e, here
I = I + (Ts/Tt) (u - v)   (u before rounding)
Not in automatic: u is what is applied, yf_old = yf = y, I = u - P - d - F, less Kc (Ts/Ti) e \
where the integral is renewed before its use. In the first scan in automatic the same holds once \
more, with the u of the scan before: the output goes on from it without a jump.
After a change of settings I is set so that v does not jump. I itself is not limited.
The loop for margins is L(z) = -K(z) G(z), K(z) = F(z) (Kc + Kc (Ts/Ti) J(z) + D(z)), with \
F(z) = af z/(z - 1 + af), af = Ts/(Tf + Ts); J(z) = 1/(z - 1) after, z/(z - 1) before; \
D(z) = (Kc Td/Ts) ad (z - 1)/(z - 1 + ad), ad = Ts/(Tfd + Ts); G(z) is the plant sampled behind a \
zero-order hold with its exact dead time.
Without a scan time: K(s) = (Kc + Kc/(Ti s) + Kc Td s/(Tfd s + 1))/(Tf s + 1)."""


@dataclass(frozen=True)
class PidSettings:
    """Settings of the law, in SI.

    Parameters
    ----------
    kc : float
        Gain [speed fraction per decade, or per Pa]; positive is direct acting.
    ti_s : float
        Integral time [s]; inf for none.
    td_s : float
        Derivative time [s].
    tf_s, tfd_s : float
        Time constants of the filter on the whole reading and of the derivative's own [s].
    b, c : float
        Weights of the setpoint in the proportional and in the derivative part [1].
    tt_s : float or None
        Tracking time [s]; None: the integral time, but at least one scan.
    integral : {"after", "before"}
        Whether the integral is updated after it is used or before.
    reading : {"log10", "linear"}
        Whether the law sees decades of indicated pressure or Pa.
    scan_time_s : float or None
        Scan time [s]; None: continuous, for comparison with textbooks.
    computation_delay_s : float or None
        From taking the reading to moving the output [s]; None: one scan, 0 when continuous.
    output_min, output_max : float
        Limits of the output [speed fraction].
    output_rate_per_s : float
        Limit of the output's rate of change [speed fraction per s].
    setpoint_ramp_per_s : float
        Rate at which the setpoint moves to what was typed in [decades/s or Pa/s]; inf: at once.
    """

    kc: float
    ti_s: float = math.inf
    td_s: float = 0.0
    tf_s: float = 0.0
    tfd_s: float = 0.0
    b: float = 1.0
    c: float = 0.0
    tt_s: float | None = None
    integral: Literal["after", "before"] = "after"
    reading: Literal["log10", "linear"] = "log10"
    scan_time_s: float | None = None
    computation_delay_s: float | None = None
    output_min: float = 0.0
    output_max: float = 1.0
    output_rate_per_s: float = math.inf
    setpoint_ramp_per_s: float = math.inf

    def __post_init__(self) -> None:
        for name in ("kc", "td_s", "tf_s", "tfd_s", "b", "c", "output_min", "output_max"):
            _require(math.isfinite(getattr(self, name)), self, name, "must be a finite number")
        for name in ("td_s", "tf_s", "tfd_s"):
            _require(getattr(self, name) >= 0.0, self, name, "must not be negative")
        for name in ("ti_s", "output_rate_per_s", "setpoint_ramp_per_s"):
            _require(getattr(self, name) > 0.0, self, name, "must be above zero, inf for none")
        if self.scan_time_s is not None:
            good = math.isfinite(self.scan_time_s) and self.scan_time_s > 0.0
            _require(good, self, "scan_time_s", "must be above zero, None for continuous")
        if self.computation_delay_s is not None:
            good = math.isfinite(self.computation_delay_s) and self.computation_delay_s >= 0.0
            _require(good, self, "computation_delay_s", "must not be negative")
        if self.tt_s is not None:
            good = self.tt_s > 0.0 and self.tt_s >= (self.scan_time_s or 0.0)
            _require(good, self, "tt_s", "must be at least one scan time")
        good = self.output_min <= self.output_max
        _require(good, self, "output_min", "must not be above output_max")
        _require(self.integral in ("after", "before"), self, "integral", 'is "after" or "before"')
        _require(self.reading in ("log10", "linear"), self, "reading", 'is "log10" or "linear"')

    @property
    def tracking_time_s(self) -> float:
        """Tracking time in use [s]."""
        if self.tt_s is not None:
            return self.tt_s
        return max(self.ti_s, self.scan_time_s or 0.0)

    @property
    def delay_s(self) -> float:
        """Computation delay in use [s]."""
        if self.computation_delay_s is not None:
            return self.computation_delay_s
        return self.scan_time_s or 0.0

    def frequency_response(self, omega_rad_s: ArrayLike) -> NDArray[np.complex128]:
        """Return K on the unit circle, or K(jw) when continuous, reading to speed.

        Parameters
        ----------
        omega_rad_s : array_like of float
            Angular frequencies above zero [rad/s].

        Returns
        -------
        ndarray of complex
            Speed fraction per decade or per Pa; the loop is L = -K G.
        """
        return law_of_rate(
            rate(np.asarray(omega_rad_s, dtype=float), self.scan_time_s),
            kc=self.kc,
            ti=self.ti_s,
            td=self.td_s,
            tf=self.tf_s,
            tfd=self.tfd_s,
            before=self.integral == "before",
            ts=self.scan_time_s,
        )


def _require(good: bool, settings: PidSettings, name: str, remedy: str) -> None:
    if not good:
        raise InputError(f"{name} {remedy}", given=str(getattr(settings, name)), field=name)


def law_of_rate(
    step: NDArray[np.complex128],
    *,
    kc: ArrayLike,
    ti: ArrayLike,
    td: ArrayLike,
    tf: ArrayLike,
    tfd: ArrayLike,
    before: ArrayLike,
    ts: ArrayLike | None,
) -> NDArray[np.complex128]:
    """Return the law's response where z - 1, or s, is `step`.

    Every argument may be an array that broadcasts.
    """
    kc, ti, td, tf, tfd = (np.asarray(value, dtype=float) for value in (kc, ti, td, tf, tfd))
    if ts is None:
        pid = kc + (kc / ti) / step
    else:
        ts = np.asarray(ts, dtype=float)
        pid = kc + (kc * ts / ti) * (1.0 / step + np.asarray(before, dtype=float))
    if np.any(td):
        pid = pid + kc * derivative(step, td, tfd, ts)
    if np.any(tf):
        if ts is None:
            return pid / (tf * step + 1.0)
        af = ts / (tf + ts)
        pid = pid * (af * (step + 1.0) / (step + af))
    return pid


def law_parts(
    w: NDArray[np.float64], *, tf: ArrayLike, before: ArrayLike, ts: ArrayLike | None
) -> tuple[NDArray[np.complex128], NDArray[np.complex128]]:
    """Return the law with gain 1 and no other action, and what integral action with Ti = 1 s adds.

    Every argument may be an array that broadcasts to w [rad/s].
    """
    step, tf = rate(w, ts), np.asarray(tf, dtype=float)
    integral = 1.0 / step
    straight = np.ones_like(step)
    if ts is not None:
        ts = np.asarray(ts, dtype=float)
        integral += np.asarray(before, dtype=float)
        integral *= ts
    if np.any(tf):
        if ts is None:
            straight = 1.0 / (tf * step + 1.0)
        else:
            share = ts / (tf + ts)
            straight = share * (step + 1.0) / (step + share)
        integral *= straight
    return straight, integral


def rate(w: NDArray[np.float64], ts: ArrayLike | None) -> NDArray[np.complex128]:
    """Return z - 1 at w [rad/s], or s [1/s] without a scan time."""
    if ts is None:
        return from_parts(0.0 * w, w)
    angle = w * np.asarray(ts, dtype=float)
    half = np.sin(0.5 * angle)
    # z - 1 without cancellation at low frequency
    return from_parts(-2.0 * half * half, np.sin(angle))


def from_parts(real: NDArray[np.float64], imaginary: NDArray[np.float64]) -> NDArray[np.complex128]:
    """Return complex numbers from their parts."""
    value = np.empty(real.shape, dtype=np.complex128)
    value.real, value.imag = real, imaginary
    return value


def derivative(
    step: NDArray[np.complex128], td: ArrayLike, tfd: ArrayLike, ts: ArrayLike | None
) -> NDArray[np.complex128]:
    """Return the filtered derivative of the law with gain 1, without the filter on the reading.

    Parameters
    ----------
    step : array of complex
        From `rate`.
    td, tfd : array_like of float
        Derivative time and that of its filter [s].
    ts : array_like of float or None
        Scan time [s].
    """
    td, tfd = np.asarray(td, dtype=float), np.asarray(tfd, dtype=float)
    if ts is None:
        return td * step / (tfd * step + 1.0)
    ts = np.asarray(ts, dtype=float)
    share = ts / (tfd + ts)
    return (td / ts) * share * step / (step + share)


class Numbers(NamedTuple):
    """What one scan needs of the settings, as plain numbers."""

    kc: float
    integral_gain: float
    derivative_gain: float
    filter_share: float
    derivative_share: float
    b: float
    c: float
    tracking_share: float
    before: bool
    output_min: float
    output_max: float
    largest_move: float
    setpoint_move: float


class Memory(NamedTuple):
    """What the controller remembers from scan to scan.

    `integral`, `derivative`, `output` (u) and `unlimited` (v) in speed fraction, `filtered` and
    `setpoint`, after its ramp, in the loop's reading; `fresh` where the next scan in automatic
    starts from `output` without a bump.
    """

    integral: float = 0.0
    derivative: float = 0.0
    filtered: float = 0.0
    setpoint: float = 0.0
    output: float = 0.0
    fresh: bool = True
    unlimited: float = 0.0


def numbers(settings: PidSettings) -> Numbers:
    """Return the numbers of one scan; the settings must have a scan time."""
    ts = settings.scan_time_s
    if ts is None:
        raise InputError("a controller that is stepped needs a scan time", field="scan_time_s")
    return Numbers(
        kc=settings.kc,
        integral_gain=settings.kc * ts / settings.ti_s,
        derivative_gain=settings.kc * settings.td_s / ts,
        filter_share=ts / (settings.tf_s + ts),
        derivative_share=ts / (settings.tfd_s + ts),
        b=settings.b,
        c=settings.c,
        tracking_share=ts / settings.tracking_time_s,
        before=settings.integral == "before",
        output_min=settings.output_min,
        output_max=settings.output_max,
        largest_move=settings.output_rate_per_s * ts,
        setpoint_move=settings.setpoint_ramp_per_s * ts,
    )


def scan(
    n: Numbers, m: Memory, wanted: float, y: float, feed_forward: float, held: bool, applied: float
) -> Memory:
    """Return the controller's memory after one scan; its `output` is u before rounding.

    Plain numbers in and out, so that it also compiles. `wanted` is the setpoint as typed in. With
    `held` the output is `applied`, and the first scan in automatic goes on from it.
    """
    start = held or m.fresh
    yf_old = y if start else m.filtered
    yf = yf_old + (y - yf_old) * n.filter_share
    r_old = wanted if start else m.setpoint
    r = min(max(wanted, r_old - n.setpoint_move), r_old + n.setpoint_move)
    slope = (yf - n.c * r) - (yf_old - n.c * r_old)
    d = m.derivative + (n.derivative_gain * slope - m.derivative) * n.derivative_share
    p = n.kc * (yf - n.b * r)
    e = yf - r
    early = n.integral_gain * e if n.before else 0.0
    if held:
        return Memory(applied - p - d - feed_forward - early, d, yf, r, applied, True, applied)
    integral = m.output - p - d - feed_forward - early if m.fresh else m.integral
    integral += early
    v = p + integral + d + feed_forward
    u = min(max(v, m.output - n.largest_move), m.output + n.largest_move)
    u = min(max(u, n.output_min), n.output_max)
    if not n.before:
        integral += n.integral_gain * e
    integral += n.tracking_share * (u - v)
    return Memory(integral, d, yf, r, u, False, v)


def step(
    memory: Memory,
    settings: PidSettings,
    setpoint: float,
    reading: float,
    *,
    feed_forward: float = 0.0,
    mode: Mode = "auto",
    applied: float | None = None,
    reading_good: bool = True,
) -> Memory:
    """Run the law for one scan.

    Parameters
    ----------
    memory : Memory
        From the scan before; `Memory(output=start_output)` for the first.
    settings : PidSettings
        Must have a scan time.
    setpoint, reading : float
        In the loop's reading [decades or Pa].
    feed_forward : float
        F of the law [speed fraction].
    mode : {"auto", "manual", "override", "standby"}
        Outside "auto" the output is `applied` and the integral follows it.
    applied : float, optional
        Output applied outside "auto", or at a bad reading [speed fraction]; the output is held
        where it is missing.
    reading_good : bool
        False for a reading that is out of range or frozen; one that is not finite counts as bad.

    Returns
    -------
    Memory
        Its `output` is the controller's output before rounding [speed fraction].
    """
    if mode not in MODES:
        raise InputError(f"the mode is one of {', '.join(MODES)}", given=str(mode), field="mode")
    hold = memory.output if applied is None else applied
    n = numbers(settings)
    if not (reading_good and math.isfinite(reading)):
        held = scan(n, memory, setpoint, memory.filtered, feed_forward, True, hold)
        return held._replace(fresh=True)
    return scan(n, memory, setpoint, reading, feed_forward, mode != "auto", hold)


def change_settings(memory: Memory, old: PidSettings, new: PidSettings) -> Memory:
    """Return the memory with the integral set so that v does not jump when settings change.

    The derivative state scales with its gain. Where the reading changes between decades and Pa,
    the next scan starts from the output.
    """
    if old.reading != new.reading:
        return memory._replace(fresh=True, derivative=0.0)
    return carried(memory, old.kc, old.b, old.kc * old.td_s, new.kc, new.b, new.kc * new.td_s)


def carried(
    m: Memory, kc: float, b: float, kc_td: float, new_kc: float, new_b: float, new_kc_td: float
) -> Memory:
    """Return the memory with which v stays where it is when gain, weight and derivative change.

    Plain numbers in and out, so that it also compiles. Of `kc_td` only the ratio counts.
    """
    p_old, p_new = kc * (m.filtered - b * m.setpoint), new_kc * (m.filtered - new_b * m.setpoint)
    d = m.derivative * (new_kc_td / kc_td) if kc_td != 0.0 else 0.0
    integral = m.integral + (p_old - p_new) + (m.derivative - d)
    return Memory(integral, d, m.filtered, m.setpoint, m.output, m.fresh, m.unlimited)


def reading_of(indicated_pa: float, reading: str, floor_pa: float) -> float:
    """Return the loop's reading of an indicated pressure: decades [1], or Pa.

    The pressure is floored at the gauge's lower end before the logarithm is taken.
    """
    if reading == "log10":
        return math.log10(max(indicated_pa, floor_pa))
    return indicated_pa
