"""Everything that makes the loop late, added up: what no gain can be faster than."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from chamberctl.display import number

if TYPE_CHECKING:
    from chamberctl.control.controller import PidSettings
    from chamberctl.plant.point import OperatingPoint
    from chamberctl.study import Study


@dataclass(frozen=True)
class EffectiveDelay:
    """Delays and small lags of one loop.

    Parameters
    ----------
    parts : tuple of (str, float)
        Each in words, with its time [s]; those of 0 left out.
    ramp_s : float
        Half of the time in which the drive's ramp makes the move of speed that the duty's gas step
        asks for [s]. It is in no margin.
    """

    parts: tuple[tuple[str, float], ...]
    ramp_s: float

    @property
    def total_s(self) -> float:
        """All of it for small deviations, without the ramp [s]."""
        return sum(time for _, time in self.parts)

    @property
    def text(self) -> str:
        """In words."""
        listed = ", ".join(f"{name} {number(time)} s" for name, time in self.parts)
        ramp = (
            f" The ramp of the drive makes it {number(self.ramp_s)} s more for the gas step of the "
            "duty; margins do not see that, the runs do."
            if self.ramp_s > 0.0
            else ""
        )
        return f"The loop is late by {number(self.total_s)} s: {listed}.{ramp}"


def effective_delay(study: Study, settings: PidSettings, point: OperatingPoint) -> EffectiveDelay:
    """Add up what makes a loop late.

    Parameters
    ----------
    study : Study
        Its drive, gauge and duty.
    settings : PidSettings
        Scan, computation delay and filter.
    point : OperatingPoint
        Where it holds; its speed and authority say how far a gas step moves the speed.

    Notes
    -----
    A lag counts with its time constant, a hold with half a scan, an update period with all of it
    (the worst case). A ramp that ends after the time T is late by T/2 on the way. The speed moves
    by n dq/(q alpha) for the duty's gas step.
    """
    drive, gauge = study.system.drive, study.loop_gauge()
    scan = settings.scan_time_s or 0.0
    parts = (
        ("dead time of the drive", drive.dead_time_s),
        ("lag of the drive", drive.lag_s),
        ("dead time of the gauge", gauge.dead_time_s),
        ("lag of the gauge", gauge.lag_s),
        ("update of the gauge", gauge.update_period_s),
        ("filter of the reading", settings.tf_s),
        ("from reading to output", settings.delay_s),
        ("half a scan", 0.5 * scan),
    )
    move = 0.0
    if point.authority_chamber > 0.0:
        move = point.speed * study.duty.gas_load_step / point.authority_chamber
    ramp = max(drive.rise_time_s, drive.fall_time_s)
    return EffectiveDelay(tuple(part for part in parts if part[1] > 0.0), 0.5 * move * ramp)
