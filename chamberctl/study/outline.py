"""A study's text as a form: every field with what is typed in it, valid or not.

Read off the same declarations as everything else, from the text as it stands, so that a form can
be shown while the study is still being put together.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from chamberctl import quantities
from chamberctl.errors import Problem, QuantityError
from chamberctl.study.catalog import submodel
from chamberctl.study.fields import Part, Spec, example_of, specs
from chamberctl.study.instruments import AFTER, Gauge
from chamberctl.study.model import Study
from chamberctl.study.reading import typed_text
from chamberctl.study.source import parse_toml

SECTIONS: Mapping[str, tuple[str, ...]] = {
    "Gas and chamber": ("system.gas", "system.chamber", "system.gas_load"),
    "Line": ("system.line",),
    "Pumps": ("system.booster", "system.backing", "system.purge", "system.speed_map"),
    "Drive": ("system.drive",),
    "Gauges": ("system.gauge",),
    "Duty": ("duty",),
    "Controller": ("controller",),
    "Days tried": ("scenario",),
    "Name": ("",),
}
"""Sections of the form with the tables they hold, in the order of the work."""

_TITLES = {
    "": "Study", "system.gas": "Gas", "system.gas.part": "Gas of the blend",
    "system.gas_load": "Unmetered gas", "system.line": "Line part",
    "system.backing": "Backing pump", "system.backing.curves": "Curve at one speed",
    "system.speed_map": "Output to pumps", "system.gauge": "Gauge", "duty.hold": "Hold",
}  # fmt: skip
_NAMES = {"ms": "Ms", "simc_tau_c": "closed-loop time constant of the rule", "when": "date"}
_LONG = ("description",)
_INDEX = re.compile(r"\[[0-9]+\]")


@dataclass(frozen=True)
class Row:
    """One field of the form.

    Parameters
    ----------
    path, label : str
        Path in the file, and its name in words.
    kind : str
        "quantity", "list", "pairs", "choice", "text", "long text" or "whole".
    typed : str
        As it stands in the text; of a list with "; " between; empty where it is not given.
    pairs : tuple of (str, str)
        Rows of a field of pairs.
    units : tuple of str
        Usual unit of the value, or of the two values of a pair.
    choices : tuple of str
        Words to choose from.
    given, required, idle : bool
        Whether it stands in the text, must stand there, and means nothing beside the rest.
    basis, tolerance, note : str
        What the text says of where the value comes from.
    help, limits, default, source, example : str
        What it is, what is allowed, what holds where it is not given and why, and how it is typed.
    """

    path: str
    label: str
    kind: str
    typed: str
    pairs: tuple[tuple[str, str], ...]
    units: tuple[str, ...]
    dimension: str
    choices: tuple[str, ...]
    given: bool
    required: bool
    idle: bool
    basis: str
    tolerance: str
    note: str
    help: str
    limits: str
    default: str
    source: str
    example: str

    @property
    def reads(self) -> str:
        """What a typed quantity is read as, in the field's usual unit; "" where that is clear."""
        if self.kind != "quantity" or not self.typed or not self.units[0]:
            return ""
        try:
            value = quantities.parse(self.typed, self.dimension)
        except QuantityError:
            return ""
        text = quantities.format_quantity(value, self.units[0])
        return "" if text == self.typed else text


@dataclass(frozen=True)
class Block:
    """One table of the form.

    Parameters
    ----------
    path, title, help : str
        Path in the file, its name in words and what it is.
    rows : tuple of Row
        Its fields.
    present : bool
        Whether it stands in the text; one that does not may be added.
    optional : bool
        Whether it may be taken out.
    index, count : int
        Place in its array of tables, and how many there are; count 0: no array.
    more : tuple of (str, str)
        Path and name of each table that can be added below it.
    """

    path: str
    title: str
    help: str
    rows: tuple[Row, ...]
    present: bool
    optional: bool
    index: int
    count: int
    more: tuple[tuple[str, str], ...]


def outline(text: str, good: Study | None = None) -> tuple[Block, ...]:
    """Return the form of a study's text.

    Parameters
    ----------
    text : str
        TOML text, whether it makes a study or not.
    good : Study, optional
        Last good study, which knows what has no effect beside the rest.

    Returns
    -------
    tuple of Block
        In the order of the file; tables that may be added are there, marked as not present.

    Raises
    ------
    StudyError
        The text is no TOML.
    """
    data = parse_toml(text, "study")
    return tuple(_blocks(_Place(Study, data, "", good, data), "what the study is about"))


def section_of(path: str) -> str:
    """Return the section of the form that a path of the file belongs to."""
    plain = _INDEX.sub("", path)
    for name, tables in SECTIONS.items():
        if any(plain == table or plain.startswith(f"{table}.") for table in tables if table):
            return name
    return "Name"


def in_section(blocks: Sequence[Block], section: str) -> list[Block]:
    """Return the blocks of one section."""
    return [block for block in blocks if section_of(block.path) == section]


def place_in_words(blocks: Sequence[Block], problem: Problem) -> str:
    """Return where a problem is, as the form calls it."""
    for block in blocks:
        for row in block.rows:
            if problem.field == row.path or problem.field.startswith(f"{row.path}."):
                return f"{block.title}: {row.label}"
    return next((b.title for b in blocks if b.path and b.path == problem.field), problem.field)


@dataclass(frozen=True)
class _Place:
    """Where the walk through the tables stands."""

    model: type[Part]
    table: Mapping[str, Any]
    path: str
    good: Any
    data: Mapping[str, Any]

    def below(self, name: str, spec: Spec, table: Any, index: int | None = None) -> _Place:
        good = getattr(self.good, name, None)
        if index is not None:
            good = good[index] if isinstance(good, tuple) and index < len(good) else None
        path = f"{self.path}.{spec.key}" if self.path else spec.key
        path = path if index is None else f"{path}[{index}]"
        inside = table if isinstance(table, dict) else {}
        return _Place(submodel(self.model, name), inside, path, good, self.data)


