"""Tables of a report: columns with units, rows of text."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from dataclasses import dataclass, field
from html import escape
from itertools import zip_longest

#: Longest text in one line of a terminal's table [characters].
WIDEST = 40


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


def as_text(table: Table, widest: int = WIDEST) -> str:
    """Return a table for a terminal: columns aligned, units under the names, long texts broken.

    Parameters
    ----------
    table : Table
    widest : int
        Longest text in one line [characters].

    Returns
    -------
    str
        Lines without trailing blanks.
    """
    heads = [[c.name for c in table.columns], [c.unit for c in table.columns]]
    heads = heads if any(heads[1]) else heads[:1]
    body = [line for row in table.rows for line in _broken(row.cells, table.columns, widest)]
    widths = [max(len(line[i]) for line in heads + body) for i in range(len(table.columns))]

    def line(cells: Sequence[str]) -> str:
        parts = [
            text.rjust(width) if column.align == "num" else text.ljust(width)
            for text, width, column in zip(cells, widths, table.columns, strict=True)
        ]
        return "  ".join(parts).rstrip()

    rule = "  ".join("-" * width for width in widths)
    lines = [*map(line, heads), rule, *map(line, body)]
    return "\n".join(([table.caption] if table.caption else []) + lines)


def _broken(cells: Sequence[str], columns: Sequence[Column], widest: int) -> list[list[str]]:
    """Return one row as lines, texts broken where they are too long."""
    parts = [
        [cell] if column.align == "num" else textwrap.wrap(cell, widest) or [""]
        for cell, column in zip(cells, columns, strict=True)
    ]
    return [list(line) for line in zip_longest(*parts, fillvalue="")]


def as_html(table: Table) -> str:
    """Return a table as an HTML fragment: names and units in the head, strong rows in bold.

    Parameters
    ----------
    table : Table

    Returns
    -------
    str
        A `table` element, its texts escaped; `num`, `mid` and `part` are classes of its cells,
        `strong` and `starts` of its rows.
    """
    parts = ["<table>"]
    if table.caption:
        parts.append(f"<caption>{escape(table.caption)}</caption>")
    heads = (
        f'<th scope="col"{_class(c.align)}>{escape(c.name)}'
        f"{f' <small>[{escape(c.unit)}]</small>' if c.unit else ''}</th>"
        for c in table.columns
    )
    parts.append(f"<thead><tr>{''.join(heads)}</tr></thead><tbody>")
    for row in table.rows:
        cells = (
            f"<td{_class(column.align)}>{escape(text)}</td>"
            for text, column in zip(row.cells, table.columns, strict=True)
        )
        parts.append(f"<tr{_class(row.kind)}>{''.join(cells)}</tr>")
    return "".join([*parts, "</tbody></table>"])


def _class(name: str) -> str:
    return f' class="{name}"' if name else ""
