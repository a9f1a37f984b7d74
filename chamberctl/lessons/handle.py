"""The task on speed as the wrong handle: a pump behind a line."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from chamberctl.display import number
from chamberctl.lessons.exercise import L_S, MBAR, Exercise
from chamberctl.lessons.feedback import Asked
from chamberctl.lessons.task import BY_HAND, FALLS, Reveal
from chamberctl.workbench.curves import Line

Array = NDArray[np.float64]


# 6: when speed is the wrong handle


def _through_line(one: Exercise, speed: float) -> float:
    """Chamber pressure behind a line of fixed conductance [Pa]."""
    load = one.point.gas_load_pa_m3_s
    return load * (1.0 / one.conductance_m3_s + 1.0 / (one.pumping_speed_m3_s * speed))


def _authority(one: Exercise) -> float:
    """Percent of pressure per percent of speed, at full speed, without its sign."""
    conductance = one.conductance_m3_s
    return conductance / (conductance + one.pumping_speed_m3_s)


def handle(one: Exercise) -> Asked:
    """Ask for the change of pressure behind a line."""
    return Asked(
        f"Now the pump stands behind a line of {number(one.conductance_m3_s / L_S)} L/s and turns "
        "near full speed. The speed is raised by 1 % of what it is. By how many percent does the "
        "pressure in the chamber change?",
        "fraction", "%", -100.0 * 0.01 * _authority(one), 0.08, FALLS,
    )  # fmt: skip


def reveal_handle(one: Exercise) -> Reveal:
    """Show pressure against speed, behind the line and without one."""
    speeds = np.linspace(0.2, 1.0, 81)
    direct = one.point.gas_load_pa_m3_s / (one.pumping_speed_m3_s * speeds)
    behind = np.array([_through_line(one, float(speed)) for speed in speeds])
    lines = (
        Line("behind the line", 100.0 * speeds, behind / behind[-1]),
        Line("without a line", 100.0 * speeds, direct / direct[-1]),
    )
    alpha = _authority(one)
    return Reveal(
        (
            f"One percent more speed lowers the chamber's pressure by {number(alpha)} %: the speed "
            f"authority is {number(alpha)}. Without the line it would be 1.",
            "Nearly all of the pressure drop is in the line, and no pump speed changes that; a "
            "bigger pump does not help. What helps: a wider or shorter line, a throttle or a bleed "
            "of inert gas approved for this process. Below an authority of about 0.3 speed is the "
            "wrong handle.",
        ),
        "$p_c = Q\\,(1/C + 1/(S\\,n))$, so $-\\partial \\ln p_c/\\partial \\ln n = "
        "C/(C + S\\,n)$.",
        "Conductances in series; " + BY_HAND[0].lower() + BY_HAND[1:],
        lines, "speed [% of rated]", "pressure over that at full speed [ratio]",
        "pressure in the chamber against speed, same gas",
        "how flat the curve behind the line is at its right end: there more speed hardly lowers "
        "the pressure. Without a line it goes on falling.",
    )  # fmt: skip


def handle_data(one: Exercise) -> Mapping[str, Array]:
    """Return pressure against speed behind the line, as logged."""
    speeds = np.linspace(0.2, 1.0, 17)
    pressures = np.array([_through_line(one, float(speed)) for speed in speeds])
    draw = np.random.default_rng([one.number, 6])
    noise = 1.0 + 0.001 * draw.standard_normal(speeds.size)
    return {"speed_percent": 100.0 * speeds, "reading_mbar": pressures * noise / MBAR}
