"""Known plants and loops recomputed on this machine."""

from __future__ import annotations

from typing import TYPE_CHECKING

from chamberctl.cli import text
from chamberctl.cli.progress import Progress
from chamberctl.display import number
from chamberctl.report.tables import Column, Row, Table, as_text, numbers

if TYPE_CHECKING:
    from chamberctl.control.selftest import SelfTestRow as LoopRow
    from chamberctl.plant.selftest import SelfTestRow as PlantRow


def self_test(as_json: bool) -> bool:
    """Recompute, print what came out, and return whether all of it is right.

    Parameters
    ----------
    as_json : bool
        Print for other programs.
    """
    with Progress() as progress:
        progress.step("running the plant's equations in four ways")
        from chamberctl.plant.selftest import right_hand_side_rows

        rows: list[tuple[str, PlantRow | LoopRow]] = []
        rows += [(row.name, row) for row in right_hand_side_rows()]
        progress.step("recomputing known loops")
        from chamberctl.control.selftest import self_test as loops

        rows += [(f"{row.loop}: {row.quantity}", row) for row in loops()]
    good = all(row.passed for _, row in rows)
    if as_json:
        names = ("expected", "computed", "tolerance", "passed")
        tests = [{"name": name} | {n: getattr(row, n) for n in names} for name, row in rows]
        print(text.as_json({"good": good, "tests": tests}))
        return good
    columns = (Column("Test"), numbers("Expected"), numbers("Found here"), Column("Verdict"))
    lines = [
        Row(
            [
                name,
                number(row.expected, 6),
                number(row.computed, 6),
                "ok" if row.passed else "WRONG",
            ]
        )
        for name, row in rows
    ]
    print(as_text(Table("", columns, lines), widest=90))
    wrong = sum(not row.passed for _, row in rows)
    print(
        f"\nAll {len(rows)} numbers are right on this machine."
        if good
        else f"\n{wrong} of {len(rows)} numbers are WRONG on this machine. Do not rely on results "
        "from here; install chamberctl again, with the versions of its libraries that it asks for."
    )
    print(f"\n{text.caution_lines()}")
    return good
