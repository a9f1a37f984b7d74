"""Every published rule on one study, beside the settings found and those recommended.

The rules are applied where `tune` designs; their settings are then checked like any others, over
the whole duty, in the sampled law.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

import numpy as np
from numpy.typing import NDArray

from chamberctl.control.answers import Plants, metered_share, step_answers
from chamberctl.control.controller import numbers
from chamberctl.control.conversions import FormError
from chamberctl.control.duty_loops import settings_frame
from chamberctl.control.duty_margins import WORSE_IS_LARGER
from chamberctl.control.forms import to_typed
from chamberctl.control.found import found_settings
from chamberctl.control.margins import margins_of_sets
from chamberctl.control.published import PUBLISHED, basis_and_test
from chamberctl.control.relay import relay_test
from chamberctl.control.response import usual_duration
from chamberctl.control.rule_verdict import verdict
from chamberctl.errors import Infeasible, QuantityError

if TYPE_CHECKING:
    from chamberctl.control.controller import PidSettings
    from chamberctl.control.margins import EnvelopeMargins
    from chamberctl.control.published import PublishedRule
    from chamberctl.control.relay import RelayTest
    from chamberctl.control.rule_gains import Basis, Kind
    from chamberctl.control.tuned import Tuning
    from chamberctl.plant.linear import LoopModel
    from chamberctl.study import Limits, Study

Array = NDArray[np.float64]
Origin = Literal["recommended", "as found", "published"]

DERIVATIVE_RATIO = 10.0
"""Derivative time over the time constant of its filter, which the publications leave open (2 to 20
is usual: K. J. Astrom, T. Hagglund, PID Controllers (1995), from memory)."""


@dataclass(frozen=True)
class ComparedRule:
    """One set of settings over the whole duty.

    Parameters
    ----------
    origin : {"recommended", "as found", "published"}
    name, source, kind : str
        Rule, where it was published, and kind of control.
    settings : PidSettings or None
        In the sampled law; None where there are none.
    inside : bool
        Whether the plant is one that the rule is made for.
    objections : tuple of str
        In what it is not.
    made_for : str
        The rule's range, with who says so; empty where none is known.
    choice : str
        What was chosen where the rule leaves something open.
    stable : bool
        Whether every loop is stable.
    unstable_at : tuple of str
        Loops that are not.
    worst : mapping of str to (float, str)
        Worst value of each margin and where; nan where one loop is unstable.
    peak, area_s : (float, str)
        Largest deviation of the reading after the duty's step of gas flow [fraction of reading] and
        its area [s], over all loops, and where; nan where one loop is unstable.
    reaction : float
        How far the output moves at once when the reading jumps, as by noise, where that is most
        [speed fraction per fraction of reading].
    not_typed : str
        Why the controller's form cannot express the settings; empty where it can.
    holds : bool
        Whether every loop keeps the duty's limits.
    verdict : str
        One sentence: why not, or what it costs.
    """

    origin: Origin
    name: str
    source: str
    kind: str
    settings: PidSettings | None
    inside: bool
    objections: tuple[str, ...]
    made_for: str
    choice: str
    stable: bool
    unstable_at: tuple[str, ...]
    worst: Mapping[str, tuple[float, str]]
    peak: tuple[float, str]
    area_s: tuple[float, str]
    reaction: float
    not_typed: str
    holds: bool
    verdict: str


@dataclass(frozen=True)
class RuleComparison:
    """All rules on one study.

    Parameters
    ----------
    study : Study
    design_point : str
        Where the rules were applied.
    basis : Basis
        What they were fed with there.
    relay : RelayTest or None
        The simulated relay test there, None where it makes no swing.
    rows : tuple of ComparedRule
        Recommended, as found, and published settings.
    loops : int
        Loops that each was checked on.
    has_envelope : bool
        Whether loops within tolerances are among them.
    """

    study: Study
    design_point: str
    basis: Basis
    relay: RelayTest | None
    rows: tuple[ComparedRule, ...]
    loops: int
    has_envelope: bool

    def row(self, name: str, kind: str = "PI") -> ComparedRule:
        """Return the row of a rule by its name and kind."""
        return next(row for row in self.rows if (row.name, row.kind) == (name, kind))


def compare_rules(
    study: Study, tuning: Tuning, envelope: Sequence[LoopModel] = ()
) -> RuleComparison:
    """Apply every published rule to a study and check what it gives.

    Parameters
    ----------
    study : Study
        System, duty and controller; its settings as found join the table.
    tuning : Tuning
        Recommended settings, with the duty's points and the one that they were designed at.
    envelope : sequence of LoopModel, optional
        Further plants that must be held, such as those within tolerances.

    Returns
    -------
    RuleComparison
        Margins and the answer to the duty's step of gas flow over duty and envelope, from the
        sampled linear loop with exact dead time.
    """
    one_set = tuning.one_set or tuning
    frame = replace(settings_frame(study), integral=one_set.settings.integral)
    design = tuning.points[tuning.design_index]
    basis, relay = basis_and_test(design.model, frame)
    if relay is None:
        with suppress(Infeasible):
            relay = relay_test(design.model, frame, exact=basis.ultimate)
    entries = [_recommended(tuning), *_found(study)]
    for rule in PUBLISHED:
        entries += [_published(study, rule, kind, basis, frame) for kind in rule.kinds]
    loops = _Loops.of(study, tuning, envelope)
    sets = [entry.settings for entry in entries if entry.settings]
    found = iter(margins_of_sets(loops.models, sets))
    checked = [_checked(entry, loops, next(found) if entry.settings else None) for entry in entries]
    rows = tuple(
        _judged(row, checked[0], study.duty.limits, len(loops.models), entry.aim)
        for row, entry in zip(checked, entries, strict=True)
    )
    return RuleComparison(
        study, design.where, basis, relay, rows, len(loops.models), bool(envelope)
    )


@dataclass(frozen=True)
class _Entry:
    """Settings to check, or the reason why there are none."""

    origin: Origin
    name: str
    source: str
    kind: str
    settings: PidSettings | None
    refusal: str = ""
    objections: tuple[str, ...] = ()
    made_for: str = ""
    choice: str = ""
    aim: str = ""
    not_typed: str = ""


def _recommended(tuning: Tuning) -> _Entry:
    """What was found here; a rule gives one set, so a schedule is left out of the comparison."""
    settings, name = tuning.settings, "Recommended here"
    if tuning.one_set is not None:
        settings, name = tuning.one_set.settings, "Best one set here"
    elif tuning.schedule is not None:
        name = "One entry of the schedule"
    return _Entry("recommended", name, "", _kind_of(settings), settings)


def _kind_of(settings: PidSettings) -> str:
    integral = "I" if math.isfinite(settings.ti_s) else ""
    return f"P{integral}{'D' if settings.td_s else ''}"


def _found(study: Study) -> list[_Entry]:
    """Settings as found, where the study records them."""
    try:
        found = found_settings(study)
    except (FormError, QuantityError) as error:
        return [_Entry("as found", "As found", "the study", "", None, f"Cannot be read: {error}")]
    if found is None:
        return []
    assumed = f"Not written down, so assumed: {', '.join(found.assumed)}." if found.assumed else ""
    return [
        _Entry("as found", "As found", "the study", _kind_of(found.settings), found.settings,
               choice=assumed)
    ]  # fmt: skip


def _published(
    study: Study, rule: PublishedRule, kind: Kind, basis: Basis, frame: PidSettings
) -> _Entry:
    entry = _Entry(
        "published", rule.name, rule.source, kind, None, "", rule.objections(basis),
        rule.range_text, rule.choice, rule.aim,
    )  # fmt: skip
    try:
        gains = rule.formula(basis, kind)
    except Infeasible as error:
        return replace(entry, refusal=str(error))
    if not math.isfinite(gains.kc):
        refusal = "This loop has no edge of stability to start from."
        return replace(entry, refusal=refusal)
    if kind == "PID" and gains.td_s == 0.0:
        return replace(entry, refusal="There is no second lag here: the rule gives PI control.")
    settings = replace(
        frame, kc=gains.kc, ti_s=gains.ti_s, td_s=gains.td_s, b=gains.b,
        tfd_s=gains.td_s / DERIVATIVE_RATIO,
    )  # fmt: skip
    not_typed = ""
    try:
        to_typed(settings, study.controller, study.system.drive)
    except FormError as error:
        not_typed = str(error)
    return replace(entry, settings=settings, not_typed=not_typed)


@dataclass(frozen=True)
class _Loops:
    """The plants that every set of settings is checked on; the first are the duty's own."""

    models: list[LoopModel]
    names: list[str]
    gas_steps: Array
    sampled: Plants

    @classmethod
    def of(cls, study: Study, tuning: Tuning, envelope: Sequence[LoopModel]) -> _Loops:
        models = [point.model for point in tuning.points]
        names = [point.where for point in tuning.points]
        for number, model in enumerate(envelope, start=1):
            models.append(model)
            names.append(model.where or f"plant {number} of the envelope")
        shares = np.array([metered_share(study, point.model) for point in tuning.points])
        return cls(models, names, study.duty.gas_load_step * shares, {})

    def gas_step(self, settings: PidSettings) -> tuple[Array, Array]:
        """Peak [fraction of reading] and area [s] of each duty point's answer to the gas step."""
        models = self.models[: len(self.gas_steps)]
        length = max(usual_duration(model, settings) for model in models)
        answer = step_answers(
            models, [settings] * len(models), gas_load_steps=self.gas_steps, duration_s=length,
            plants=self.sampled,
        )  # fmt: skip
        if settings.reading == "log10":
            relative = np.abs(np.expm1(math.log(10.0) * answer.reading))
        else:
            relative = np.abs(answer.reading) / np.array([[m.reading_pa] for m in models])
        return relative.max(axis=1), (settings.scan_time_s or 0.0) * relative.sum(axis=1)

    def reaction(self, settings: PidSettings) -> float:
        """First move of the output after a jump of the reading [1 per fraction of reading]."""
        jump = 1.0 / math.log(10.0)
        if settings.reading == "linear":
            jump = max(model.reading_pa for model in self.models)
        n = numbers(settings)
        share = settings.kc + n.derivative_gain * n.derivative_share
        return share * n.filter_share * jump


