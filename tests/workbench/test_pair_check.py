"""What is wrong with a table of pairs is known for each entry."""

from __future__ import annotations

import pytest

import chamberctl as cc
from chamberctl.study.editing import with_changes
from chamberctl.study.outline import Row, outline
from chamberctl.workbench.pair_check import wrong_entries

CURVE = "system.backing.curve"


def row_of(path: str, pairs: list[list[str]]) -> Row:
    study = cc.load("preset:freeze-dryer")
    blocks = outline(with_changes(study.text, {path: pairs}), study)
    return next(row for block in blocks for row in block.rows if row.path == path)


@pytest.mark.parametrize(
    "pairs, wrong",
    [
        ([["0.02 mbar", "8 m3/h"], ["0,05 mbar", "30 m3/h"]], {}),
        ([["0.02 mbar", "8 m3/h"], ["0.05", "30 m3/h"]], {(1, 0): "the unit is missing"}),
        ([["0.02 mbar", "eight"], ["0.05 mbar", "30"]],
         {(0, 1): "begin with one number", (1, 1): "the unit is missing"}),
        ([["8 m3/h", "0.02 mbar"], ["0.05 mbar", "30 m3/h"]],
         {(0, 0): "an absolute pressure is wanted", (0, 1): "the unit of an absolute pressure"}),
        ([["0.02 mbar", "8 m3/h"], ["", ""]],
         {(1, 0): "begin with one number", (1, 1): "begin with one number"}),
        ([["0.05 mbar", "8 m3/h"], ["0.02 mbar", "30 m3/h"], ["0.02 mbar", "40 m3/h"]],
         {(1, 0): "not above the pressure of the row before",
          (2, 0): "not above the pressure of the row before"}),
        ([["0 mbar", "8 m3/h"], ["0.02 mbar", "-30 m3/h"]],
         {(0, 0): "not above 0", (1, 1): "below 0"}),
    ],
)  # fmt: skip
def test_each_entry_says_what_is_wrong_with_it(
    pairs: list[list[str]], wrong: dict[tuple[int, int], str]
) -> None:
    found = wrong_entries(row_of(CURVE, pairs))
    assert found.keys() == wrong.keys()
    for place, said in wrong.items():
        assert said in found[place]


def test_speeds_may_be_given_in_any_way() -> None:
    row = row_of("system.drive.avoid_bands", [["40 %", "22 Hz"], ["50 %", "fast"]])
    assert wrong_entries(row).keys() == {(1, 1)}


@pytest.mark.parametrize("preset", [*cc.presets()])
def test_nothing_is_wrong_with_what_is_good(preset: str) -> None:
    study = cc.load(f"preset:{preset}")
    for block in outline(study.text, study):
        for row in block.rows:
            if row.kind == "pairs":
                assert not wrong_entries(row)
