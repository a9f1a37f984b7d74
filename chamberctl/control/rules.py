"""Published tuning: the half rule and the SIMC rules for PI and PID control.

References
----------
S. Skogestad, Simple analytic rules for model reduction and PID controller tuning, Journal of
Process Control 13 (2003) 291-309: half rule (section 2), rules for zeros T1 to T3 and SIMC settings
(section 3). From memory; checked against the recalled values of the paper's examples in the tests.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from chamberctl.control.controller import PidSettings
from chamberctl.errors import Infeasible, InputError
from chamberctl.plant.linear import LoopModel, Reading

#: A zero is compared with a smaller lag only if it is nearer than this factor.
CLOSE = 1.6
#: Zeros slower than this many effective delays are replaced by a gain.
SLOW = 5.0


@dataclass(frozen=True)
class ReducedModel:
    """gain exp(-dead_time s)/((lag1 s + 1)(lag2 s + 1)), or gain .../(s (lag2 s + 1)).

    `gain` in reading per speed fraction, per second where `integrating`; times in s. `lag1_s` is
    inf for an integrating model, `lag2_s` is 0 for a first-order one.
    """

    gain: float
    dead_time_s: float
    lag1_s: float
    lag2_s: float = 0.0

    @property
    def integrating(self) -> bool:
        """Whether the slow lag is an integrator."""
        return math.isinf(self.lag1_s)


@dataclass(frozen=True)
class SimcGains:
    """SIMC settings in the ideal form, for a plant of that reduced model.

    `kc` is for the law of `chamberctl.control.controller`: positive where speed lowers the
    reading.
    """

    kc: float
    ti_s: float
    td_s: float
    tau_c_s: float


def half_rule(
    gain: float,
    lags_s: Sequence[float],
    zeros_s: Sequence[float] = (),
    dead_time_s: float = 0.0,
    *,
    integrating: bool = False,
    order: int = 1,
) -> ReducedModel:
    """Return the first- or second-order model of a plant with many lags.

    Parameters
    ----------
    gain : float
        Gain of prod(T s + 1)/prod(lag s + 1), or of that over s [reading per speed fraction].
    lags_s : sequence of float
        Lags, not negative [s].
    zeros_s : sequence of float
        Time constants T of the zeros [s]; negative for zeros in the right half plane.
    dead_time_s : float
        Dead time [s].
    integrating : bool
        Whether the plant holds a further 1/s.
    order : {1, 2}
        How many lags the model keeps; the integrator counts as one.

    Returns
    -------
    ReducedModel
        With the effective dead time.

    Notes
    -----
    The largest neglected lag goes half to the smallest kept lag and half to the dead time; smaller
    lags and right-half-plane zeros go to the dead time. Left-half-plane zeros are first merged
    with a lag by the rules T1 to T3, which compare with the effective dead time that results; that
    is found by repeated substitution, from the plant's own dead time.
    """
    if order not in (1, 2):
        raise InputError("the half rule keeps one or two lags", given=str(order), field="order")
    lags = sorted((float(lag) for lag in lags_s if lag > 0.0), reverse=True)
    if min(lags_s, default=0.0) < 0.0:
        raise InputError("the half rule needs lags that are not negative", given=str(list(lags_s)))
    slow = [math.inf, *lags] if integrating else lags
    ahead = sorted((t for t in zeros_s if t > 0.0), reverse=True)
    dead_time_s += sum(-t for t in zeros_s if t < 0.0)
    model = _keep(gain, slow, dead_time_s, order)
    # without any dead time every zero would count as slow: then start without the zeros
    theta = dead_time_s if dead_time_s > 0.0 else model.dead_time_s
    for _ in range(100):
        merged_gain, merged = gain, slow
        for zero in ahead:
            merged_gain, merged = _merge(merged_gain, merged, zero, theta)
        model = _keep(merged_gain, merged, dead_time_s, order)
        if abs(model.dead_time_s - theta) <= 1e-12 * theta:
            break
        theta = model.dead_time_s
    return model


def _keep(gain: float, lags: list[float], dead_time_s: float, order: int) -> ReducedModel:
    """Keep `order` lags by the half rule."""
    lags = sorted(lags, reverse=True)
    kept, rest = lags[:order], lags[order:]
    if rest:
        kept[-1] += 0.5 * rest[0]
        dead_time_s += 0.5 * rest[0] + sum(rest[1:])
    lag1, lag2 = [*sorted(kept, reverse=True), 0.0, 0.0][:2]
    return ReducedModel(gain, dead_time_s, lag1, lag2)


def _merge(gain: float, lags: list[float], zero: float, theta: float) -> tuple[float, list[float]]:
    """Merge (zero s + 1) with one lag; an integrator is a lag of inf with the gain per second."""
    above = min((lag for lag in lags if lag >= zero), default=None)
    below = max((lag for lag in lags if lag < zero), default=None)
    near = below is not None and zero / below < CLOSE * (1.0 - 1e-9)
    if above is None or (near and below is not None and zero / below < above / zero):
        if below is None:
            raise InputError("a plant needs at least as many lags as zeros")
        factor = zero / max(below, theta) if zero > theta else 1.0  # T1, T1a, T1b
        return gain * factor, _without(lags, below)
    rest = _without(lags, above)
    if zero >= SLOW * theta:  # T2
        return gain * (zero if math.isinf(above) else zero / above), rest
    shortened = min(above, SLOW * theta)  # T3
    factor = shortened if math.isinf(above) else shortened / above
    return gain * factor, [*rest, shortened - zero]


def _without(lags: list[float], one: float) -> list[float]:
    rest = list(lags)
    rest.remove(one)
    return rest


def simc(model: ReducedModel, tau_c_s: float | None = None) -> SimcGains:
    """Return the SIMC settings of a reduced model: PI for one lag, PID for two.

    Parameters
    ----------
    model : ReducedModel
        From `half_rule`.
    tau_c_s : float, optional
        Wanted closed-loop time constant [s]; the effective dead time where missing ("tight").

    Returns
    -------
    SimcGains
        In the ideal form.

    Raises
    ------
    Infeasible
        If there is no gain, no lag, or neither dead time nor a closed-loop time constant.
    """
    tau_c = model.dead_time_s if tau_c_s is None else tau_c_s
    horizon = tau_c + model.dead_time_s
    if not (tau_c >= 0.0 and horizon > 0.0):
        raise Infeasible(
            "The rule needs a dead time or a closed-loop time constant above zero.",
            "State the closed-loop time constant that is wanted.",
        )
    if model.gain == 0.0 or model.lag1_s == 0.0:
        raise Infeasible("The speed does not move the reading through a lag: no gains exist.")
    per_second = model.gain if model.integrating else model.gain / model.lag1_s
    kc = -1.0 / (per_second * horizon)
    ti = min(model.lag1_s, 4.0 * horizon)
    td = model.lag2_s
    share = 1.0 + td / ti  # from the series form of the paper to the ideal form
    return SimcGains(kc * share, ti + td, td / share, tau_c)


def simc_improved(
    model: ReducedModel, tau_c_s: float | None = None, *, derivative: bool = False
) -> SimcGains:
    """Return the improved SIMC settings for plants whose dead time is not short against the lag.

    Parameters
    ----------
    model : ReducedModel
        Gain, lag and dead time; its second lag is not used.
    tau_c_s : float, optional
        Wanted closed-loop time constant [s]; the effective dead time where missing.
    derivative : bool
        PID: the plain rule's PI gains with a third of the dead time as derivative time, in the
        series form. PI: the plain rule with a third of the dead time added to the lag.

    Returns
    -------
    SimcGains
        In the ideal form.

    References
    ----------
    S. Skogestad, C. Grimholt, The SIMC method for smooth PID controller tuning, in PID Control in
    the Third Millennium (2012), chapter 5: PI. C. Grimholt, S. Skogestad, Optimal PI and PID
    control of first-order plus delay processes and evaluation of the original and improved SIMC
    rules, Journal of Process Control 70 (2018) 36-46: PID. From memory.
    """
    third = model.dead_time_s / 3.0
    if derivative:
        return simc(replace(model, lag2_s=third), tau_c_s)
    if model.integrating:
        return simc(replace(model, lag2_s=0.0), tau_c_s)
    return simc(ReducedModel(model.gain, model.dead_time_s, model.lag1_s + third), tau_c_s)


def time_constants(
    model: LoopModel, reading: Reading
) -> tuple[float, list[float], list[float], bool]:
    """Return gain, lags [s], zeros [s] and whether an integrator is there, of the rational plant.

    A complex pair counts as two equal lags, or zeros, with the same sum of time constants. The
    gain is that of `half_rule`.

    Raises
    ------
    Infeasible
        If the plant by itself is unstable or integrates more than once.
    """
    from scipy.linalg import eigvals

    a, b, c, d = model.siso(reading)
    n = a.shape[0]
    poles = np.linalg.eigvals(a) if n else np.zeros(0)
    fastest = float(np.abs(poles).max(initial=0.0))
    rests = np.abs(poles) <= 1e-12 * fastest
    if np.any(poles[~rests].real > 0.0) or rests.sum() > 1:
        raise Infeasible("The plant by itself is not stable here: the half rule does not apply.")
    pencil = np.block([[a, b], [c, d]])
    mass = np.diag([1.0] * n + [0.0])
    with np.errstate(divide="ignore", invalid="ignore"):
        zeros = eigvals(pencil, mass)
    zeros = zeros[np.isfinite(zeros)]
    zeros = zeros[(np.abs(zeros) < 1e9 * fastest) & (np.abs(zeros) > 0.0)]
    lags = sorted((-1.0 / poles[~rests]).real.tolist(), reverse=True)
    leads = sorted((-1.0 / zeros).real.tolist(), reverse=True)
    s = 1e-7j * float(np.abs(poles[~rests]).min(initial=1.0))
    response = (c @ np.linalg.solve(s * np.eye(n) - a, b) + d)[0, 0]
    integrating = bool(rests.any())
    gain = float((response * s).real if integrating else response.real)
    return gain, lags, leads, integrating


def reduce_loop(model: LoopModel, settings: PidSettings, order: int = 1) -> ReducedModel:
    """Return the reduced model of all that lies in the loop but the law itself.

    Parameters
    ----------
    model : LoopModel
        The plant with its dead time.
    settings : PidSettings
        Its reading, filter, scan time and computation delay are used.
    order : {1, 2}
        1 for PI, 2 for PID control.

    Returns
    -------
    ReducedModel
        The dead time holds the plant's, the computation delay and half a scan for the hold; the
        filter on the reading counts as a lag.
    """
    gain, lags, zeros, integrating = time_constants(model, settings.reading)
    dead_time = model.dead_time_s + settings.delay_s + 0.5 * (settings.scan_time_s or 0.0)
    return half_rule(
        gain, [*lags, settings.tf_s], zeros, dead_time, integrating=integrating, order=order
    )


def simc_settings(
    model: LoopModel,
    settings: PidSettings,
    tau_c_s: float | None = None,
    *,
    derivative: bool = False,
) -> tuple[PidSettings, ReducedModel, SimcGains]:
    """Return the settings with SIMC gains for one plant, and what they were found from.

    Parameters
    ----------
    model : LoopModel
        The plant.
    settings : PidSettings
        Everything but gain, integral and derivative time is kept.
    tau_c_s : float, optional
        Wanted closed-loop time constant [s]; the effective dead time where missing.
    derivative : bool
        PID in place of PI control.

    Returns
    -------
    tuple of PidSettings, ReducedModel, SimcGains
        Settings, reduced model and gains.
    """
    reduced = reduce_loop(model, settings, order=2 if derivative else 1)
    gains = simc(reduced, tau_c_s)
    return replace(settings, kc=gains.kc, ti_s=gains.ti_s, td_s=gains.td_s), reduced, gains
