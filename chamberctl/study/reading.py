"""From plain tables to a study: every value is read by its declaration, every problem is kept."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from chamberctl import quantities
from chamberctl.errors import Problem, QuantityError, StudyError
from chamberctl.study.catalog import submodel
from chamberctl.study.fields import Part, Spec, specs
from chamberctl.study.messages import OUTSIDE_REMEDY, nearest, outside_the_model, shown
from chamberctl.study.model import FORMAT, Provenance, Study
from chamberctl.study.source import TypedFloat, parse_toml, read_source, refuse

BASES = ("measured", "data sheet", "assumed")
_DETAILS = ("is", "basis", "tolerance", "note")
_MOST_PROBLEMS = 50


def load(source: str | Path) -> Study:
    """Load a study.

    Parameters
    ----------
    source : str or pathlib.Path
        Path of a study file, or "preset:NAME".

    Returns
    -------
    Study
        The study, checked.

    Raises
    ------
    StudyError
        The file is no study; all problems found are listed, each with field, value and remedy.
    InputError
        There is no such preset.
    """
    return loads(read_source(source), str(source))


def loads(text: str, file: str = "study") -> Study:
    """Read a study from its text.

    Parameters
    ----------
    text : str
        TOML text of a study.
    file : str
        Name for messages.

    Returns
    -------
    Study
        The study, checked.

    Raises
    ------
    StudyError
        The text is no study.
    """
    data = parse_toml(text, file)
    version = data.get("format")
    if version != FORMAT:
        given = "nothing" if version is None else shown(version)
        raise refuse(
            file, "format", given,
            f'the first line of a study is format = "{FORMAT}"; other versions are not known here',
        )  # fmt: skip
    reader = _Reader(file, data)
    study = reader.part(Study, data, "")
    if reader.problems or not isinstance(study, Study):
        raise StudyError(tuple(reader.problems[:_MOST_PROBLEMS]))
    for path, origin in _defaults(study, ""):
        reader.provenance.setdefault(path, origin)
    study._file, study._text, study._provenance = file, text, reader.provenance
    return study


def _defaults(model: Part, path: str) -> Iterator[tuple[str, Provenance]]:
    idle = set(model.without_effect())
    for name, spec in specs(type(model)).items():
        value = getattr(model, name)
        below = f"{path}.{spec.key}" if path else spec.key
        if isinstance(value, Part):
            yield from _defaults(value, below)
        elif spec.kind == "parts":
            for index, item in enumerate(value):
                yield from _defaults(item, f"{below}[{index}]")
        elif spec.default_text and spec.key not in idle:
            yield below, Provenance(spec.default_text, "default", None, spec.source)


def typed_text(value: Any) -> str:
    """Return a TOML value as it was typed."""
    if isinstance(value, TypedFloat):
        return value.text
    if isinstance(value, list):
        if all(isinstance(item, list) for item in value):
            return "; ".join(typed_text(item) for item in value)
        return ", ".join(typed_text(item) for item in value)
    return value if isinstance(value, str) else shown(value)


class _Reader:
    """Reads one file; collects problems instead of stopping at the first."""

    def __init__(self, file: str, data: Mapping[str, Any]) -> None:
        self.file = file
        self.problems: list[Problem] = []
        self.provenance: dict[str, Provenance] = {}
        self._rated = _rated_speed(data)

    def _problem(self, field: str, given: str, remedy: str) -> None:
        self.problems.append(Problem(self.file, field, given, remedy))

    def part(self, model: type[Part], table: Any, path: str) -> Part | None:
        """Read one table; None when anything in it is wrong."""
        if not isinstance(table, dict):
            self._problem(path, shown(table), f"a table is needed: [{path}]")
            return None
        before = len(self.problems)
        known = specs(model)
        keys = {spec.key for spec in known.values()}
        for key in table:
            if key not in keys:
                self._unknown(key, table[key], path, keys)
        values: dict[str, Any] = {}
        for name, spec in known.items():
            below = f"{path}.{spec.key}" if path else spec.key
            if spec.key in table:
                with suppress(_RefusedError):
                    values[name] = self._value(model, name, spec, table[spec.key], below)
            elif spec.required:
                self._problem(below, "nothing", _missing(spec, below))
        values = {name: value for name, value in values.items() if value is not _NOT_MINE}
        if len(self.problems) > before:
            return None
        try:
            return model(**values)
        except ValidationError as error:
            self._invalid(error, path)
            return None

    def _unknown(self, key: str, value: Any, path: str, known: set[str]) -> None:
        name = key or '""'
        field = f"{path}.{name}" if path else name
        if outside_the_model(key) or (isinstance(value, str) and outside_the_model(value)):
            self._problem(field, shown(value), OUTSIDE_REMEDY)
            return
        what = "table" if isinstance(value, (dict, list)) else "field"
        self._problem(field, shown(value), f"unknown {what} '{key}'{nearest(key, sorted(known))}")

    def _value(self, model: type[Part], name: str, spec: Spec, value: Any, path: str) -> Any:
        if spec.kind == "part":
            return self._ok(self.part(submodel(model, name), value, path))
        if spec.kind == "parts":
            return self._parts(submodel(model, name), value, path)
        if spec.kind == "table":
            return self._texts(value, path)
        if spec.key == "rated" and _is_of("rotation", value) == (spec.dimension == "frequency"):
            return _NOT_MINE
        origin: dict[str, Any] = {}
        if isinstance(value, dict):
            value, origin = self._with_basis(value, path)
        try:
            read = self._leaf(spec, value)
        except QuantityError as error:
            self._problem(path, error.first.given or shown(value), error.first.remedy)
            raise _RefusedError from None
        self.provenance[path] = Provenance(typed_text(value), **origin)
        return read

    @staticmethod
    def _ok(part: Part | None) -> Part:
        if part is None:
            raise _RefusedError
        return part

    def _parts(self, model: type[Part], value: Any, path: str) -> tuple[Part, ...]:
        if not isinstance(value, list) or not all(isinstance(item, dict) for item in value):
            remedy = f"an array of tables is needed: [[{path}]] before the fields of each"
            self._problem(path, shown(value), remedy)
            raise _RefusedError
        found = [self.part(model, item, f"{path}[{i}]") for i, item in enumerate(value)]
        return tuple(self._ok(part) for part in found)

    def _texts(self, value: Any, path: str) -> dict[str, str]:
        if not isinstance(value, dict) or any(isinstance(v, (dict, list)) for v in value.values()):
            self._problem(path, shown(value), f'a table of texts is needed: [{path}], gain = "2.5"')
            raise _RefusedError
        return {key: typed_text(item) for key, item in value.items()}

    def _with_basis(self, value: dict[str, Any], path: str) -> tuple[Any, dict[str, Any]]:
        """Take apart { is = "500 L", basis = "measured", tolerance = "5 %", note = "..." }."""
        before = len(self.problems)
        for key in value:
            if key not in _DETAILS:
                remedy = f"unknown detail '{key}'{nearest(key, _DETAILS)}"
                self._problem(f"{path}.{key}", shown(value[key]), remedy)
        if "is" not in value:
            remedy = 'a value with its basis is written { is = "500 L", basis = "measured" }'
            self._problem(path, 'a table without "is"', remedy)
        basis = value.get("basis", "not stated")
        if basis not in (*BASES, "not stated"):
            remedy = f"unknown basis{nearest(str(basis), BASES)} (known: {', '.join(BASES)})"
            self._problem(f"{path}.basis", shown(basis), remedy)
        note = value.get("note", "")
        if not isinstance(note, str):
            self._problem(f"{path}.note", shown(note), "a text in quotes is needed")
        tolerance = self._tolerance(value.get("tolerance"), path)
        if len(self.problems) > before:
            raise _RefusedError
        return value["is"], {"basis": basis, "tolerance": tolerance, "note": note}

    def _tolerance(self, value: Any, path: str) -> float | None:
        if value is None:
            return None
        try:
            tolerance = self._number(value, "fraction", "%")
            if not 0.0 <= tolerance <= 1.0:
                raise QuantityError("must lie between 0 % and 100 %", given=shown(value))
        except QuantityError as error:
            self._problem(f"{path}.tolerance", error.first.given, error.first.remedy)
            return None
        return tolerance

    def _leaf(self, spec: Spec, value: Any) -> Any:
        if spec.kind == "quantity":
            return self._number(value, spec.dimension, spec.unit)
        if spec.kind == "whole":
            if isinstance(value, bool) or not isinstance(value, int):
                raise QuantityError("a whole number is needed, without quotes or unit",
                                    given=shown(value))  # fmt: skip
            return value
        if spec.kind in ("list", "pairs"):
            return self._many(spec, value)
        if isinstance(value, (dt.date, dt.time)) and spec.kind == "text":
            return value.isoformat()
        if not isinstance(value, str):
            raise QuantityError(f"a text in quotes is needed: {spec.help}", given=shown(value))
        if not spec.allows(value):
            if outside_the_model(value):
                raise QuantityError(OUTSIDE_REMEDY, given=shown(value))
            free = (f"{spec.or_begins}NAME",) if spec.or_begins else ()
            allowed = ", ".join(f"'{word}'" for word in (*spec.choices, *free))
            near = nearest(value, spec.choices)
            hint = near if "did you mean" in near else ""
            raise QuantityError(f"must be one of {allowed}{hint}", given=shown(value))
        return value

    def _many(self, spec: Spec, value: Any) -> tuple[Any, ...]:
        form = f"a list is needed: {spec.key} = {spec.example()}"
        if not isinstance(value, list):
            raise QuantityError(form, given=shown(value))
        if spec.kind == "list":
            return tuple(self._number(item, spec.dimension, spec.unit) for item in value)
        for item in value:
            if not isinstance(item, list) or len(item) != 2:
                raise QuantityError(f"each entry is a pair; {form}", given=shown(item))
        return tuple(
            tuple(
                self._number(number, dimension, unit)
                for number, dimension, unit in zip(item, spec.dimensions, spec.units, strict=True)
            )
            for item in value
        )

    def _number(self, value: Any, dimension: str, unit: str) -> float:
        text = typed_text(value)
        if isinstance(value, bool) or not isinstance(value, (str, int, float)):
            raise QuantityError("one number with its unit is needed, as a text in quotes",
                                given=shown(value))  # fmt: skip
        if not isinstance(value, str):
            text = text.replace("_", "")
            if dimension not in ("number", "fraction", "speed"):
                number = quantities.parse(text, "number")
                raise QuantityError(
                    f'the unit is missing; write number and unit in quotes, such as "{number:g} '
                    f'{unit}"',
                    given=text,
                )
        return self._speed(text) if dimension == "speed" else quantities.parse(text, dimension)

    def _speed(self, text: str) -> float:
        """Read a speed as a fraction of rated."""
        for dimension in ("frequency", "rotation"):
            if _is_of(dimension, text):
                rated = self._rated.get(dimension)
                if rated is None:
                    raise QuantityError(
                        "the drive's rated speed is not given in this unit; write the speed in % "
                        "of rated, or rated in the same unit",
                        given=shown(text),
                    )
                return quantities.parse(text, dimension) / rated
        return quantities.parse(text, "fraction")

    def _invalid(self, error: ValidationError, path: str) -> None:
        for found in error.errors():
            context = found.get("ctx", {})
            items = context.get("found") if found["type"] == "study" else None
            for key, remedy in items or [(".".join(map(str, found["loc"])), found["msg"])]:
                field = f"{path}.{key}" if path else key
                self._problem(field, self._given(field), remedy)

    def _given(self, field: str) -> str:
        """Return what was typed in a field; of an array of tables, in all of them."""
        origin = self.provenance.get(field)
        if origin:
            return shown(origin.typed)
        tables: dict[str, list[str]] = {}
        for path, below in self.provenance.items():
            if path.startswith(f"{field}["):
                index = path.removeprefix(f"{field}[").partition("]")[0]
                tables.setdefault(index, []).append(below.typed)
        texts = ", ".join(" ".join(typed) for typed in tables.values())
        return shown(texts) if texts else "nothing"


class _RefusedError(Exception):
    """A value was refused and its problem noted."""


_NOT_MINE = object()


def _is_of(dimension: str, value: Any) -> bool:
    """Say whether a typed value carries a unit of this dimension."""
    if isinstance(value, dict):
        value = value.get("is")
    try:
        _, unit = quantities.split_number(str(value))
        return quantities.dimension_of(unit) == dimension
    except QuantityError:
        return False


def _rated_speed(data: Mapping[str, Any]) -> dict[str, float]:
    """Return the drive's rated speed by dimension; what is wrong with it is said elsewhere."""
    value: Any = data
    for key in ("system", "drive", "rated"):
        value = value.get(key) if isinstance(value, dict) else None
    if isinstance(value, dict):
        value = value.get("is")
    for dimension in ("frequency", "rotation"):
        if isinstance(value, str) and _is_of(dimension, value):
            rated = quantities.parse(value, dimension)
            return {dimension: rated} if rated > 0.0 else {}
    return {}


def _missing(spec: Spec, path: str) -> str:
    if spec.kind in ("part", "parts"):
        form = f"[{path}]" if spec.kind == "part" else f"[[{path}]]"
        return f"missing: describe {spec.help} under {form}"
    return f"missing: add {spec.key} = {spec.example()} ({spec.help})"
