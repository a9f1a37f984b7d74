"""The plant of the tour, and the numbers of one exercise: everyone may have their own."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

from chamberctl.control.controller import PidSettings
from chamberctl.control.duty_loops import settings_frame
from chamberctl.control.rules import reduce_loop, simc
from chamberctl.errors import InputError
from chamberctl.plant.linearize import linearize
from chamberctl.plant.operating import operating_point
from chamberctl.quantities import unit_factor
from chamberctl.study import load

if TYPE_CHECKING:
    from chamberctl.plant.linear import LoopModel
    from chamberctl.plant.point import OperatingPoint
    from chamberctl.study import Study

PLANT = "preset:reference-plant"
NUMBERS = range(1, 10_000)
"""Numbers of exercises."""

SETPOINTS_MBAR = (1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0)
SPEEDS = (0.3, 0.35, 0.4, 0.45, 0.5, 0.55, 0.6, 0.65, 0.7)
CONDUCTANCES_L_S = (10.0, 15.0, 20.0, 25.0, 30.0, 40.0)
EXTRA_DELAYS_S = (0.3, 0.4, 0.5, 0.6, 0.8)
"""What an exercise draws from; round numbers, all within the plant's window."""

MBAR = unit_factor("mbar", "pressure")
L_S = unit_factor("L/s", "volume_flow")


@dataclass(frozen=True, eq=False)
class Exercise:
    """The numbers of one exercise.

    Parameters
    ----------
    number : int
        Its number; the same number gives the same exercise everywhere.
    study : Study
        The reference plant.
    point : OperatingPoint
        Where its loop holds.
    conductance_m3_s : float
        Of the line in the task that has one [m3/s].
    extra_delay_s : float
        Dead time that is added in the task on it [s].
    """

    number: int
    study: Study
    point: OperatingPoint
    conductance_m3_s: float
    extra_delay_s: float

    @property
    def volume_m3(self) -> float:
        """Volume of the chamber [m3]."""
        return float(self.study.system.chamber.volume_m3)

    @property
    def pumping_speed_m3_s(self) -> float:
        """Pumping speed at rated speed [m3/s]."""
        return self.point.gas_load_pa_m3_s / (self.point.pressure_pa * self.point.speed)

    @property
    def full_speed_pa(self) -> float:
        """Pressure at rated speed [Pa]."""
        return self.point.gas_load_pa_m3_s / self.pumping_speed_m3_s

    def model(self) -> LoopModel:
        """Return the linear model of the point."""
        return linearize(self.study.system, self.point, self.study.loop_gauge())

    def settings(self) -> PidSettings:
        """Return settings that the SIMC rule gives at the point."""
        frame = settings_frame(self.study)
        gains = simc(reduce_loop(self.model(), frame))
        return PidSettings(
            kc=gains.kc, ti_s=gains.ti_s, reading=frame.reading, scan_time_s=frame.scan_time_s,
            integral=frame.integral, output_min=frame.output_min, output_max=frame.output_max,
        )  # fmt: skip


def typed_number(text: str) -> int:
    """Return the number of an exercise as it was typed.

    Parameters
    ----------
    text : str

    Raises
    ------
    InputError
        If there is no such exercise.
    """
    plain = text.strip()
    if not (plain.isascii() and plain.isdigit() and int(plain) in NUMBERS):
        raise _no_such(plain)
    return int(plain)


def _no_such(given: str) -> InputError:
    remedy = f"exercises have whole numbers from {NUMBERS[0]} to {NUMBERS[-1]}"
    return InputError(remedy, given=given, field="exercise")


@lru_cache(maxsize=32)
def exercise(number: int) -> Exercise:
    """Return an exercise by its number.

    Parameters
    ----------
    number : int
        From 1 on.

    Raises
    ------
    InputError
        If there is no such exercise.
    """
    if number not in NUMBERS:
        raise _no_such(str(number))
    study = load(PLANT)
    draw = np.random.default_rng([number, 2026])
    setpoint = float(draw.choice(SETPOINTS_MBAR)) * MBAR
    speed = float(draw.choice(SPEEDS))
    displaced = study.system.backing.displacement_m3_s
    assert displaced is not None  # the plant of the tour has an ideal pump
    gas_load = setpoint * speed * displaced
    point = operating_point(
        study.system, indicated_pa=setpoint, gas_load_pa_m3_s=gas_load, gauge=study.loop_gauge()
    )
    return Exercise(
        number,
        study,
        point,
        conductance_m3_s=float(draw.choice(CONDUCTANCES_L_S)) * L_S,
        extra_delay_s=float(draw.choice(EXTRA_DELAYS_S)),
    )
