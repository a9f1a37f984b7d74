"""Which fields differ between two studies, in plain words."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from chamberctl.plant.field_names import field_words
from chamberctl.study import field_at
from chamberctl.study.fields import Part, specs
from chamberctl.study.paths import split_path

if TYPE_CHECKING:
    from chamberctl.study import Study


@dataclass(frozen=True)
class Change:
    """One field in which the studies differ.

    Parameters
    ----------
    path, name : str
        Path in the file, and the field in plain words.
    first, second : str
        The two values as typed; "none" where a study has no such part or value, "present" for the
        part that only the other lacks.
    """

    path: str
    name: str
    first: str
    second: str


def changed_fields(first: Study, second: Study) -> Iterator[Change]:
    """Yield every field of system, duty and controller whose value differs.

    Parameters
    ----------
    first, second : Study
        The studies. A part that one of them lacks is one change, not one for each of its fields.
    """
    told: set[str] = set()
    for path in dict.fromkeys((*first.provenance, *second.provenance)):
        if not path.startswith(("system.", "duty.", "controller.")):
            continue
        lacking = _lacking(first, second, path)
        if lacking:
            if lacking not in told:
                told.add(lacking)
                yield _whole_part(first, second, lacking)
            continue
        values = [_value(study, path) for study in (first, second)]
        if values[0] == values[1] or _same_number(*values):
            continue
        owner = first if path in first.provenance else second
        texts = [_shown(study, path) for study in (first, second)]
        yield Change(path, field_words(owner, path), *texts)


def _lacking(first: Study, second: Study, path: str) -> str:
    """Return the innermost table on the way to a field that only one study has; "" if none."""
    place = path.rpartition(".")[0]
    there = [_table(study, place) is not None for study in (first, second)]
    return "" if all(there) else place


def _table(study: Study, place: str) -> Any:
    """Return a part by its path in the file; None where the study has no such part."""
    found: Any = study
    for step in split_path(place):
        if isinstance(step, int):
            found = found[step] if step < len(found) else None
        elif isinstance(found, Part):
            names = (name for name, spec in specs(type(found)).items() if spec.key == step)
            found = getattr(found, next(names, ""), None)
        if found is None:
            return None
    return found


def _whole_part(first: Study, second: Study, place: str) -> Change:
    parts = [_table(study, place) for study in (first, second)]
    owner = first if parts[0] is not None else second
    name = field_words(owner, f"{place}.part").partition(":")[0]
    return Change(place, name, *("none" if part is None else "present" for part in parts))


def _value(study: Study, path: str) -> Any:
    try:
        return field_at(study, path)[1]
    except (LookupError, ValueError):
        return None


def _same_number(one: Any, other: Any) -> bool:
    return isinstance(one, float) and isinstance(other, float) and math.isclose(one, other)


def _shown(study: Study, path: str) -> str:
    if _value(study, path) is None:
        return "none"
    known = study.provenance.get(path)
    return known.typed if known and known.typed else str(_value(study, path))