def _checked(entry: _Entry, loops: _Loops, found: EnvelopeMargins | None) -> ComparedRule:
    none = (math.nan, "")
    row = ComparedRule(
        origin=entry.origin, name=entry.name, source=entry.source, kind=entry.kind,
        settings=entry.settings, inside=not entry.objections, objections=entry.objections,
        made_for=entry.made_for, choice=entry.choice, stable=False, unstable_at=(),
        worst=dict.fromkeys(WORSE_IS_LARGER, none), peak=none, area_s=none, reaction=math.nan,
        not_typed=entry.not_typed, holds=False, verdict=entry.refusal,
    )  # fmt: skip
    if entry.settings is None or found is None:
        return row
    row = replace(row, reaction=loops.reaction(entry.settings))
    unstable = tuple(
        name for name, stable in zip(loops.names, found.stable, strict=True) if not stable
    )
    if unstable:
        return replace(row, unstable_at=unstable)
    peak, area = loops.gas_step(entry.settings)
    return replace(
        row,
        stable=True,
        worst={name: _extreme(getattr(found, name), loops.names, larger)
               for name, larger in WORSE_IS_LARGER.items()},
        peak=_extreme(peak, loops.names[: len(peak)], True),
        area_s=_extreme(area, loops.names[: len(area)], True),
    )  # fmt: skip


def _judged(
    row: ComparedRule, recommended: ComparedRule, limits: Limits, loops: int, aim: str
) -> ComparedRule:
    if row.settings is None:
        return row
    holds, said = verdict(row, recommended, limits, loops, aim)
    return replace(row, holds=holds, verdict=said)


def _extreme(values: Array, names: Sequence[str], larger: bool) -> tuple[float, str]:
    if np.all(np.isnan(values)):
        return math.nan, ""
    index = int(np.nanargmax(values) if larger else np.nanargmin(values))
    return float(values[index]), names[index]
