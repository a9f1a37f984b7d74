"""A study as it may be: tolerances at their ends, and undecided things settled either way.

Fields that act alike are moved together: all volumes, all pumping speeds. What makes a loop hard,
small volumes, fast pumps and long delays, is moved together, too, and so is its opposite;
everything else is moved alone.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, NamedTuple

from chamberctl.display import number
from chamberctl.plant.field_names import field_words
from chamberctl.plant.tolerances import (
    LEAST_FACTOR,
    TolerancedField,
    envelope_cases,
    toleranced_fields,
    vary,
)
from chamberctl.study import field_at

if TYPE_CHECKING:
    from chamberctl.study import Study

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


_EITHER_OR = ("slip_exponent",)
"""Fields whose tolerance is left out where a case settles them: it would count twice."""


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
    settled : str
        What is settled that the data do not decide; empty if nothing is.
    ends : tuple of (str, float)
        Groups that are moved, with the share of their tolerance, -1 to 1.
    """

    label: str
    study: Study
    settled: str
    ends: tuple[tuple[str, float], ...]

    @property
    def moved(self) -> tuple[str, ...]:
        """What is settled and the names of the groups that are moved."""
        return (*([self.settled] if self.settled else []), *(name for name, _ in self.ends))


class Cases:
    """All that a study may be.

    Parameters
    ----------
    study : Study
        The study, with tolerances.
    """

    def __init__(self, study: Study) -> None:
        self.study = study
        self.groups = groups(study)
        settled = [Case(c.label, c.study, c.label, ()) for c in envelope_cases(study)]
        self.bases = [Case("", study, "", ()), *settled]

    @property
    def together(self) -> list[str]:
        """Names of the groups that make a loop hard and are moved together."""
        return [group.name for group in self.groups if group.name in (VOLUMES, SPEEDS, DELAYS)]

    def tuned_for(self) -> Iterator[Case]:
        """Yield the study as it is and as settings have to do for."""
        yield from self.bases
        for group in self.groups:
            yield from (self.moved(self.bases[0], [(group.name, end)]) for end in (-1.0, 1.0))
        for ends in ({VOLUMES: -1.0, SPEEDS: 1.0}, {VOLUMES: 1.0, SPEEDS: -1.0}):
            every = {**ends, DELAYS: 1.0}
            combined = [(name, every[name]) for name in self.together]
            if len(combined) > 1:
                yield from (self.moved(base, combined) for base in self.bases)

    def moved(self, base: Case, ends: Sequence[tuple[str, float]]) -> Case:
        """Return a case with groups moved by shares of their tolerances; 0 is not moved."""
        study, labels = base.study, [base.label] if base.label else []
        by_name = {group.name: group for group in self.groups}
        ends = tuple((name, share) for name, share in ends if share != 0.0)
        for name, share in ends:
            for field, direction in by_name[name].fields:
                if base.settled and self._is_settled(base, field.path):
                    continue
                factor = max(1.0 + direction * share * field.tolerance, LEAST_FACTOR)
                study = vary(study, field.path, factor)
            labels.append(_label(by_name[name], share))
        return Case(", ".join(labels), study, base.settled, (*base.ends, *ends))

    def _is_settled(self, base: Case, path: str) -> bool:
        if not path.endswith(_EITHER_OR):
            return False
        return bool(field_at(base.study, path)[1] != field_at(self.study, path)[1])

    def without(self, case: Case, name: str) -> Case:
        """Return a case with one group, or what is settled, as stated."""
        settled = "" if case.settled == name else case.settled
        return self._of(settled, [end for end in case.ends if end[0] != name])

    def same(self, case: Case) -> Case:
        """Return the same case of this study, which may have other duty points than its own."""
        return self._of(case.settled, case.ends)

    def _of(self, settled: str, ends: Sequence[tuple[str, float]]) -> Case:
        return self.moved(next(base for base in self.bases if base.settled == settled), ends)


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


def _label(group: Group, share: float) -> str:
    sizes = sorted({100.0 * abs(share) * field.tolerance for field, _ in group.fields})
    span = number(sizes[0]) if len(sizes) == 1 else f"{number(sizes[0])} to {number(sizes[-1])}"
    return f"{group.name} {'+' if share > 0.0 else '-'}{span} %"
