"""Editing a study through states in which it is none, and the form it is edited in."""

from __future__ import annotations

import tomllib
from typing import Any

import pytest

import chamberctl as cc
from chamberctl.errors import StudyError
from chamberctl.study import editing, field_table, outline, typed_in
from chamberctl.study.outline import Block, Row

NAMES = sorted(cc.presets())


@pytest.fixture(scope="module", params=NAMES)
def study(request: pytest.FixtureRequest) -> cc.Study:
    return cc.load(f"preset:{request.param}")


@pytest.fixture(scope="module")
def reference() -> cc.Study:
    return cc.load("preset:reference-plant")


def given(text: str) -> dict[str, tuple[str, ...]]:
    rows = (row for block in outline.outline(text) for row in block.rows if row.given)
    return {row.path: (row.typed, row.basis, row.tolerance, row.note) for row in rows}


def row_at(text: str, path: str) -> tuple[Block, Row]:
    found = ((b, r) for b in outline.outline(text) for r in b.rows if r.path == path)
    return next(found)


def typed(text: str, path: str, value: str) -> str:
    return editing.with_changes(text, typed_in.changes(*row_at(text, path), value))


def test_the_form_shows_every_field_of_the_study_as_typed(study: cc.Study) -> None:
    rows = given(study.text)
    stated = {p: v for p, v in study.provenance.items() if v.basis != "default"}
    left_out = {p for p in stated if p.startswith(("controller.as_", "format"))}
    assert set(rows) == set(stated) - left_out
    for path, (text, basis, _, note) in rows.items():
        assert text.replace("; ", ", ") == stated[path].typed.replace("; ", ", ").strip("\n")
        assert basis in (stated[path].basis, "")
        assert note == stated[path].note


def test_the_form_offers_every_field_that_there_is() -> None:
    """With every table added, the form has all fields of the field table."""
    text = cc.load("preset:crystal-furnace").text
    for _ in range(3):
        for block in outline.outline(text):
            for path, _ in block.more:
                if path not in given(text):
                    text = editing.with_changes(text, {path: {}})
    text = editing.with_changes(text, {"system.gas.name": "blend"})
    text = editing.with_changes(text, {"system.gas.part[0]": {}})
    shown = {
        outline._INDEX.sub("[]", row.path) for block in outline.outline(text) for row in block.rows
    }
    wanted = {info.path for info in field_table() if info.dimension or info.choices}
    assert wanted <= shown


def test_every_table_can_be_added_and_taken_out_again(study: cc.Study) -> None:
    text, before = study.text, given(study.text)
    for block in outline.outline(text):
        for path, title in block.more:
            assert title
            added = editing.with_changes(text, {path: {}})
            assert given(added) == before
            assert any(other.path == path for other in outline.outline(added))
            assert tomllib.loads(editing.with_changes(added, {path: None})) == tomllib.loads(text)


def test_every_field_can_be_taken_out_alone(study: cc.Study) -> None:
    before = given(study.text)
    for path in list(before)[NAMES.index(study.file.removeprefix("preset:")) :: 9]:
        after = given(editing.with_changes(study.text, {path: None}))
        assert after == {p: v for p, v in before.items() if p != path}


def test_tables_can_be_put_in_another_order_and_back(study: cc.Study) -> None:
    for block in outline.outline(study.text):
        if block.index:
            moved = editing.moved_up(study.text, block.path)
            assert tomllib.loads(moved) != tomllib.loads(study.text)
            back = editing.moved_up(moved, block.path)
            assert tomllib.loads(back) == tomllib.loads(study.text)


def test_a_path_that_leads_nowhere_is_refused(reference: cc.Study) -> None:
    for path in ("system.line[7].length", "no path at all", "title.language"):
        with pytest.raises(StudyError, match="leads nowhere"):
            editing.with_changes(reference.text, {path: "3"})
    with pytest.raises(StudyError, match="no TOML"):
        editing.with_changes("a = [", {"title": "x"})
    with pytest.raises(StudyError, match="no table"):
        editing.moved_up("a = [", "system.line[1]")


def test_one_wrong_field_leaves_all_others_their_new_values(reference: cc.Study) -> None:
    changes: dict[str, Any] = {"system.chamber.volume": "5 bananas", "duty.hold_band": "9 %"}
    found = editing.judge(editing.with_changes(reference.text, changes), "f", reference)
    assert found.study is not None
    assert found.study.duty.hold_band == 0.09
    assert found.study.system.chamber.volume_m3 == reference.system.chamber.volume_m3
    assert [problem.field for problem in found.problems] == ["system.chamber.volume"]
    assert found.study == cc.study.loads(found.text, "f")


