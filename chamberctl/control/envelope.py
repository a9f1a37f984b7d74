"""The plants of an envelope: every duty point, with everything as it is, and as it may be.

What is known within a tolerance only is moved to both ends of it, in groups of fields that act
alike: all volumes together, all pumping speeds together. What the data do not decide is settled the
other way. Combinations are added of what makes the loop hardest: small volumes, fast pumps, long
delays, and the opposite.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from chamberctl.display import number
from chamberctl.plant.field_names import field_words
from chamberctl.plant.small_signal import loop_models
from chamberctl.plant.tolerances import TolerancedField, envelope_cases, toleranced_fields, vary
from chamberctl.plant.variations import Outcome, outcomes

if TYPE_CHECKING:
    from chamberctl.plant.linear import LoopModel
    from chamberctl.plant.point import OperatingPoint
    from chamberctl.study import Study

LEAST_FACTOR = 0.1
"""A tolerance of 100 % goes down to a tenth, not to zero, where a part would not exist."""

VOLUMES, SPEEDS, DELAYS = "volumes", "pumping speeds", "dead times and lags"
SLIP, CONDUCTANCES, GAS = "slip and leakage of the pumps", "conductances", "gas loads"

_GROUPS = {
    VOLUMES: {
        "volume": 1, "inlet_volume": 1, "chamber.temperature": -1, "hot_zone.temperature": -1,
    },
    SPEEDS: {
        "displacement": 1, "swept_speed": 1, "curve": 1, "points": 1, "inlet_temperature": -1,
    },
    SLIP: {
        "gap_conductance": 1, "gap_conductance_per_pressure": 1, "carry_back_speed": 1,
        "clearance_conductance": 1, "ultimate_pressure": 1, "compression_curve": -1,
        "slip_exponent": 1,
    },
    CONDUCTANCES: {
        "diameter": 1, "length": -1, "leg": -1, "conductance": 1, "tube_bore": 1,
        "line.temperature": -1,
    },
    GAS: {
        "leak": 1, "outgassing_1h": 1, "outgassing_exponent": -1, "outgassing_age": -1,
        "vapor_conductance": 1, "vapor_saturation": 1, "vapor_pressure": 1, "gas_loads": 1,
        "ballast": 1, "ballast_share": 1, "interstage": 1, "inlet": 1, "exhaust": 1,
    },
    DELAYS: {"dead_time": 1, "lag": 1, "update_period": 1},
}  # fmt: skip
"""Fields that act alike, by key or by part and key; -1 where less of the field acts like more of
the others. What stands in no group is moved alone."""

_WITHOUT_EFFECT = (
    "rise_time", "fall_time", "second_ramp", "wall_distance", "opening_time",
    "minimum_controllable_pressure",
)  # fmt: skip
"""Fields that small deviations around an operating point do not feel."""


class Group(NamedTuple):
    """Fields of one study that are moved together.

    Parameters
    ----------
    name : str
        In words, plural.
    fields : tuple of (TolerancedField, int)
        Each with the direction in which it moves when the group goes up.
    """

    name: str
    fields: tuple[tuple[TolerancedField, int], ...]


class Case(NamedTuple):
    """A study as it may be.

    Parameters
    ----------
    label : str
        What is other than stated, in words; empty for the study as it is.
    study : Study
        The study with it.
    moved : frozenset of str
        Names of the groups that are moved and labels of what is settled.
    """

    label: str
    study: Study
    moved: frozenset[str]


@dataclass(frozen=True)
class EnvelopePlant:
    """One plant of an envelope.

    Parameters
    ----------
    where : str
        In words: "25 mbar at 80 slm, volumes -10 %".
    at : str
        The duty point alone.
    moved : frozenset of str
        Groups that are moved, labels of what is settled; empty for the study as it is.
    model : LoopModel
        Its linear model.
    """

    where: str
    at: str
    moved: frozenset[str]
    model: LoopModel


@dataclass(frozen=True)
class LostPlant:
    """A duty point that a case loses.

    Parameters
    ----------
    where : str
        In words.
    reason : str
        Why there is no loop.
    """

    where: str
    reason: str


@dataclass(frozen=True)
class Envelope:
    """The plants for which one set of settings has to do.

    Parameters
    ----------
    plants : tuple of EnvelopePlant
        Those that have a loop, the study as it is first.
    lost : tuple of LostPlant
        Points that are held in the study as it is, and lost in a case.
    """

    plants: tuple[EnvelopePlant, ...]
    lost: tuple[LostPlant, ...]


def envelope(study: Study, points: Sequence[OperatingPoint], known: Sequence[str] = ()) -> Envelope:
    """Return the plants of a study's envelope.

    Parameters
    ----------
    study : Study
        The study, with tolerances.
    points : sequence of OperatingPoint
        Its duty points from `duty_points`; those that speed does not hold have no plants.
    known : sequence of str
        Groups and labels that are taken to be exactly as stated.

    Returns
    -------
    Envelope
        Its plants, and what is lost.
    """
    return envelope_of(study, points, tuple(cases(study, known)))


def envelope_of(study: Study, points: Sequence[OperatingPoint], every: Sequence[Case]) -> Envelope:
    """Return the plants of given cases.

    Parameters
    ----------
    study : Study
        The study as it is.
    points : sequence of OperatingPoint
        Its duty points.
    every : sequence of Case
        The cases.
    """
    held = [p.feasible and not p.limited_by and p.authority_gauge > 0.0 for p in points]
    points = [point for point, is_held in zip(points, held, strict=True) if is_held]
    if not points:
        return Envelope((), ())
    study = _with_points(study, held)
    changed = [_with_points(case.study, held) for case in every]
    plants: list[EnvelopePlant] = []
    lost: list[LostPlant] = []
    for case, outcome in zip(every, outcomes(study, points, changed, ends=False), strict=True):
        usable = outcome.held & ~outcome.limited
        usable[usable] = outcome.authority[usable] > 0.0
        which = np.flatnonzero(usable)
        names = [_where(points[int(i)].where, case.label) for i in which]
        models = loop_models(outcome, which, names)
        for i, name, model in zip(which, names, models, strict=True):
            plants.append(EnvelopePlant(name, points[int(i)].where, case.moved, model))
        for i in np.flatnonzero(~usable):
            where = _where(points[int(i)].where, case.label)
            lost.append(LostPlant(where, _why_lost(outcome, int(i))))
    return Envelope(tuple(plants), tuple(lost))


def _with_points(study: Study, keep: Sequence[bool]) -> Study:
    """Return a study with some of its duty points; its holds keep their numbers."""
    wanted = iter(keep)
    holds = tuple(
        hold.model_copy(
            update={"gas_loads_pa_m3_s": tuple(q for q in hold.gas_loads_pa_m3_s if next(wanted))}
        )
        for hold in study.duty.holds
    )
    return study.model_copy(update={"duty": study.duty.model_copy(update={"holds": holds})})


def _where(point: str, label: str) -> str:
    return f"{point}, {label}" if label else point


def _why_lost(outcome: Outcome, point: int) -> str:
    if outcome.limited[point]:
        return "the booster's difference limit rules, speed does not act"
    if outcome.held[point]:
        return "more speed does not lower the reading"
    return "speed does not hold it"


def cases(study: Study, known: Sequence[str] = ()) -> Iterator[Case]:
    """Yield the study as it is and as it may be.

    Parameters
    ----------
    study : Study
        The study, with tolerances.
    known : sequence of str
        Groups and labels that are taken to be exactly as stated.
    """
    nominal = Case("", study, frozenset())
    moving = [group for group in groups(study) if group.name not in known]
    settled = [
        Case(case.label, case.study, frozenset([case.label]))
        for case in envelope_cases(study)
        if case.label not in known
    ]
    yield nominal
    yield from settled
    for group in moving:
        yield from (moved(nominal, [(group, end)]) for end in (-1.0, 1.0))
    by_name = {group.name: group for group in moving}
    for ends in ({VOLUMES: -1.0, SPEEDS: 1.0}, {VOLUMES: 1.0, SPEEDS: -1.0}):
        together = [
            (by_name[name], end) for name, end in {**ends, DELAYS: 1.0}.items() if name in by_name
        ]
        if len(together) > 1:
            yield from (moved(base, together) for base in (nominal, *settled))


def groups(study: Study) -> list[Group]:
    """Return what a study knows within a tolerance only, those fields together that act alike.

    Parameters
    ----------
    study : Study
        The study, with tolerances.
    """
    found: dict[str, list[tuple[TolerancedField, int]]] = {}
    for field in toleranced_fields(study):
        if field.path.rpartition(".")[2] not in _WITHOUT_EFFECT:
            name, direction = _group(study, field.path)
            found.setdefault(name, []).append((field, direction))
    order = [*_GROUPS, *(name for name in found if name not in _GROUPS)]
    return [Group(name, tuple(found[name])) for name in order if name in found]


def _group(study: Study, path: str) -> tuple[str, int]:
    """Return name of the group and direction of a field."""
    steps = [step.partition("[")[0] for step in path.split(".")]
    keys = (".".join(steps[-2:]), steps[-1])
    for name, members in _GROUPS.items():
        for key in keys:
            if key in members:
                return name, members[key]
    return field_words(study, path), 1


def moved(base: Case, ends: Sequence[tuple[Group, float]]) -> Case:
    """Return a case with groups moved within their tolerances.

    Parameters
    ----------
    base : Case
        What is moved.
    ends : sequence of (Group, float)
        Each group with the share of its tolerance, -1 to 1; at 0 it stays.
    """
    study, labels, names = base.study, [base.label] if base.label else [], set(base.moved)
    for group, share in ends:
        if share == 0.0:
            continue
        for field, direction in group.fields:
            factor = max(1.0 + direction * share * field.tolerance, LEAST_FACTOR)
            study = vary(study, field.path, factor)
        labels.append(_label(group, share))
        names.add(group.name)
    return Case(", ".join(labels), study, frozenset(names))


def _label(group: Group, share: float) -> str:
    sizes = sorted({100.0 * abs(share) * field.tolerance for field, _ in group.fields})
    span = number(sizes[0]) if len(sizes) == 1 else f"{number(sizes[0])} to {number(sizes[-1])}"
    return f"{group.name} {'+' if share > 0.0 else '-'}{span} %"
