"""From what is typed into a form to the changes of the study that it means."""

from __future__ import annotations

import re
from typing import Any

from chamberctl.study.catalog import submodel
from chamberctl.study.fields import Part, specs
from chamberctl.study.model import Study
from chamberctl.study.outline import Block, Row

_INDEX = re.compile(r"\[[0-9]+\]")


def changes(block: Block, row: Row, text: str) -> dict[str, Any]:
    """Return what typing a text into a field changes; an empty text takes the field out.

    Parameters
    ----------
    block : Block
        The table.
    row : Row
        The field.
    text : str
        As typed.

    Returns
    -------
    dict
        Value by path, as `Study.with_text` takes it. A new kind takes fields out that belonged to
        the old one.
    """
    found: dict[str, Any] = {row.path: _value(row.kind, text) if text.strip() else None}
    if row.kind == "choice":
        model, _, key = _model_at(row.path)
        table = {other.path.rpartition(".")[2]: other.typed for other in block.rows if other.given}
        foreign = model.foreign_keys({**table, key: text})
        found |= {
            other.path: None
            for other in block.rows
            if other.given and other.path.rpartition(".")[2] in foreign
        }
    return found


def read_rows(text: str) -> list[list[str]]:
    """Return rows of two texts, as pasted from a spreadsheet: tab, semicolon or wide gap between.

    Parameters
    ----------
    text : str
        One row to a line; what has no two texts is kept as it is, to be refused where it stands.
    """
    lines = (line.strip() for line in text.splitlines())
    return [
        [cell.strip() for cell in re.split(r"\t+|;|\s{2,}|,\s", line, maxsplit=1)]
        for line in lines
        if line
    ]


def _value(kind: str, text: str) -> Any:
    """Return a typed text as the file holds it."""
    plain = text.strip()
    if kind == "list":
        return split_list(plain)
    if kind == "pairs":
        return read_rows(plain)
    if kind == "whole" and re.fullmatch(r"[+-]?[0-9]+", plain):
        return int(plain)
    return text if kind == "long text" else plain


def split_list(text: str) -> list[str]:
    """Return the values of a typed list: semicolons between, or commas followed by a space."""
    between = r"[;\n]" if re.search(r"[;\n]", text) else r",\s+(?![^()]*\))"
    return [item.strip() for item in re.split(between, text) if item.strip()]


def _model_at(path: str) -> tuple[type[Part], str, str]:
    """Return the model that holds a field, the path of its table and the field's key."""
    table, _, key = path.rpartition(".")
    model: type[Part] = Study
    for step in filter(None, _INDEX.sub("", table).split(".")):
        name = next(name for name, spec in specs(model).items() if spec.key == step)
        model = submodel(model, name)
    return model, table, key
