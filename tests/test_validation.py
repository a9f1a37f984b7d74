"""The record of comparisons with reference tables, and the tables themselves."""

from __future__ import annotations

import math

import pytest

from tests import reference, validation
from tests.house import CHECKOUT

TABLE = reference.Table(
    "folder/table", reference.Meta("A book, Table 1", "from memory", "1 %", {}), ()
)


def new() -> tuple[validation.Validation, list[tuple[str, object]]]:
    properties: list[tuple[str, object]] = []
    return validation.Validation("tests/test_x.py::test_y", properties), properties


@pytest.mark.parametrize("name", sorted(reference.names()))
def test_every_table_states_source_status_and_tolerance(name: str) -> None:
    table = reference.load(name)
    assert table.rows


def test_every_table_is_read_by_a_test() -> None:
    tests = {path: path.read_text(encoding="utf-8") for path in (CHECKOUT / "tests").rglob("*.py")}
    for name in reference.names():
        assert any(f'"{name}"' in text for text in tests.values()), f"no test loads {name}"


def test_agreement_is_recorded() -> None:
    check, properties = new()
    check.check(TABLE, "speed", [1.0, 2.0, math.inf], [1.001, 2.0, math.inf], rel=2e-3)
    check.check(TABLE, "speed", 5.0, 5.01, rel=1e-2)
    line = validation.page([value for _, value in properties]).splitlines()[-1]
    assert line == (
        "| speed | A book, Table 1 (`folder/table`) | from memory | 4 | 0.002 to 0.01 rel "
        "| 0.002 rel | `tests/test_x.py::test_y` |"
    )


@pytest.mark.parametrize(
    "expected, computed", [(1.0, 1.1), (1.0, math.nan), (math.inf, 1.0), (0.0, 1e-30), (1, -1)]
)
def test_disagreement_fails(expected: float, computed: float) -> None:
    check, _ = new()
    with pytest.raises(AssertionError, match="speed"):
        check.check(TABLE, "speed", expected, computed, rel=0.01)


@pytest.mark.parametrize(
    "deviation, tolerance, text",
    [
        (0.0, 1e-3, "< 1e-06"),
        (3e-16, 1e-9, "< 1e-09"),
        (2e-8, 5e-8, "< 5e-08"),
        (2.1e-3, 1e-2, "0.003"),
        (9.5e-4, 1e-3, "0.001"),
        (0.002 * (1 + 1e-12), 0.01, "0.002"),
        (0.002 * (1 - 1e-12), 0.01, "0.002"),
        (1.0, 2.0, "1"),
        (0.1, 0.2, "0.1"),
    ],
)
def test_deviations_are_rounded_up_to_one_digit_that_is_the_same_on_every_machine(
    deviation: float, tolerance: float, text: str
) -> None:
    assert validation.rounded_up(deviation, tolerance) == text
