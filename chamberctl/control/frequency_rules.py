"""Published rules that start from the edge of stability: ultimate gain Ku and period Tu."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

from chamberctl.control.margins import margins
from chamberctl.control.rule_gains import Kind, RuleGains, UltimatePoint, unknown_kind
from chamberctl.control.rules import reduce_loop, simc
from chamberctl.errors import Infeasible

if TYPE_CHECKING:
    from chamberctl.control.controller import PidSettings
    from chamberctl.plant.linear import LoopModel

#: Halvings of the gain from which the edge of stability is sought.
_HALVINGS = 40


def ultimate_point(model: LoopModel, settings: PidSettings) -> UltimatePoint:
    """Return the edge of stability of the whole loop with proportional control alone.

    Parameters
    ----------
    model : LoopModel
        The plant with its exact dead time.
    settings : PidSettings
        Reading, filter, scan time and computation delay are used; sampled loops are sampled here,
        too.

    Returns
    -------
    UltimatePoint
        Found on the exact frequency response.

    Raises
    ------
    Infeasible
        If no gain makes the loop unstable, or none makes it stable.
    """
    only_p = replace(settings, ti_s=math.inf, td_s=0.0, tfd_s=0.0, tt_s=None)
    kc = _first_gain(model, settings)
    if not kc > 0.0:
        raise Infeasible(
            "More speed does not lower the reading: the plant has the wrong sign.",
            "Check the gauge's position and the map from output to speeds.",
        )
    for _ in range(_HALVINGS):
        found = margins(model, replace(only_p, kc=kc))
        if found.stable:
            break
        kc *= 0.5
    else:
        raise Infeasible(
            f"No proportional gain holds the loop: {found.reason or 'unstable'}.",
            "Rules that start from the edge of stability do not apply.",
        )
    omega = found.phase_crossover_rad_s
    if not (math.isfinite(found.gain_margin) and math.isfinite(omega)):
        raise Infeasible(
            "No gain makes this loop unstable: it has neither dead time nor enough lags.",
            "Rules that start from the edge of stability do not apply.",
        )
    return UltimatePoint(kc * found.gain_margin, 2.0 * math.pi / omega)


def _first_gain(model: LoopModel, settings: PidSettings) -> float:
    """Half the gain of SIMC, or without any delay one that just moves something."""
    reduced = reduce_loop(model, settings)
    return 0.5 * simc(reduced, max(reduced.dead_time_s, 1e-3 * min(reduced.lag1_s, 1e3))).kc


def ziegler_nichols_frequency(ultimate: UltimatePoint, kind: Kind) -> RuleGains:
    """Return the settings of Ziegler and Nichols at the edge of stability.

    Parameters
    ----------
    ultimate : UltimatePoint
        Ultimate gain and period.
    kind : {"P", "PI", "PID"}
        Kind of control.

    Returns
    -------
    RuleGains
        P: 0.5 Ku; PI: 0.45 Ku, Tu/1.2; PID: 0.6 Ku, Tu/2, Tu/8.

    References
    ----------
    J. G. Ziegler, N. B. Nichols, Optimum settings for automatic controllers, Transactions of the
    ASME 64 (1942) 759-768 (from memory).
    """
    ku, tu = ultimate.gain, ultimate.period_s
    if kind == "P":
        return RuleGains(0.5 * ku)
    if kind == "PI":
        return RuleGains(0.45 * ku, tu / 1.2)
    if kind == "PID":
        return RuleGains(0.6 * ku, 0.5 * tu, 0.125 * tu)
    raise unknown_kind("Ziegler and Nichols", kind)


def tyreus_luyben(ultimate: UltimatePoint, kind: Kind) -> RuleGains:
    """Return the settings of Tyreus and Luyben: an integrator with dead time, peak of T of 2 dB.

    Parameters
    ----------
    ultimate : UltimatePoint
        Ultimate gain and period.
    kind : {"PI", "PID"}
        Kind of control.

    Returns
    -------
    RuleGains
        PI: Ku/3.2, 2.2 Tu; PID: Ku/2.2, 2.2 Tu, Tu/6.3.

    References
    ----------
    B. D. Tyreus, W. L. Luyben, Tuning PI controllers for integrator/dead time processes, Industrial
    and Engineering Chemistry Research 31 (1992) 2625-2628; PID: W. L. Luyben, same journal 35
    (1996) 3480-3483 (from memory).
    """
    ku, tu = ultimate.gain, ultimate.period_s
    if kind == "PI":
        return RuleGains(ku / 3.2, 2.2 * tu)
    if kind == "PID":
        return RuleGains(ku / 2.2, 2.2 * tu, tu / 6.3)
    raise unknown_kind("Tyreus and Luyben", kind)


def amigo_frequency(ultimate: UltimatePoint, static_gain: float, kind: Kind) -> RuleGains:
    """Return the AMIGO settings at the edge of stability.

    Parameters
    ----------
    ultimate : UltimatePoint
        Ultimate gain and period.
    static_gain : float
        The plant's gain at rest, inf for an integrator [reading per speed fraction].
    kind : {"PI", "PID"}
        Kind of control.

    Returns
    -------
    RuleGains
        With k = 1/(K Ku), PI: 0.16 Ku, Tu/(1 + 4.5 k); PID: (0.3 - 0.1 k^4) Ku, 0.6 Tu/(1 + 2 k),
        0.15 (1 - k) Tu/(1 - 0.95 k).

    References
    ----------
    K. J. Astrom, T. Hagglund, Journal of Process Control 14 (2004) 635-650; Advanced PID Control
    (2006), chapter 7 (from memory).
    """
    ku, tu = ultimate.gain, ultimate.period_s
    k = 1.0 / (abs(static_gain) * ku)
    if kind == "PI":
        return RuleGains(0.16 * ku, tu / (1.0 + 4.5 * k))
    if kind == "PID":
        gain = (0.3 - 0.1 * k**4) * ku
        return RuleGains(gain, 0.6 * tu / (1.0 + 2.0 * k), 0.15 * (1.0 - k) * tu / (1.0 - 0.95 * k))
    raise unknown_kind("AMIGO", kind)
