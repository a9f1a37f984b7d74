"""The studies that come with the package, and the table of all fields of a study."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import get_args

from chamberctl.errors import InputError
from chamberctl.resources import resource_folder
from chamberctl.study.fields import Part, Spec, specs, to_si
from chamberctl.study.messages import nearest
from chamberctl.study.model import Study


@dataclass(frozen=True)
class FieldInfo:
    """One field of a study file.

    Parameters
    ----------
    path : str
        Path in the file; ``[]`` stands for each entry of an array of tables.
    dimension : str
        Dimension of the value, "speed" for a speed as a fraction of rated, "" for words.
    unit_hint : str
        Unit in which the field is shown.
    low, high : float or None
        Bounds in SI.
    default_text : str
        What holds where the field is not given; empty for a field that must be given.
    help, source : str
        What it is, and where the default comes from.
    choices : tuple of str
        Words allowed, where only some are.
    required : bool
        Whether it must be given (within its table).
    """

    path: str
    dimension: str
    unit_hint: str
    low: float | None
    high: float | None
    default_text: str
    help: str
    source: str
    choices: tuple[str, ...]
    required: bool


def field_table() -> tuple[FieldInfo, ...]:
    """Return all fields of a study file, read off the models.

    Returns
    -------
    tuple of FieldInfo
        In the order of the file.
    """
    return tuple(_fields(Study, ""))


def submodel(model: type[Part], name: str) -> type[Part]:
    """Return the model of a field that is a table or an array of tables."""
    pending = [model.model_fields[name].annotation]
    while pending:
        kind = pending.pop()
        if isinstance(kind, type) and issubclass(kind, Part):
            return kind
        pending.extend(get_args(kind))
    raise TypeError(f"{model.__name__}.{name} is no table")


def _fields(model: type[Part], path: str) -> Iterator[FieldInfo]:
    for name, spec in specs(model).items():
        below = f"{path}.{spec.key}" if path else spec.key
        if spec.kind in ("part", "parts"):
            array = "[]" if spec.kind == "parts" else ""
            yield from _fields(submodel(model, name), below + array)
        else:
            yield _info(below, spec)


def _info(path: str, spec: Spec) -> FieldInfo:
    dimension = spec.dimension or ("number" if spec.kind == "whole" else "")
    low = to_si(spec.low, dimension) if spec.low else None
    high = to_si(spec.high, dimension) if spec.high else None
    return FieldInfo(
        path, dimension, spec.unit, low, high, spec.default_text, spec.help, spec.source,
        spec.choices, spec.required,
    )  # fmt: skip


def presets() -> Mapping[str, Path]:
    """Return the studies that come with chamberctl.

    Returns
    -------
    Mapping[str, pathlib.Path]
        File by name, in alphabetical order.
    """
    return {path.stem: path for path in sorted(resource_folder("presets").glob("*.toml"))}


def preset_path(name: str) -> Path:
    """Return the file of a preset.

    Parameters
    ----------
    name : str
        Name as listed by `presets`.

    Returns
    -------
    pathlib.Path
        Its file.

    Raises
    ------
    InputError
        There is no such preset.
    """
    known = presets()
    if name not in known:
        raise InputError(
            f"no such preset{nearest(name, known)}", given=repr(name), field="preset",
            file=f"preset:{name}",
        )  # fmt: skip
    return known[name]