@pytest.mark.parametrize(
    "changes",
    [
        {"system.chamber.volume": None},
        {"system.gauge[0].tag": ""},
        {"system.line[0]": {}},
        {"system.drive.minimum_speed": "100 %"},
        {"system.chamber.volume.tolerance": "plenty"},
        {"controller.gauge": "PT-999"},
        {"duty.hold[0].gas_loads": ["0 mbar L/s"]},
    ],
)
def test_whatever_is_wrong_the_last_good_study_goes_on(
    reference: cc.Study, changes: dict[str, Any]
) -> None:
    found = editing.judge(editing.with_changes(reference.text, changes), "f", reference)
    assert found.problems
    assert found.study is not None
    assert found.study.model_dump() == reference.model_dump()


def test_a_text_that_never_was_a_study_has_none() -> None:
    found = editing.judge("title = 3\n")
    assert (found.study, found.text) == (None, "")
    assert found.problems


def test_a_text_that_is_no_toml_keeps_the_last_good_study(reference: cc.Study) -> None:
    found = editing.judge("[[[", "f", reference)
    assert found.study == reference
    assert found.problems[0].field == "line 1"


@pytest.mark.parametrize("text", ["5e-3 mbar", "0,005 mbar", "5E-3 mbar", "0.5 Pa"])
def test_a_small_number_is_stored_as_typed_and_read_in_the_usual_unit(
    reference: cc.Study, text: str
) -> None:
    path = "duty.hold[0].setpoint"
    changed = typed(reference.text, path, text)
    _, row = row_at(changed, path)
    assert row.typed == text
    assert row.reads == "5.0e-3 mbar"


def test_a_new_kind_of_line_part_takes_out_what_belonged_to_the_old_one() -> None:
    text = cc.load("preset:crystal-furnace").text
    changed = typed(text, "system.line[0].kind", "conductance")
    assert "system.line[0].diameter" not in given(changed)
    assert "system.line[0].length" not in given(changed)
    found = editing.judge(changed, "f", cc.load("preset:crystal-furnace"))
    assert [p.field for p in found.problems] == ["system.line[0].conductance"]
    mended = typed(changed, "system.line[0].conductance", "300 L/s")
    assert editing.judge(mended, "f").problems == ()


def test_lists_are_typed_with_semicolons_or_commas_also_with_decimal_commas() -> None:
    split = typed_in.split_list
    assert split("1,5 mbar; 2,5 mbar") == ["1,5 mbar", "2,5 mbar"]
    assert split("1.5 mbar, 2.5 mbar") == ["1.5 mbar", "2.5 mbar"]
    assert split("0,005 mbar, 0,01 mbar") == ["0,005 mbar", "0,01 mbar"]
    assert split("15 slm(0 degC, 1 bar), 30 slm(0 degC)") == [
        "15 slm(0 degC, 1 bar)",
        "30 slm(0 degC)",
    ]
    assert split(" ; ") == []


def test_rows_are_pasted_as_a_spreadsheet_gives_them() -> None:
    rows = [["1 mbar", "50 m3/h"], ["10 mbar", "60 m3/h"]]
    assert typed_in.read_rows("1 mbar\t50 m3/h\n\n10 mbar\t60 m3/h\n") == rows
    assert typed_in.read_rows("1 mbar; 50 m3/h\n10 mbar   60 m3/h") == rows
    assert typed_in.read_rows("alone") == [["alone"]]


def test_a_whole_number_is_stored_as_one_and_anything_else_is_told() -> None:
    text = cc.load("preset:crystal-furnace").text
    assert cc.study.loads(typed(text, "system.gauge[0].bits", "12")).system.gauges[0].bits == 12
    found = editing.judge(typed(text, "system.gauge[0].bits", "twelve"), "f")
    assert "a whole number is needed" in found.problems[0].remedy


def test_the_places_of_a_gauge_include_the_parts_of_the_line() -> None:
    text = cc.load("preset:crystal-furnace").text
    _, row = row_at(text, "system.gauge[0].position")
    assert "after dust filter" in row.choices
    _, row = row_at(text, "controller.gauge")
    assert row.choices == ("PT-201", "PT-202")


def test_problems_are_named_by_their_place_in_the_form(reference: cc.Study) -> None:
    text = editing.with_changes(reference.text, {"system.drive.lag": "5 apples"})
    (problem,) = editing.judge(text, "f", reference).problems
    assert outline.section_of(problem.field) == "Drive"
    assert outline.place_in_words(outline.outline(text), problem) == "Drive: lag"
