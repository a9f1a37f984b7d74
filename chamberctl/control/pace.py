"""How calm a loop has to be: limits on its peaks, and the three choices with words of their own."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

from chamberctl.display import number
from chamberctl.errors import InputError

if TYPE_CHECKING:
    from chamberctl.study import Limits

Pace = Literal["calm", "balanced", "brisk"]

PACES: Mapping[Pace, float] = {"calm": 1.4, "balanced": 1.6, "brisk": 2.0}
"""Largest Ms of each ready choice; 1.4 to 2.0 is the usual range (Astrom and Hagglund, Advanced PID
Control, 2006, from memory)."""

PACE_WORDS: Mapping[Pace, str] = {
    "calm": "hardly swings after a disturbance and forgives a plant described wrongly",
    "balanced": "swings once, a little; right for most holds",
    "brisk": "recovers fastest and swings visibly; needs a plant that is well known",
}

DEFAULT_PACE: Pace = "balanced"

LEAST_USUAL_MS = 1.2
"""Below the usual range of Ms, 1.2 to 2.0 (Astrom and Hagglund, PID Controllers, 1995, from
memory), a loop must show that it is still worth having."""


LimitName = Literal[
    "ms", "mt", "disk_margin", "noise_gain", "gain_margin", "phase_margin_deg", "delay_margin_s"
]

CROSSING_LIMITS: tuple[LimitName, ...] = ("gain_margin", "phase_margin_deg", "delay_margin_s")
"""Limits that are decided at single frequencies, where L crosses a line; the others are peaks."""

LIMIT_WORDS: Mapping[LimitName, str] = {
    "ms": "Ms",
    "mt": "Mt",
    "disk_margin": "disk margin",
    "noise_gain": "noise gain",
    "gain_margin": "gain margin",
    "phase_margin_deg": "phase margin",
    "delay_margin_s": "delay margin",
}


def limit_text(name: LimitName, value: float) -> str:
    """Return a limit with its value and unit: "phase margin 60 deg".

    Parameters
    ----------
    name : str
        The limit, as a field of LoopLimits.
    value : float
        Its value, in the unit that its name says.
    """
    unit = {"phase_margin_deg": " deg", "delay_margin_s": " s"}.get(name, "")
    return f"{LIMIT_WORDS[name]} {number(value)}{unit}"


@dataclass(frozen=True)
class LoopLimits:
    """What a loop must keep at every plant of the envelope; None is not asked.

    Parameters
    ----------
    ms : float
        Largest peak of the sensitivity S [-].
    mt : float or None
        Largest peak of the complementary sensitivity T = 1 - S [-].
    disk_margin : float or None
        Smallest disk margin 1/max|S - 1/2| [-].
    noise_gain : float or None
        Largest |K S| from noise on the reading to speed [speed fraction per fraction of reading].
    gain_margin, phase_margin_deg, delay_margin_s : float or None
        Smallest gain margin [-], phase margin [deg] and delay margin [s].
    """

    ms: float
    mt: float | None = None
    disk_margin: float | None = None
    noise_gain: float | None = None
    gain_margin: float | None = None
    phase_margin_deg: float | None = None
    delay_margin_s: float | None = None

    def __post_init__(self) -> None:
        _require(1.0 < self.ms < math.inf, "ms", self.ms, "above 1: no loop has a lower peak")
        if self.mt is not None:
            good = 1.0 < self.mt < math.inf
            _require(good, "mt", self.mt, "above 1: with integral action |T| starts at 1")
        if self.disk_margin is not None:
            good = 0.0 < self.disk_margin < 2.0
            _require(good, "disk_margin", self.disk_margin, "between 0 and 2")
        if self.noise_gain is not None:
            _require(self.noise_gain > 0.0, "noise_gain", self.noise_gain, "above 0")
        if self.gain_margin is not None:
            _require(self.gain_margin >= 1.0, "gain_margin", self.gain_margin, "at least 1")
        if self.phase_margin_deg is not None:
            good = 0.0 <= self.phase_margin_deg < 180.0
            _require(good, "phase_margin_deg", self.phase_margin_deg, "from 0 to below 180 deg")
        if self.delay_margin_s is not None:
            good = 0.0 <= self.delay_margin_s < math.inf
            _require(good, "delay_margin_s", self.delay_margin_s, "0 or more, and finite")

    @classmethod
    def of_peak(cls, ms: float) -> LoopLimits:
        """Return the limits that go with one Ms: T may peak as high as S.

        One circle around -1 then bounds both (Astrom and Hagglund 2006, from memory).
        """
        return cls(ms=ms, mt=ms)

    def within(self, duty: Limits) -> LoopLimits:
        """Return the limits with the margins that a duty asks for, and its Ms where it is lower.

        Parameters
        ----------
        duty : Limits
            What the duty asks for.
        """
        lower = self if duty.ms is None else self.at_peak(min(self.ms, duty.ms))
        return replace(
            lower,
            gain_margin=duty.gain_margin,
            phase_margin_deg=duty.phase_margin_deg,
            delay_margin_s=duty.delay_margin_s,
            disk_margin=duty.disk_margin,
            noise_gain=duty.noise_gain,
        )

    @property
    def ms_bound(self) -> float:
        """Largest Ms that Ms itself and the disk margin d allow [-]: |S| <= |S - 1/2| + 1/2."""
        if self.disk_margin is None:
            return self.ms
        return min(self.ms, 1.0 / self.disk_margin + 0.5)

    def at_peak(self, ms: float) -> LoopLimits:
        """Return the limits with another Ms; Mt follows where it was the same."""
        return replace(self, ms=ms, mt=ms if self.mt == self.ms else self.mt)


def _require(good: bool, name: str, value: float, remedy: str) -> None:
    if not good:
        raise InputError(f"must be {remedy}", given=f"{value:g}", field=name)


def pace_name(ms: float) -> str:
    """Return "balanced (Ms 1.6)", or "Ms 1.7" where it is none of the ready choices.

    Parameters
    ----------
    ms : float
        Largest Ms [-].
    """
    for name, value in PACES.items():
        if value == ms:
            return f"{name} (Ms {value:g})"
    return f"Ms {ms:.4g}"
