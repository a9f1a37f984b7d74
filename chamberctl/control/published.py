"""The published rules by name: who, when, what they aim at, and the plants they are made for.

The formulas are in `step_rules`, `frequency_rules` and `rules`. What a rule leaves open (the
closed-loop time constant) is chosen here, and said in `choice`.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from chamberctl.control.frequency_rules import (
    amigo_frequency,
    tyreus_luyben,
    ziegler_nichols_frequency,
)
from chamberctl.control.relay import relay_test
from chamberctl.control.rule_gains import Basis, Kind, RuleGains, UltimatePoint, Validity
from chamberctl.control.rules import SimcGains, reduce_loop, simc, simc_improved
from chamberctl.control.step_rules import (
    amigo_pi_2002,
    amigo_step,
    chien_hrones_reswick,
    cohen_coon,
    cohen_coon_rounded,
    internal_model,
    lambda_pi,
    ziegler_nichols_step,
)
from chamberctl.errors import Infeasible

if TYPE_CHECKING:
    from chamberctl.control.controller import PidSettings
    from chamberctl.control.relay import RelayTest
    from chamberctl.plant.linear import LoopModel

__all__ = ["PUBLISHED", "Basis", "PublishedRule", "basis_of"]


@dataclass(frozen=True)
class PublishedRule:
    """One published rule.

    Parameters
    ----------
    name : str
        Authors and what the rule starts from.
    source : str
        Year and where it was published.
    aim : str
        What its settings are meant to do, to follow "it aims at".
    kinds : tuple of {"PI", "PID"}
        Kinds of control that hold a setpoint; the functions know P and PD, too.
    formula : callable
        From `Basis` and kind to `RuleGains`.
    validity : tuple of Validity
        Plants it is made for.
    choice : str
        What was chosen here where the rule leaves something open; empty where it does not.
    """

    name: str
    source: str
    aim: str
    kinds: tuple[Kind, ...]
    formula: Callable[[Basis, Kind], RuleGains]
    validity: tuple[Validity, ...] = ()
    choice: str = ""

    def objections(self, basis: Basis) -> tuple[str, ...]:
        """Return in what a plant is outside the rule's range; empty where it is inside."""
        found = (limit.objection(basis) for limit in self.validity)
        return tuple(text for text in found if text)

    @property
    def range_text(self) -> str:
        """Plants it is made for, with who says so; empty where no range is known."""
        return "; ".join(f"{limit.range_text} ({limit.source})" for limit in self.validity)


def basis_of(model: LoopModel, settings: PidSettings) -> Basis:
    """Return what the rules are fed with at one point.

    Parameters
    ----------
    model : LoopModel
        The plant.
    settings : PidSettings
        Its reading, filter, scan time and computation delay are used.

    Returns
    -------
    Basis
        Numbers of an edge of stability that does not exist are nan.
    """
    return basis_and_test(model, settings)[0]


def basis_and_test(model: LoopModel, settings: PidSettings) -> tuple[Basis, RelayTest | None]:
    """Return what the rules are fed with, and the simulated relay test that it is partly from.

    Parameters
    ----------
    model, settings
        As of `basis_of`.

    Returns
    -------
    tuple of (Basis, RelayTest or None)
        No test where it makes no swing, or there is no edge of stability.
    """
    try:
        test: RelayTest | None = relay_test(model, settings)
    except Infeasible:
        test = None
    unknown = UltimatePoint(math.nan, math.nan)
    basis = Basis(
        first=reduce_loop(model, settings, order=1),
        second=reduce_loop(model, settings, order=2),
        ultimate=test.exact if test else unknown,
        relay=test.estimate if test else unknown,
    )
    return basis, test


def _simc(basis: Basis, kind: Kind) -> RuleGains:
    return _plain(simc(basis.second if kind == "PID" else basis.first))


def _improved(basis: Basis, kind: Kind) -> RuleGains:
    return _plain(simc_improved(basis.first, derivative=kind == "PID"))


def _plain(gains: SimcGains) -> RuleGains:
    return RuleGains(gains.kc, gains.ti_s, gains.td_s)


#: Least time constants of internal model control: in dead times and in lags.
_IMC_LEAST = {"PI": (1.7, 0.2), "PID": (0.8, 0.0)}


def _internal_model(basis: Basis, kind: Kind) -> RuleGains:
    model = basis.first
    in_dead, in_lags = _IMC_LEAST[kind]
    lag = 0.0 if model.integrating else model.lag1_s  # an integrator is refused by the rule
    return internal_model(model, kind, max(in_dead * model.dead_time_s, in_lags * lag))


def _chr(aim: Literal["setpoint", "load"], percent: int) -> PublishedRule:
    how = "without overshoot" if percent == 0 else f"with {percent} % overshoot"
    return PublishedRule(
        f"Chien-Hrones-Reswick, {aim}, {percent} %",
        "1952, Transactions of the ASME 74",
        f"the fastest answer to a {aim} step {how}",
        ("PI", "PID"),
        lambda basis, kind: chien_hrones_reswick(basis.first, kind, aim, percent),
        (_by_dead_time(0.11, 1.0, "collections of rules, from memory"),),
    )


def _by_dead_time(low: float, high: float, source: str) -> Validity:
    return Validity("dead time over lag", low, high, source)


def _by_gain(low: float, high: float, source: str) -> Validity:
    return Validity("static gain times ultimate gain", low, high, source)


