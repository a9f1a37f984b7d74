"""Published and recomputed numbers that the tests compare chamberctl with.

A table is a CSV file in this folder. It starts with comment lines that say where it comes from,
then a header row, then the rows::

    # source: A. Author, Title, Journal 1 (2000), Table 2
    # status: from memory
    # tolerance: 1e-4 relative for the computed columns
    # note: anything else worth knowing
    case,K,Ti,gain_margin
    a,2.0,20,3.94

``source``, ``status`` and ``tolerance`` are required; a repeated key continues the text. The status
is one of STATUSES. Use it in a test like this::

    from tests import reference

    TABLE = reference.load("control/margins_rational")

    @pytest.mark.parametrize("row", TABLE.rows, ids=reference.row_id)
    def test_gain_margin(row, validation):
        loop = ...
        validation.check(TABLE, "gain margin", row["gain_margin"], computed, rel=1e-4)

``validation.check`` asserts, and records the comparison for docs/reference/validation.md
(see tests/conftest.py). A TOML file of ``[[example]]`` entries, each with the keys ``source``,
``status`` and ``tolerance``, is read by ``load`` in the same way; its rows are the entries, and a
test passes ``source=row["source"], status=row["status"]`` on to ``check``.
"""

from __future__ import annotations

import csv
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

FOLDER = Path(__file__).resolve().parent

#: read: the cited passage was read. from memory: recalled, page not checked. computed here:
#: recomputed or derived with code of our own that is independent of the package.
STATUSES = ("read", "from memory", "computed here")

_REQUIRED = ("source", "status", "tolerance")


@dataclass(frozen=True)
class Meta:
    """Where a table comes from and how closely it may be compared."""

    source: str
    status: str
    tolerance: str
    notes: Mapping[str, str]


@dataclass(frozen=True)
class Table:
    """One reference table; a cell is a float, None where blank, or text that is no number."""

    name: str
    meta: Meta
    rows: tuple[dict[str, Any], ...]


def load(name: str) -> Table:
    """Read a table by its path in this folder without the ending, "control/margins_rational"."""
    path = FOLDER / f"{name}.csv"
    if path.is_file():
        return _load_csv(name, path)
    path = FOLDER / f"{name}.toml"
    if path.is_file():
        return _load_toml(name, path)
    known = ", ".join(sorted(names()))
    raise FileNotFoundError(f"no reference table '{name}'; there are: {known}")


def names() -> list[str]:
    """Names of all tables in this folder."""
    files = [path for ending in ("csv", "toml") for path in FOLDER.rglob(f"*.{ending}")]
    return [path.relative_to(FOLDER).with_suffix("").as_posix() for path in files]


def numbers(cell: float | str) -> list[float]:
    """Numbers of a cell that holds one or several, separated by blanks (a polynomial, a list)."""
    return [cell] if isinstance(cell, float) else [float(part) for part in cell.split()]


def row_id(row: Mapping[str, Any]) -> str:
    """Short name of a row for pytest's parametrize: its first cell."""
    return str(next(iter(row.values())))


def _load_csv(name: str, path: Path) -> Table:
    comments: dict[str, str] = {}
    key = "note"
    lines: list[str] = []
    for line in path.read_text(encoding="utf-8").splitlines():
        if not line.startswith("#"):
            lines.append(line)
            continue
        text = line[1:].strip()
        head, colon, rest = text.partition(":")
        if colon and len(head) <= 24 and head == head.lower():
            key, text = head.strip(), rest.strip()
        comments[key] = f"{comments[key]} {text}" if key in comments else text
    rows = tuple(
        {column: _cell(value or "") for column, value in row.items()}
        for row in csv.DictReader(line for line in lines if line.strip())
    )
    return Table(name, _meta(name, comments), rows)


def _load_toml(name: str, path: Path) -> Table:
    entries = tomllib.loads(path.read_text(encoding="utf-8"))["example"]
    for entry in entries:
        _meta(f"{name}: {entry.get('id', '?')}", entry)
    statuses = {entry["status"] for entry in entries}
    status = statuses.pop() if len(statuses) == 1 else "per example"
    return Table(name, Meta("per example", status, "per example", {}), tuple(entries))


def _meta(name: str, given: Mapping[str, Any]) -> Meta:
    missing = [key for key in _REQUIRED if not given.get(key)]
    if missing:
        raise ValueError(f"reference table {name}: no '{missing[0]}' is stated")
    status = str(given["status"])
    if not any(status.startswith(word) for word in STATUSES):
        raise ValueError(f"reference table {name}: status '{status}' is none of {STATUSES}")
    notes = {key: str(value) for key, value in given.items() if key not in _REQUIRED}
    return Meta(str(given["source"]), status, str(given["tolerance"]), notes)


def _cell(text: str) -> float | str | None:
    text = text.strip()
    if not text:
        return None
    try:
        return float(text)
    except ValueError:
        return text
