"""Tasks on the loop: what dead time costs, and windup in pump-down."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from chamberctl.control.frequency import stack
from chamberctl.control.margins import margins
from chamberctl.control.response import sampled_response
from chamberctl.display import number
from chamberctl.lessons.exercise import MBAR, Exercise
from chamberctl.lessons.feedback import Asked
from chamberctl.lessons.runs import noisy, pump_down, time_at_full_speed, wound_up
from chamberctl.lessons.task import NEVER_NEGATIVE, Reveal
from chamberctl.workbench.curves import Line

Array = NDArray[np.float64]

LONG = 300.0
"""Time that a pump-down is watched beside what windup takes [s]."""


# 4: what dead time costs


def dead_time(one: Exercise) -> Asked:
    """Ask for the phase margin that dead time costs."""
    found = margins(one.model(), one.settings())
    lost = -math.degrees(found.crossover_rad_s * one.extra_delay_s)
    return Asked(
        f"The loop's gain is 1 at {number(found.crossover_rad_s)} rad/s, its phase margin "
        f"{number(found.phase_margin_deg)} degrees. A longer filter in the drive adds "
        f"{number(one.extra_delay_s)} s of dead time. By how many degrees does the phase margin "
        "change?",
        "angle", "deg", lost, 0.05,
        "dead time turns the phase further down and takes margin away, so the change is negative.",
    )  # fmt: skip


def reveal_dead_time(one: Exercise) -> Reveal:
    """Show the loop with and without the dead time."""
    model, settings = one.model(), one.settings()
    later = replace(model, dead_time_s=model.dead_time_s + one.extra_delay_s)
    before, after = margins(model, settings), margins(later, settings)
    names = ("as it is", f"with {number(one.extra_delay_s)} s more")
    lines = []
    for name, loop in zip(names, (model, later), strict=True):
        answer = sampled_response(loop, settings, setpoint_step=math.log10(1.1), duration_s=60.0)
        percent = 100.0 * (10.0**answer.reading - 1.0)
        lines.append(Line(name, answer.time_s, percent))
    shown = f"{number(after.phase_margin_deg)} degrees"
    if not after.stable:
        shown = "nothing: the loop is unstable"
    return Reveal(
        (
            f"The phase margin goes from {number(before.phase_margin_deg)} degrees to {shown}. The "
            "gain does not change with dead time, so gain 1 stays where it is, and the phase there "
            "falls by frequency times dead time.",
            f"The delay margin says how much the loop bears: {number(before.delay_margin_s)} s, "
            "phase margin over frequency.",
        ),
        "$e^{-j\\omega\\theta}$ has size 1 and angle $-\\omega\\theta$: the loss is "
        "$\\omega_c\\,\\theta\\cdot 180/\\pi$ degrees.",
        "Textbook (from memory). Dead time is exact here, no approximation.",
        tuple(lines), "time [s]", "change of the reading [%]",
        "the setpoint raised by 10 %, linear loop",
        "how far the dashed curve shoots over the new setpoint, and how much longer it swings: the "
        "gains are the same, only the margin is smaller.",
    )  # fmt: skip


def loop_data(one: Exercise) -> Mapping[str, Array]:
    """The loop's frequency response, to read the answer from."""
    model, settings = one.model(), one.settings()
    omega = np.geomspace(0.01, math.pi / (settings.scan_time_s or 0.1), 200)
    value = stack([model], [settings]).response(omega[None, :])[0]
    phase = np.degrees(np.unwrap(np.angle(value)))
    return {
        "frequency_rad_s": omega,
        "gain": np.abs(value),
        "phase_deg": phase - 360.0 * np.ceil(phase[0] / 360.0),
    }


# 5: windup in pump-down


def _error_decades(one: Exercise) -> float:
    return math.log10(one.full_speed_pa / one.point.indicated_pa)


def _windup_s(one: Exercise) -> float:
    """Time at full speed in closed form [s]."""
    settings, error = one.settings(), _error_decades(one)
    away = wound_up(one) - (settings.output_max - settings.kc * error)
    return away * settings.ti_s / (settings.kc * -error)


def windup(one: Exercise) -> Asked:
    """Ask for how long a wound-up integral holds the pump at full speed."""
    settings = one.settings()
    return Asked(
        "The loop is left in automatic while it pumps down, without anti-windup. When the pressure "
        f"has come to rest at full speed's {number(one.full_speed_pa / MBAR)} mbar, below the "
        f"setpoint of {number(one.point.indicated_pa / MBAR)} mbar, its integral stands at "
        f"{number(100 * wound_up(one))} % of rated. The gain is {number(settings.kc)} of rated "
        f"speed per decade, the integral time {number(settings.ti_s)} s. For how long does the "
        "pump go on at full speed?",
        "time", "s", _windup_s(one), 0.08, NEVER_NEGATIVE,
    )  # fmt: skip


def reveal_windup(one: Exercise) -> Reveal:
    """Show the pump-down with and without anti-windup."""
    lines = []
    for name, good in (("without anti-windup", False), ("with it", True)):
        trace = pump_down(one, anti_windup=good, longest_s=LONG + _windup_s(one))
        lines.append(Line(name, trace.time_s, trace.columns["indicated_pa"] / MBAR))
    run_s = time_at_full_speed(one.settings(), wound_up(one), _error_decades(one))
    return Reveal(
        (
            f"It goes on for {number(_windup_s(one))} s; the law itself, run scan by scan, says "
            f"{number(run_s)} s. All that time the pressure lies below the setpoint and nothing "
            "seems to be wrong with the pump.",
            "The picture is this plant's own pump-down from atmosphere. With anti-windup the "
            "integral follows the output while that stands at its limit, and the loop takes over "
            "in time. Or keep the loop in manual until the pressure is near.",
        ),
        "At the limit $v = K_c\\,e + I$ with $e = \\log_{10}(p_{full}/r) < 0$, and $I$ falls by "
        "$K_c\\,|e|/T_i$ each second; the output leaves its limit where $v = u_{max}$: "
        "$t = (I_0 - u_{max} + K_c\\,e)\\,T_i/(K_c\\,|e|)$.",
        "The law as it is printed in the documentation.",
        tuple(lines), "time [s]", "reading [mbar]", "pump-down in automatic from the start",
        "how long the curve without anti-windup lies flat at full speed's pressure, below the "
        f"setpoint of {number(one.point.indicated_pa / MBAR)} mbar, before it comes back.",
        log_y=True,
    )  # fmt: skip


def windup_data(one: Exercise) -> Mapping[str, Array]:
    """Return the pump-down without anti-windup, as logged."""
    return noisy(one, 5, pump_down(one, anti_windup=False, longest_s=LONG + _windup_s(one)))
