"""What a published rule takes and gives: kinds of control, gains, and the range it is made for."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from chamberctl.control.rules import ReducedModel
from chamberctl.display import number
from chamberctl.errors import Infeasible

Kind = Literal["P", "PI", "PD", "PID"]


@dataclass(frozen=True)
class RuleGains:
    """Settings of a rule in the ideal form.

    Parameters
    ----------
    kc : float
        Gain for the law of `chamberctl.control.controller`, positive where speed lowers the reading
        [speed fraction per decade or per Pa].
    ti_s, td_s : float
        Integral time, inf for none, and derivative time [s].
    b : float
        Weight of the setpoint in the proportional part, where the rule states one [1].
    """

    kc: float
    ti_s: float = math.inf
    td_s: float = 0.0
    b: float = 1.0


@dataclass(frozen=True)
class UltimatePoint:
    """The edge of stability with proportional control alone.

    Parameters
    ----------
    gain : float
        Ultimate gain [speed fraction per decade or per Pa].
    period_s : float
        Period of the oscillation there [s].
    """

    gain: float
    period_s: float


@dataclass(frozen=True)
class Basis:
    """What the rules are fed with at one point.

    Parameters
    ----------
    first, second : ReducedModel
        All of the loop but the law as one lag and a delay, and as two lags and a delay.
    ultimate : UltimatePoint
        Of the whole loop, dead time and scan exact.
    relay : UltimatePoint
        What a simulated relay test takes for it.
    """

    first: ReducedModel
    second: ReducedModel
    ultimate: UltimatePoint
    relay: UltimatePoint


Measure = Literal["dead time over lag", "static gain times ultimate gain"]


@dataclass(frozen=True)
class Validity:
    """Plants that a rule is made for.

    Parameters
    ----------
    measure : {"dead time over lag", "static gain times ultimate gain"}
        What is looked at; both are plain numbers.
    low, high : float
        Range of it [1].
    source : str
        Who says so.
    """

    measure: Measure
    low: float
    high: float
    source: str

    def value(self, basis: Basis) -> float:
        """Return the measure of one plant [1]."""
        model = basis.first
        if self.measure == "dead time over lag":
            return 0.0 if model.integrating else model.dead_time_s / max(model.lag1_s, 1e-300)
        return math.inf if model.integrating else abs(model.gain) * basis.ultimate.gain

    @property
    def range_text(self) -> str:
        """The range in words."""
        if math.isinf(self.high):
            return f"{self.measure} from {number(self.low)} on"
        if self.low == 0.0:
            return f"{self.measure} up to {number(self.high)}"
        return f"{self.measure} {number(self.low)} to {number(self.high)}"

    def objection(self, basis: Basis) -> str:
        """Return why a plant is outside, as part of a sentence; empty where it is inside."""
        value = self.value(basis)
        if self.low <= value <= self.high:
            return ""
        return f"made for {self.range_text}, here {number(value)}"


def normalized_gain(model: ReducedModel) -> float:
    """Return a = K L/T, or K L for an integrator [reading per speed fraction].

    Raises
    ------
    Infeasible
        If there is no gain, no dead time or no lag: rules of a step response then end in 1/0.
    """
    if model.gain == 0.0 or not model.dead_time_s > 0.0 or not model.lag1_s > 0.0:
        raise Infeasible(
            "The rules of a step response need a gain, a dead time and a lag above zero.",
            f"Here the gain is {number(model.gain)}, the dead time {number(model.dead_time_s)} s "
            f"and the lag {number(model.lag1_s)} s.",
        )
    per_second = model.gain if model.integrating else model.gain / model.lag1_s
    return -per_second * model.dead_time_s


def self_regulating(model: ReducedModel, rule: str) -> None:
    """Refuse an integrator.

    Raises
    ------
    Infeasible
        If the model is one.
    """
    if model.integrating:
        raise Infeasible(
            f"The rule of {rule} is for plants that come to rest by themselves; this one "
            "integrates.",
            "Use a rule for integrating plants, such as SIMC.",
        )


def unknown_kind(rule: str, kind: str) -> Infeasible:
    """Return the refusal of a kind of control that the publication does not have."""
    return Infeasible(f"The rule of {rule} has no {kind} control.")
