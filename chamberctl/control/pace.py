"""How calm a loop has to be: limits on its peaks, and the three choices with words of their own."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Literal

from chamberctl.errors import InputError

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
        Largest |K S| from noise on the reading to speed [speed fraction per decade, or per Pa].
    """

    ms: float
    mt: float | None = None
    disk_margin: float | None = None
    noise_gain: float | None = None

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

    @classmethod
    def of_peak(cls, ms: float) -> LoopLimits:
        """Return the limits that go with one Ms: T may peak as high as S.

        One circle around -1 then bounds both (Astrom and Hagglund 2006, from memory).
        """
        return cls(ms=ms, mt=ms)

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