def _blocks(
    place: _Place,
    help: str,
    present: bool = True,
    optional: bool = False,
    at: tuple[int, int] = (0, 0),
) -> Iterator[Block]:
    leaves, more, inner = [], [], []
    seen: set[str] = set()
    foreign = place.model.foreign_keys({k: typed_text(_bare(v)) for k, v in place.table.items()})
    for name, spec in specs(place.model).items():
        if spec.key in seen or spec.key == "format" or spec.kind == "table":
            continue
        seen.add(spec.key)
        value = place.table.get(spec.key)
        if spec.kind == "part":
            there = isinstance(value, dict)
            may_lack = place.model.model_fields[name].default is None
            if there or not may_lack:
                inner.append((place.below(name, spec, value), spec.help, there, may_lack, (0, 0)))
            else:
                below = place.below(name, spec, {})
                more.append((below.path, _title(below, (0, 0))))
        elif spec.kind == "parts":
            items = value if isinstance(value, list) else []
            for i, item in enumerate(items):
                optional_item = len(items) > spec.least
                below = place.below(name, spec, item, i)
                inner.append((below, spec.help, True, optional_item, (i, len(items))))
            if spec.key not in foreign:
                below = place.below(name, spec, {}, len(items))
                more.append((below.path, _TITLES.get(_INDEX.sub("", below.path), _plain(spec.key))))
        else:
            leaves.append(_row(place, spec, foreign))
    if leaves or more:
        yield Block(
            place.path, _title(place, at), help, tuple(leaves), present, optional, *at, tuple(more)
        )
    for below, words, there, may_lack, where in inner:
        yield from _blocks(below, words, there, may_lack, where)


def _row(place: _Place, spec: Spec, foreign: frozenset[str]) -> Row:
    path = f"{place.path}.{spec.key}" if place.path else spec.key
    given = spec.key in place.table
    value = place.table.get(spec.key)
    details = value if isinstance(value, dict) else {}
    value = _bare(value)
    idle = spec.key in foreign
    if isinstance(place.good, Part):
        idle = idle or spec.key in set(place.good.without_effect())
    choices = _choices(place, spec)
    kind = "long text" if spec.key in _LONG else "choice" if choices else spec.kind
    return Row(
        path=path,
        label=_NAMES.get(spec.key, _plain(spec.key)),
        kind=kind,
        typed=_typed(spec, value) if given else "",
        pairs=_pairs(value) if spec.kind == "pairs" else (),
        units=spec.units,
        dimension=spec.dimension,
        choices=choices,
        given=given,
        required=spec.required,
        idle=idle,
        basis=str(details.get("basis", "")),
        tolerance=typed_text(details.get("tolerance", "")),
        note=str(details.get("note", "")),
        help=spec.help,
        limits=_limits(spec),
        default=spec.default_text,
        source="" if spec.required else spec.source,
        example=_example(spec),
    )


def _bare(value: Any) -> Any:
    return value.get("is", "") if isinstance(value, dict) else value


def _typed(spec: Spec, value: Any) -> str:
    if spec.kind == "list" and isinstance(value, list):
        return "; ".join(typed_text(item) for item in value)
    return typed_text(value)


def _pairs(value: Any) -> tuple[tuple[str, str], ...]:
    rows = value if isinstance(value, list) else []
    cells = ([typed_text(c) for c in row] if isinstance(row, list) else [typed_text(row)]
             for row in rows)  # fmt: skip
    return tuple((cell[0] if cell else "", "; ".join(cell[1:])) for cell in cells)


def _choices(place: _Place, spec: Spec) -> tuple[str, ...]:
    if place.model is Gauge and spec.key == "position":
        return (*spec.choices, *(f"{AFTER}{name}" for name in _line_names(place.data)))
    if place.path == "controller" and spec.key == "gauge":
        return tuple(str(gauge.get("tag", "")) for gauge in _tables(place.data, "gauge"))
    return spec.choices


def _line_names(data: Mapping[str, Any]) -> list[str]:
    parts = enumerate(_tables(data, "line"), start=1)
    return [str(part.get("name") or f"{part.get('kind', 'part')} {i}") for i, part in parts]


def _tables(data: Mapping[str, Any], key: str) -> list[dict[str, Any]]:
    system = data.get("system")
    found = system.get(key) if isinstance(system, dict) else None
    return [item for item in found if isinstance(item, dict)] if isinstance(found, list) else []


def _limits(spec: Spec) -> str:
    if spec.low and spec.high:
        return f"{spec.low} to {spec.high}"
    if spec.low or spec.high:
        return f"at least {spec.low}" if spec.low else f"at most {spec.high}"
    return ""


def _example(spec: Spec) -> str:
    if spec.kind in ("quantity", "list"):
        return example_of(spec.dimension)
    return "; ".join(example_of(d) for d in spec.dimensions) if spec.kind == "pairs" else ""


def _title(place: _Place, at: tuple[int, int]) -> str:
    plain = _INDEX.sub("", place.path)
    key = plain.rpartition(".")[2]
    title = _TITLES.get(plain, _plain(key)[:1].upper() + _plain(key)[1:])
    if not at[1]:
        return title
    named = (place.table.get(name) for name in ("name", "tag", "setpoint", "speed", "kind"))
    shown = next((typed_text(_bare(value)) for value in named if value), "")
    return f"{title} {at[0] + 1}{f': {shown}' if shown else ''}"


def _plain(key: str) -> str:
    return key.replace("_", " ")
