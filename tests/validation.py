"""Comparing with a reference table, and writing all comparisons down as one page.

The records travel with pytest's reports, so the page is complete under pytest-xdist, too.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from tests.reference import STATUSES, Table

PROPERTY = "chamberctl-validation"

#: Smaller deviations may differ from machine to machine, and the page must not.
NOISE = 1e-6

HEADER = """# Validation

What chamberctl's numbers were compared with. This page is written by the tests and checked by
`.ci/run`; do not edit it. Write it anew with
`pytest --write-validation docs/reference/validation.md`.

The status says where a number comes from. *read*: the cited passage was read. *from memory*:
recalled from the cited source, page not checked. *computed here*: recomputed or derived
independently of the package. A tolerance is never tighter than the last printed digit. The worst
deviation is relative (rel) or absolute (abs, in the table's own unit), rounded up to one digit. A
range of what is plausible is compared as its middle, with half its width as tolerance.

Numbers that were at hand and left out stand in [Not compared](not-compared.md), with the reason.

| quantity | source | status | numbers | tolerance | worst deviation | test |
|---|---|---|---:|---|---|---|
"""


@dataclass(frozen=True)
class Comparison:
    """One or several numbers of one reference table compared in one call."""

    quantity: str
    table: str
    source: str
    status: str
    kind: str
    tolerance: float
    deviation: float
    numbers: int
    test: str


class Validation:
    """What the ``validation`` fixture hands to a test."""

    def __init__(self, test: str, properties: list[tuple[str, object]]) -> None:
        self._test = test
        self._properties = properties

    def check(
        self,
        table: Table,
        quantity: str,
        expected: ArrayLike,
        computed: ArrayLike,
        *,
        rel: float | None = None,
        abs: float | None = None,
        source: str | None = None,
        status: str | None = None,
    ) -> None:
        """Assert that computed numbers agree with expected ones, and record it.

        Parameters
        ----------
        table : Table
            The reference table the expected numbers come from.
        quantity : str
            What is compared, in plain words ("gain margin").
        expected, computed : float or array
            Real or complex; infinities must agree exactly and NaN is never right.
        rel, abs : float
            Tolerance, relative to the expected value or absolute; exactly one of them.
        source, status : str, optional
            Where a single row differs in this from its table.
        """
        if (rel is None) == (abs is None):
            raise ValueError("give exactly one of rel and abs")
        want, got = np.broadcast_arrays(np.asarray(expected), np.asarray(computed))
        kind, tolerance = ("rel", rel) if rel is not None else ("abs", abs)
        assert tolerance is not None
        deviations = [
            _deviation(complex(a), complex(b), kind)
            for a, b in zip(want.ravel(), got.ravel(), strict=True)
        ]
        worst = max(deviations)
        self._record(
            Comparison(
                quantity=quantity,
                table=table.name,
                source=source or table.meta.source,
                status=_status(status or table.meta.status),
                kind=kind,
                tolerance=float(tolerance),
                deviation=worst,
                numbers=len(deviations),
                test=self._test,
            )
        )
        assert worst <= tolerance, (
            f"{quantity} ({table.name}): expected {want}, computed {got}; deviation {worst:.3g} "
            f"({kind}) is above {tolerance:g}"
        )

    def _record(self, comparison: Comparison) -> None:
        self._properties.append((PROPERTY, asdict(comparison)))


def page(records: Iterable[Mapping[str, Any]]) -> str:
    """Write the page from the records of a whole test run."""
    groups: dict[tuple[str, ...], list[Comparison]] = {}
    for record in records:
        item = Comparison(**record)
        key = (item.table, item.quantity, item.status, item.source, item.kind, item.test)
        groups.setdefault(key, []).append(item)
    return HEADER + "".join(_line(groups[key]) for key in sorted(groups))


def write(path: Path, records: Iterable[Mapping[str, Any]]) -> None:
    """Write the page to a file."""
    path.write_text(page(records), encoding="utf-8", newline="\n")


def _line(group: list[Comparison]) -> str:
    first = group[0]
    low = min(item.tolerance for item in group)
    high = max(item.tolerance for item in group)
    tolerance = f"{low:.2g}" if low == high else f"{low:.2g} to {high:.2g}"
    cells = (
        first.quantity,
        f"{first.source} (`{first.table}`)",
        first.status,
        str(sum(item.numbers for item in group)),
        f"{tolerance} {first.kind}",
        f"{rounded_up(max(item.deviation for item in group), high)} {first.kind}",
        f"`{first.test}`",
    )
    return "| " + " | ".join(cell.replace("|", "\\|") for cell in cells) + " |\n"


def rounded_up(deviation: float, tolerance: float) -> str:
    """One significant digit, upward; noise of the last bits is only said to be small."""
    if deviation < NOISE:
        return f"< {min(NOISE, tolerance):.2g}"
    three_digits = float(f"{deviation:.2e}")
    exponent = math.floor(math.log10(three_digits))
    digit = math.ceil(round(three_digits / 10.0**exponent, 6))
    return f"{digit * 10.0**exponent:.1g}"


def _deviation(expected: complex, computed: complex, kind: str) -> float:
    if expected == computed:
        return 0.0
    difference = abs(computed - expected)
    if not math.isfinite(difference):
        return math.inf
    if kind == "abs":
        return difference
    return difference / abs(expected) if expected else math.inf


def _status(text: str) -> str:
    word = next((word for word in STATUSES if text.startswith(word)), None)
    if word is None:
        raise ValueError(f"status '{text}' is none of {STATUSES}; give status=... for this row")
    return text
