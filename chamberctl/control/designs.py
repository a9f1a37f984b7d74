"""How settings come about: by the SIMC rule at the hardest point, or as somebody gives them."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

from chamberctl.control.duty_loops import settings_frame
from chamberctl.control.margins import each_margins
from chamberctl.control.rules import simc, time_constants
from chamberctl.display import number
from chamberctl.findings import Finding

if TYPE_CHECKING:
    from collections.abc import Sequence

    from chamberctl.control.controller import PidSettings
    from chamberctl.control.duty_loops import DutyLoop, DutyLoops
    from chamberctl.control.margins import LoopMargins
    from chamberctl.control.robust import RobustOptimum

TIED = 1e-6
"""Loops closer in gain x delay/lag than this differ by rounding alone [relative]."""


@dataclass(frozen=True)
class Choice:
    """One setting that was chosen by trying several values.

    Parameters
    ----------
    symbol : str
        The law's symbol: "b", "ramp" or "Tt".
    text : str
        What was chosen and why, with what was seen.
    tried : tuple of (float, float)
        Every value that was tried, and how far past the setpoint the worst trial with it went
        [fraction of setpoint].
    """

    symbol: str
    text: str
    tried: tuple[tuple[float, float], ...]


@dataclass(frozen=True)
class Design:
    """Settings before they are typed in, and where they come from.

    Parameters
    ----------
    settings : PidSettings
        With all digits.
    index : int
        The loop that decides them.
    tau_c_s : float
        Closed-loop time constant there [s].
    why : tuple of str
        How the settings came about.
    findings : tuple of Finding
        What was found on the way.
    choices : tuple of Choice
        Settings that were chosen by trying them on the plant.
    optimum : RobustOptimum or None
        Where the gains are the optimum over an envelope.
    """

    settings: PidSettings
    index: int
    tau_c_s: float
    why: tuple[str, ...]
    findings: tuple[Finding, ...] = ()
    choices: tuple[Choice, ...] = ()
    optimum: RobustOptimum | None = None


def simc_design(loops: DutyLoops) -> Design:
    """Return the settings of the SIMC rule at the duty point that asks for the calmest loop.

    The SIMC rule with the half rule is applied at the duty point whose loop has the largest gain
    times delay over lag, because there the rule gives the smallest gain.

    Parameters
    ----------
    loops : DutyLoops
        The duty's loops.

    Returns
    -------
    Design

    References
    ----------
    S. Skogestad, Simple analytic rules for model reduction and PID controller tuning, J. Process
    Control 13 (2003) 291-309 (from memory).
    """
    study, index = loops.study, _hardest(loops.loops)
    gains = simc(loops.loops[index].reduced, study.controller.simc_tau_c_s)
    settings = replace(settings_frame(study), kc=gains.kc, ti_s=gains.ti_s, td_s=gains.td_s)
    settings, order = worse_order(loops, settings)
    why = _simc_why(loops, index, settings, gains.tau_c_s)
    return Design(settings, index, gains.tau_c_s, why, order)


def given_design(loops: DutyLoops, settings: PidSettings, origin: str) -> Design:
    """Return settings that were not computed here as a design.

    Parameters
    ----------
    loops : DutyLoops
        The duty's loops.
    settings : PidSettings
        What is given; where the controller's order of the integral is unknown, the worse is taken.
    origin : str
        Where they come from, as a sentence.

    Returns
    -------
    Design
        The point with the smallest margins decides.
    """
    settings, order, found = _worse(loops, settings)
    peaks = [one.ms if one.stable else math.inf for one in found]
    index = max(range(len(peaks)), key=peaks.__getitem__)
    crossover = found[index].crossover_rad_s
    known = math.isfinite(crossover) and crossover > 0.0
    tau_c = 1.0 / crossover if known else loops.loops[index].reduced.dead_time_s
    return Design(settings, index, tau_c, (origin,), order)


def worse_order(loops: DutyLoops, settings: PidSettings) -> tuple[PidSettings, tuple[Finding, ...]]:
    """Return settings with the integral's order; where it is unknown, the one of smaller margins.

    Parameters
    ----------
    loops : DutyLoops
        The duty's loops.
    settings : PidSettings
        Settings whose order of the integral is open.

    Returns
    -------
    tuple of (PidSettings, tuple of Finding)
        The settings, and what the order costs where it is unknown.
    """
    worse, findings, _ = _worse(loops, settings)
    return worse, findings


def _worse(
    loops: DutyLoops, settings: PidSettings
) -> tuple[PidSettings, tuple[Finding, ...], tuple[LoopMargins, ...]]:
    """Return as `worse_order` does, with the margins of every loop."""
    models = loops.models
    if loops.study.controller.integral != "unknown":
        return settings, (), each_margins(models, settings)
    orders: tuple[Literal["after", "before"], ...] = ("after", "before")
    both = {order: replace(settings, integral=order) for order in orders}
    listed = each_margins(
        [*models, *models], [both[order] for order in orders for _ in models]
    )  # fmt: skip
    found = {"after": listed[: len(models)], "before": listed[len(models) :]}
    peaks = {
        order: max(one.ms if one.stable else math.inf for one in found[order]) for order in orders
    }
    worse = max(orders, key=lambda order: peaks[order])
    text = (
        "It is not known whether the controller renews its integral before or after using it. "
        f"Worst Ms is {number(peaks['after'])} after and {number(peaks['before'])} before; all "
        f"margins shown are for the worse, {worse}."
    )
    finding = Finding("note", "order of the integral", text)
    return both[worse], (finding,), found[worse]


def _hardest(loops: Sequence[DutyLoop]) -> int:
    """Where loops are equally hard but for rounding, the slowest: its integral action is least."""
    limit = max(loop.hardness for loop in loops) * (1.0 - TIED)
    tied = [i for i, loop in enumerate(loops) if loop.hardness >= limit]
    return max(tied, key=lambda i: loops[i].reduced.lag1_s)


def _simc_why(
    loops: DutyLoops, index: int, settings: PidSettings, tau_c_s: float
) -> tuple[str, ...]:
    """Say in words how the settings came about."""
    study, loop = loops.study, loops.loops[index]
    reduced = loop.reduced
    gain, constants, zeros, _ = time_constants(loop.model, settings.reading)
    scan, delay = study.controller.scan_time_s, settings.delay_s
    unit = "decades" if study.controller.reading == "log10" else "Pa"
    given = study.controller.simc_tau_c_s is not None
    chosen = "as the study asks" if given else "equal to the delay, the rule's own choice"
    lags = ", ".join(f"{number(lag)} s" for lag in constants)
    ahead = [number(zero) for zero in zeros if abs(zero) > 1e-3 * reduced.dead_time_s]
    if ahead:
        lags += f" (zeros {', '.join(ahead)} s)"
    return (
        f"The gains come from {loop.point.where}: of the {len(loops.loops)} duty points where "
        "speed acts its loop has the largest gain times delay over lag, so the rule gives the "
        "smallest gain there. Every other point is checked with the same settings.",
        f"There the reading answers the speed with {number(gain)} {unit} per speed "
        f"fraction and lags of {lags}. The half rule makes of them one lag of "
        f"{number(reduced.lag1_s)} s and a delay of {number(reduced.dead_time_s)} s, which holds "
        f"{number(loop.model.dead_time_s)} s of dead time in drive and gauge, {number(delay)} s "
        f"from reading to output and half of the {number(scan)} s scan.",
        f"SIMC rule (Skogestad 2003) with a closed-loop time constant of {number(tau_c_s)} "
        f"s, {chosen}: gain = lag/(plant gain x (time constant + delay)), integral time = the "
        "smaller of the lag and four times (time constant + delay).",
        "No derivative and no filter: the rule needs neither on a plant with one dominant lag, and "
        "both move the drive with the gauge's noise.",
        "Setpoint weight 1: the rule assumes it and every controller can do it; margins do not "
        "depend on it. Ramp the setpoint where its steps undershoot, for only gas lifts pressure.",
        f"Tracking time {number(settings.tracking_time_s)} s, the integral time, but at "
        "least one scan.",
    )
