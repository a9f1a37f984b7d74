"""From a study to its file: what was typed stays as typed, and a file is never half written."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from contextlib import suppress
from itertools import pairwise
from pathlib import Path
from typing import Any

import tomlkit
from tomlkit.exceptions import TOMLKitError

from chamberctl import quantities
from chamberctl.errors import QuantityError, StudyError
from chamberctl.study.fields import Part, Spec, specs, to_si
from chamberctl.study.files import write_in_one_step
from chamberctl.study.messages import nearest, shown
from chamberctl.study.model import Provenance, Study
from chamberctl.study.paths import split_path
from chamberctl.study.reading import loads
from chamberctl.study.source import refuse

_DETAILS = ("basis", "tolerance", "note")


def text_of(study: Study) -> str:
    """Return the study's TOML text: as loaded where it still says the same, else written anew."""
    if study._text:
        try:
            if loads(study._text, study.file).model_dump() == study.model_dump():
                return study._text
        except StudyError:
            pass
    return "\n".join(_lines(study, "", study.provenance)).strip() + "\n"


def save(study: Study, path: str | Path) -> None:
    """Write the study beside the old file, then put it in its place in one step."""
    write_in_one_step(path, text_of(study).encode("utf-8"))


def with_text(study: Study, changes: Mapping[str, Any]) -> Study:
    """Return the study with some fields typed anew."""
    file = study.file or "study"
    document = tomlkit.parse(text_of(study))
    for path, value in changes.items():
        try:
            put(document, path, value)
        except (AttributeError, LookupError, TypeError, ValueError, TOMLKitError):
            raise refuse(
                file, path, shown(value),
                f"this path leads nowhere in the study; such as duty.hold[0].setpoint"
                f"{nearest(path, study.provenance) if study.provenance else ''}",
            ) from None  # fmt: skip
    return loads(tomlkit.dumps(document), file)


def put(document: Any, path: str, value: Any) -> None:
    """Set a value of a TOML document by its path, keeping its basis; None removes it."""
    steps = split_path(path)
    if len(steps) > 1 and steps[-1] in _DETAILS and _put_detail(document, steps, value):
        return
    place, above = document, document
    for step, following in pairwise(steps):
        above = place
        if isinstance(step, str) and step not in place:
            place[step] = tomlkit.table() if isinstance(following, str) else tomlkit.aot()
        place = place[step]
    last = steps[-1]
    if value is None:
        del place[last]
        if isinstance(last, int) and not place:
            del above[steps[-2]]
        return
    if isinstance(last, int):
        if last == len(place):
            place.append(tomlkit.item(value))
        else:
            place[last] = value
        return
    old = place.get(last)
    if isinstance(old, dict) and "is" in old and not isinstance(value, dict):
        old["is"] = value
    else:
        place[last] = value


def _put_detail(document: Any, steps: list[str | int], value: Any) -> bool:
    """Set basis, tolerance or note of a value; False where the path is no value."""
    place = document
    for step in steps[:-2]:
        place = place[step]
    field, detail = steps[-2], steps[-1]
    old = place[field]
    if isinstance(old, dict) and "is" not in old:
        return False
    if not isinstance(old, dict):
        details = tomlkit.inline_table()
        details["is"] = old.unwrap() if hasattr(old, "unwrap") else old
        place[field] = details
        old = place[field]
    if value is None:
        del old[detail]
    else:
        old[detail] = value
    return True


def _lines(model: Part, path: str, origins: Mapping[str, Provenance]) -> Iterator[str]:
    """Yield the lines of one table; ``path`` has the indices of arrays, a table's head has none."""
    tables: list[tuple[str, str, Part]] = []
    for name, spec in specs(type(model)).items():
        value = getattr(model, name)
        below = f"{path}.{spec.key}" if path else spec.key
        head = re.sub(r"\[[0-9]+\]", "", below)
        if spec.kind == "part" and value is not None:
            tables.append((f"[{head}]", below, value))
        elif spec.kind == "parts":
            tables += [(f"[[{head}]]", f"{below}[{i}]", item) for i, item in enumerate(value)]
        elif spec.kind == "table" and value:
            items = (f"{_quoted(key)} = {_quoted(text)}" for key, text in value.items())
            yield f"{spec.key} = {{ {', '.join(items)} }}"
        elif spec.kind not in ("part", "parts", "table"):
            text = _told(spec, value, origins.get(below))
            if _is_told(model, name, spec, value) or text.startswith("{"):
                yield f"{spec.key} = {text}"
    for head, below, item in tables:
        yield f"\n{head}"
        yield from _lines(item, below, origins)


def _is_told(model: Part, name: str, spec: Spec, value: Any) -> bool:
    if value is None or (spec.kind == "text" and not value):
        return False
    return spec.key == "format" or value != type(model).model_fields[name].default


def _told(spec: Spec, value: Any, origin: Provenance | None) -> str:
    """Return a value as TOML, with its basis where that still belongs to this value."""
    text = "" if value is None else _value(spec, value)
    if value is None or origin is None or origin.basis in ("default", "not stated"):
        return text
    with suppress(QuantityError, ValueError):
        if _typed_value(spec, origin.typed) == value:
            typed = _quoted(origin.typed) if spec.kind == "quantity" else text
            details = [f"is = {typed}", f"basis = {_quoted(origin.basis)}"]
            if origin.tolerance is not None:
                details.append(f"tolerance = {_number(origin.tolerance, 'fraction', '%')}")
            if origin.note:
                details.append(f"note = {_quoted(origin.note)}")
            return f"{{ {', '.join(details)} }}"
    return text


def _typed_value(spec: Spec, typed: str) -> Any:
    """Read the text of a value's origin."""
    if spec.kind == "quantity":
        return to_si(typed, spec.dimension)
    if spec.kind == "list":
        return tuple(to_si(text, spec.dimension) for text in typed.split(", "))
    if spec.kind == "pairs":
        rows = [row.split(", ") for row in typed.split("; ")]
        return tuple(tuple(map(to_si, row, spec.dimensions)) for row in rows)
    return int(typed) if spec.kind == "whole" else typed


def _value(spec: Spec, value: Any) -> str:
    if spec.kind == "whole":
        return str(value)
    if spec.kind in ("text", "choice"):
        return _quoted(value)
    if spec.kind == "list":
        return f"[{', '.join(_number(item, spec.dimension, spec.unit) for item in value)}]"
    if spec.kind == "pairs":
        rows = (", ".join(map(_number, item, spec.dimensions, spec.units)) for item in value)
        return f"[{', '.join(f'[{row}]' for row in rows)}]"
    return _number(value, spec.dimension, spec.unit)


def _quoted(text: str) -> str:
    return tomlkit.string(text).as_string()


def _number(value: float, dimension: str, unit: str) -> str:
    """Return the shortest text that is read back as exactly this value."""
    kind = "fraction" if dimension == "speed" else dimension
    base = quantities.DIMENSIONS[kind].base
    for name, digits in ((unit, 4), (unit, 12), (unit, 15), (unit, 17), (base, 17)):
        text = quantities.format_quantity(value, name, digits)
        try:
            if quantities.parse(text, kind) == value:
                break
        except QuantityError:
            continue
    return _quoted(text)
