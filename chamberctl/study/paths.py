"""A value of a study by its path in the file, such as "system.line[0].length"."""

from __future__ import annotations

import re
from functools import cache, lru_cache
from typing import Any

from chamberctl.study.fields import Part, Spec, specs
from chamberctl.study.model import Study

_STEP = re.compile(r"([A-Za-z0-9_-]+)(?:\[([0-9]+)\])?")


def split_path(path: str) -> list[str | int]:
    """Return the keys and indices of a path; ValueError where it is none."""
    return list(_steps(path))


@lru_cache(maxsize=4096)
def _steps(path: str) -> tuple[str | int, ...]:
    steps: list[str | int] = []
    for text in path.split("."):
        match = _STEP.fullmatch(text)
        if match is None:
            raise ValueError(path)
        steps.append(match[1])
        if match[2] is not None:
            steps.append(int(match[2]))
    return tuple(steps)


def field_at(study: Study, path: str) -> tuple[Spec, Any]:
    """Return declaration and value of a field.

    Parameters
    ----------
    study : Study
        The study.
    path : str
        Path in the file.

    Returns
    -------
    tuple of (Spec, Any)
        Declaration, and the value in SI units.

    Raises
    ------
    LookupError, ValueError
        The path leads to no field.
    """
    place: Any = study
    spec = None
    for step in split_path(path):
        if isinstance(step, int) and isinstance(place, tuple):
            place, spec = place[step], None
        elif isinstance(step, str) and isinstance(place, Part):
            name, spec = _attribute(place, step)
            place = getattr(place, name)
        else:
            raise KeyError(path)
    if spec is None or spec.kind in ("part", "parts"):
        raise KeyError(path)
    return spec, place


def with_value(study: Study, path: str, value: Any) -> Study:
    """Return the study with one value replaced, in SI units and without its text.

    Parameters
    ----------
    study : Study
        The study.
    path : str
        Path in the file of a field that is given or has a default.
    value : Any
        New value in SI units; not checked.

    Returns
    -------
    Study
        A new study; everything else, the origin of the values too, is the old one's.

    Raises
    ------
    LookupError, ValueError
        The path leads to no field.
    """
    field_at(study, path)
    changed: Study = _replaced(study, split_path(path), value)
    return changed


def _attribute(part: Part, key: str) -> tuple[str, Spec]:
    """Return attribute and declaration of a key; of several that share it, the one in use."""
    found = _declared(type(part), key)
    if not found:
        raise KeyError(key)
    if len(found) == 1:
        return found[0]
    used = [item for item in found if getattr(part, item[0]) is not None]
    return (used or found)[0]


@cache
def _declared(part: type[Part], key: str) -> tuple[tuple[str, Spec], ...]:
    """Return attributes and declarations of a key, which several may share."""
    return tuple((name, spec) for name, spec in specs(part).items() if spec.key == key)


def _replaced(place: Any, steps: list[str | int], value: Any) -> Any:
    if not steps:
        return value
    step, rest = steps[0], steps[1:]
    if isinstance(step, int):
        return (*place[:step], _replaced(place[step], rest, value), *place[step + 1 :])
    name, _ = _attribute(place, step)
    return place.model_copy(update={name: _replaced(getattr(place, name), rest, value)})
