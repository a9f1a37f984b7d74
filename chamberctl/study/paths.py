"""A value of a study by its path in the file, such as "system.line[0].length"."""

from __future__ import annotations

import re
from typing import Any

from chamberctl.study.fields import Part, Spec, specs
from chamberctl.study.model import Study

_STEP = re.compile(r"([A-Za-z0-9_-]+)(?:\[([0-9]+)\])?")


def split_path(path: str) -> list[str | int]:
    """Return the keys and indices of a path; ValueError where it is none."""
    steps: list[str | int] = []
    for text in path.split("."):
        match = _STEP.fullmatch(text)
        if match is None:
            raise ValueError(path)
        steps.append(match[1])
        if match[2] is not None:
            steps.append(int(match[2]))
    return steps


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
    found = [(name, spec) for name, spec in specs(type(part)).items() if spec.key == key]
    if not found:
        raise KeyError(key)
    used = [item for item in found if getattr(part, item[0]) is not None]
    return (used or found)[0]


def _replaced(place: Any, steps: list[str | int], value: Any) -> Any:
    if not steps:
        return value
    step, rest = steps[0], steps[1:]
    if isinstance(step, int):
        return (*place[:step], _replaced(place[step], rest, value), *place[step + 1 :])
    name, _ = _attribute(place, step)
    return place.model_copy(update={name: _replaced(getattr(place, name), rest, value)})
