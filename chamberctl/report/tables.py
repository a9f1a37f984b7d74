"""Tables of a report: columns with units, rows of text."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field


@dataclass(frozen=True)
class Column:
    """Head of one column.

    Parameters
    ----------
    name, unit : str
        What the column holds, and the unit of its numbers.
    align : {"", "num", "mid", "part"}
        Text, numbers, centered, or the name of a group of rows.
    """

    name: str
    unit: str = ""
    align: str = ""


@dataclass(frozen=True)
class Row:
    """One row; `kind` is "strong" for the row to look at, "starts" for the first of a group."""

    cells: Sequence[str]
    kind: str = ""


@dataclass(frozen=True)
class Table:
    """A table ready to be set.

    Parameters
    ----------
    caption : str
        What the table shows.
    columns : sequence of Column
    rows : sequence of Row
    """

    caption: str
    columns: Sequence[Column]
    rows: Sequence[Row] = field(default_factory=tuple)


def numbers(name: str, unit: str = "") -> Column:
    """Return a column of numbers."""
    return Column(name, unit, "num")


def as_text(table: Table) -> str:
    """Return a table for a terminal: columns aligned, units under the names.

    Returns
    -------
    str
        Lines without trailing blanks.
    """
    heads = [[c.name for c in table.columns], [c.unit for c in table.columns]]
    body = [list(row.cells) for row in table.rows]
    widths = [max(len(line[i]) for line in heads + body) for i in range(len(table.columns))]

    def line(cells: Sequence[str]) -> str:
        parts = [
            text.rjust(width) if column.align == "num" else text.ljust(width)
            for text, width, column in zip(cells, widths, table.columns, strict=True)
        ]
        return "  ".join(parts).rstrip()

    rows = [line(heads[0])]
    if any(heads[1]):
        rows.append(line(heads[1]))
    rows.append("  ".join("-" * width for width in widths))
    for row in table.rows:
        rows.append(line(row.cells))
    return "\n".join(([table.caption] if table.caption else []) + rows)
