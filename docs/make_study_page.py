"""Writes docs/reference/study.md from the declarations of the fields.

Run it as ``python docs/make_study_page.py``; a test fails when the page is not up to date.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from chamberctl import quantities
from chamberctl.study import FieldInfo, field_table

PAGE = Path(__file__).resolve().parent / "reference" / "study.md"

HEAD = """# Study file

A study is the one file a user saves: the system, the duty and the controller, in TOML. Command
line, library and page read and write the same file; comments survive, and fields that are not
touched keep their typed text. This page is written by `docs/make_study_page.py` from the
declarations that also check a study.

**Values.** Every quantity is a text of one number and one unit: `"500 L"`, `"5e-3 mbar"`, `"0,005
mbar"`. A point or one decimal comma; a number that could be read two ways (`1,000`) is refused. A
standard flow names its reference temperature: `"40 slm(0 degC)"`. Pressures are absolute.

**Where a value comes from** is said in a table in place of the text:

    volume = { is = "500 L", basis = "data sheet", tolerance = "5 %", note = "drawing 12" }

`basis` is `measured`, `data sheet` or `assumed`; the report lists what is assumed. `tolerance`
and `note` may be left out.

**Speeds** are given in % of rated, as a plain fraction, or in Hz or rpm where the drive's rated
speed is given so.

`[]` stands for each entry of an array of tables: `system.line[].kind` is written as `kind` below
`[[system.line]]`.

"""

ROW = "| `{name}` | {help} | {values} | {default} |\n"


def table_of(info: FieldInfo) -> str:
    """Name of the TOML table that a field stands in."""
    return info.path.rpartition(".")[0]


def values(info: FieldInfo) -> str:
    """What may be typed: words, or bounds with a unit."""
    if info.path == "format":
        return f"`{info.default_text}`"
    if info.choices:
        return ", ".join(f"`{choice}`" for choice in info.choices)
    if info.low is None or info.high is None:
        return f"in {info.unit_hint}" if info.unit_hint else "text"
    return f"{bound(info.low, info)} to {bound(info.high, info)}"


def bound(value: float, info: FieldInfo) -> str:
    """A bound in the unit the field is shown in."""
    if not info.unit_hint:
        return quantities.format_number(value)
    if info.dimension == "speed":
        return f"{quantities.format_number(100 * value)} %"
    return quantities.format_quantity(value, info.unit_hint)


def default(info: FieldInfo) -> str:
    """What holds where nothing is given, and why."""
    if info.required or info.path == "format":
        return "**must be given**"
    return f"{info.default_text} ({info.source})" if info.default_text else info.source


def page() -> str:
    """The whole page."""
    return HEAD + "\n".join(sections())


def sections() -> Iterator[str]:
    """One section for each TOML table."""
    tables: dict[str, list[FieldInfo]] = {}
    for info in field_table():
        tables.setdefault(table_of(info), []).append(info)
    for table, fields in tables.items():
        head = f"## `[{table}]`" if table else "## At the top"
        if table.endswith("[]"):
            head = f"## `[[{table.replace('[]', '')}]]`"
        rows = "".join(
            ROW.format(
                name=info.path.rpartition(".")[2],
                help=info.help,
                values=values(info),
                default=default(info),
            )
            for info in fields
        )
        yield f"{head}\n\n| field | what it is | values | if not given |\n|---|---|---|---|\n{rows}"


if __name__ == "__main__":
    PAGE.write_text(page(), encoding="utf-8", newline="\n")