_SWINGS = "swings that decay to a quarter each"
_REFINED = "Hang, Astrom and Ho, IEE Proceedings D 138 (1991), from memory"

PUBLISHED: tuple[PublishedRule, ...] = (
    PublishedRule(
        "Ziegler-Nichols, step response",
        "1942, Transactions of the ASME 64",
        _SWINGS,
        ("PI", "PID"),
        lambda basis, kind: ziegler_nichols_step(basis.first, kind),
        (_by_dead_time(0.1, 1.0, "textbooks, from memory"),),
    ),
    PublishedRule(
        "Ziegler-Nichols, edge of stability",
        "1942, Transactions of the ASME 64",
        _SWINGS,
        ("PI", "PID"),
        lambda basis, kind: ziegler_nichols_frequency(basis.ultimate, kind),
        (_by_gain(2.25, 15.0, _REFINED),),
    ),
    PublishedRule(
        "Ziegler-Nichols, simulated relay test",
        "relay test: Astrom and Hagglund 1984, Automatica 20",
        f"{_SWINGS}, found by a test that is safe to make",
        ("PI", "PID"),
        lambda basis, kind: ziegler_nichols_frequency(basis.relay, kind),
        (_by_gain(2.25, 15.0, _REFINED),),
        "The relay's swing is taken for the edge of stability, as its describing function has it.",
    ),
    PublishedRule(
        "Cohen-Coon",
        "1953, Transactions of the ASME 75",
        "swings after a load step that decay to a quarter each, for longer dead times",
        ("PI", "PID"),
        lambda basis, kind: cohen_coon(basis.first, kind),
        (_by_dead_time(0.1, 1.0, "collections of rules, from memory"),),
    ),
    PublishedRule(
        "Cohen-Coon, as textbooks round it",
        "Astrom and Hagglund 1995, PID Controllers, table 4.5 (from memory)",
        "swings after a load step that decay to a quarter each, for longer dead times",
        ("PI", "PID"),
        lambda basis, kind: cohen_coon_rounded(basis.first, kind),
        (_by_dead_time(0.1, 1.0, "collections of rules, from memory"),),
    ),
    _chr("setpoint", 0),
    _chr("setpoint", 20),
    _chr("load", 0),
    _chr("load", 20),
    PublishedRule(
        "Lambda tuning",
        "Dahlin 1968, Instruments and Control Systems 41",
        "a setpoint answer of one chosen time constant",
        ("PI",),
        lambda basis, _kind: lambda_pi(basis.first, basis.first.lag1_s),
        choice="lambda is the plant's own lag: the loop is as fast as the plant by itself (common "
        "practice).",
    ),
    PublishedRule(
        "Internal model control",
        "Rivera, Morari, Skogestad 1986, Ind. Eng. Chem. Process Des. Dev. 25",
        "a setpoint answer of one chosen time constant",
        ("PI", "PID"),
        _internal_model,
        choice="lambda is the least the authors allow: 1.7 dead times and a fifth of the lag for "
        "PI, 0.8 dead times for PID.",
    ),
    PublishedRule(
        "SIMC",
        "Skogestad 2003, Journal of Process Control 13",
        "tight control with good margins",
        ("PI", "PID"),
        _simc,
        choice="The closed-loop time constant is the dead time, the author's own choice.",
    ),
    PublishedRule(
        "SIMC, improved",
        "Skogestad and Grimholt 2012 (PI); Grimholt and Skogestad 2018 (PID)",
        "tight control where the dead time is not short",
        ("PI", "PID"),
        _improved,
        (Validity("dead time over lag", 0.125, math.inf, "lag below 8 dead times: authors"),),
        choice="The closed-loop time constant is the dead time.",
    ),
    PublishedRule(
        "AMIGO, first form",
        "Hagglund and Astrom 2002, Asian Journal of Control 4 (from memory)",
        "the largest integral action with sensitivities up to 1.4",
        ("PI",),
        lambda basis, _kind: amigo_pi_2002(basis.first),
        choice="Its authors replaced it by the next one.",
    ),
    PublishedRule(
        "AMIGO, step response",
        "Astrom and Hagglund 2004, Journal of Process Control 14",
        "the largest integral action with sensitivities up to 1.4",
        ("PI", "PID"),
        lambda basis, kind: amigo_step(basis.first, kind),
        choice="The authors fit the step response itself; here the half rule finds lag and dead "
        "time.",
    ),
    PublishedRule(
        "AMIGO, edge of stability",
        "Astrom and Hagglund 2004, Journal of Process Control 14",
        "the largest integral action with sensitivities up to 1.4",
        ("PI", "PID"),
        lambda basis, kind: amigo_frequency(basis.ultimate, _static_gain(basis), kind),
        (_by_gain(1.0, 5.0, "k above 0.2: authors, from memory"),),
    ),
    PublishedRule(
        "Tyreus-Luyben",
        "Tyreus and Luyben 1992, Ind. Eng. Chem. Res. 31; PID: Luyben 1996",
        "a calm loop on an integrator with dead time",
        ("PI", "PID"),
        lambda basis, kind: tyreus_luyben(basis.ultimate, kind),
        (_by_dead_time(0.0, 0.2, "assumed: such a lag is near an integrator"),),
    ),
)
"""Every rule of the comparison, oldest ideas first."""


def _static_gain(basis: Basis) -> float:
    return math.inf if basis.first.integrating else basis.first.gain
