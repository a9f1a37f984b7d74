"""View "Describe": every field is there, typed texts stay, and what is wrong stands beside it."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from streamlit.testing.v1 import AppTest

import chamberctl as cc
from chamberctl.study import preset_path
from chamberctl.study.outline import SECTIONS, in_section, outline
from chamberctl.study.recovery import FOLDER_VARIABLE
from chamberctl.workbench.candidates import Candidate

Open = Callable[..., AppTest]
PLANT = "preset:crystal-furnace"

#: Thirty entries that cannot be used: section, field, what is typed, and what the page must say.
BAD = [
    ("Gas and chamber", "system.chamber.volume", "500", "the unit is missing"),
    ("Gas and chamber", "system.chamber.volume", "500 mbar", "the unit of an absolute pressure"),
    ("Gas and chamber", "system.chamber.volume", "1,000 L", "ambiguous"),
    ("Gas and chamber", "system.chamber.volume", "1.000,5 L", "ambiguous"),
    ("Gas and chamber", "system.chamber.volume", "-5 L", "between 1 mL and 10000 m3"),
    ("Gas and chamber", "system.chamber.volume", "0 L", "between 1 mL and 10000 m3"),
    ("Gas and chamber", "system.chamber.volume", "five liters", "begin with one number"),
    ("Gas and chamber", "system.chamber.volume", "", "missing"),
    ("Gas and chamber", "system.chamber.volume", "nan L", "finite"),
    ("Gas and chamber", "system.chamber.volume", "inf L", "finite"),
    ("Gas and chamber", "system.chamber.volume", "1e999 L", "finite"),
    ("Gas and chamber", "system.chamber.temperature", "-300 degC", "below absolute zero"),
    ("Gas and chamber", "system.chamber.temperature", "50", "the unit is missing"),
    ("Gas and chamber", "system.gas_load.leak", "2 slm", "reference temperature"),
    ("Gas and chamber", "system.gas_load.leak", "1 kg/h", "mass flow"),
    ("Line", "system.line[0].diameter", "100 mm 200 mm", "unit"),
    ("Line", "system.line[0].diameter", "100 m", "between 0.1 mm and 5 m"),
    ("Line", "system.line[0].length", "", "missing"),
    ("Pumps", "system.speed_map.output", "0 %; 100 %; 50 %", "rise"),
    ("Pumps", "system.booster.swept_speed", "500 m3/hh", "did you mean"),
    ("Pumps", "system.backing.slip_exponent", "2 m", "a plain number"),
    ("Drive", "system.drive.minimum_speed", "3000 rpm", "rated speed is not given in this unit"),
    ("Drive", "system.drive.minimum_speed", "60 Hz", "between 1 % and 100 %"),
    ("Drive", "system.drive.rated", "9**9**2 Hz", "unit"),
    ("Gauges", "system.gauge[0].bits", "twelve", "a whole number is needed"),
    ("Gauges", "system.gauge[0].range_high", "5 mbar(g)", "relative pressures are refused"),
    ("Gauges", "system.gauge[0].tag", " ", "missing"),
    ("Duty", "duty.hold[0].setpoint", "500 mbar", "lies outside"),
    ("Duty", "duty.hold[0].gas_loads", "15 slm; 30 slm", "reference temperature"),
    ("Controller", "controller.scan_time", "0 s", "between 1 ms and 10 min"),
]


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> Iterator[AppTest]:
    """One page for many tests, which each take back what they do."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv(FOLDER_VARIABLE, str(tmp_path_factory.mktemp("data")))
        patch.setattr("sys.argv", ["workbench.py", PLANT])
        from chamberctl.resources import resource_folder

        path = str(resource_folder("app") / "workbench.py")
        yield AppTest.from_file(path, default_timeout=60).run()


def words(page: AppTest) -> str:
    return "\n".join(element.value for element in [*page.markdown, *page.warning, *page.error])


def key(page: AppTest, path: str) -> str:
    return f"{page.session_state['session'].generation}:{path}"


def go(page: AppTest, section: str) -> None:
    if page.session_state["section"] != section:
        page.session_state["section"] = section
        page.run()


@pytest.mark.slow
@pytest.mark.parametrize("section, path, typed, said", BAD)
def test_a_bad_entry_is_explained_beside_its_field(
    page: AppTest, section: str, path: str, typed: str, said: str
) -> None:
    go(page, section)
    good = page.session_state["session"].study
    page.text_input(key=key(page, path)).set_value(typed).run()
    try:
        assert not page.exception
        beside = [m.value for m in page.markdown if m.value.startswith(":red[**✗ ")]
        assert any(said in message for message in beside), beside or words(page)
        assert not re.search(r"Traceback|Error\b|Exception|pydantic|tomlkit", words(page))
        assert page.text_input(key=key(page, path)).value == typed.strip() or not typed.strip()
        assert "not usable yet" in page.markdown[0].value
        assert page.session_state["session"].study == good
    finally:
        page.button(key="undo").click().run()
    assert page.session_state["session"].study == good
    assert not page.session_state["session"].problems


def test_there_are_thirty_bad_entries() -> None:
    assert len(BAD) == 30


@pytest.mark.parametrize("section", list(SECTIONS))
def test_every_field_of_a_section_is_on_the_page(page: AppTest, section: str) -> None:
    go(page, section)
    shown = {element.key for kind in ("text_input", "selectbox", "text_area")
             for element in page.get(kind)}  # fmt: skip
    study = page.session_state["session"].study
    rows = (row for b in in_section(outline(study.text, study), section) for row in b.rows)
    for row in rows:
        if (row.given or not row.idle) and row.kind != "pairs":
            assert key(page, row.path) in shown


@pytest.mark.parametrize("typed", ["5e-3 mbar", "0,005 mbar", "5E-3 mbar"])
def test_small_numbers_are_kept_as_typed_and_shown_as_what_they_are(
    open_page: Open, tmp_path: Path, typed: str
) -> None:
    """A setpoint of 5e-3 mbar is never shown or stored as 0.01 or 0."""
    text = preset_path("reference-plant").read_text(encoding="utf-8")
    text = text.replace('range_low = "', 'range_low = "1e-5 mbar" # "')
    plant = tmp_path / "plant.toml"
    plant.write_text(re.sub(r'reading_low = .*', 'reading_low = "1e-4 mbar"',
                            re.sub(r'range_low = .*', 'range_low = "1e-4 mbar"', text)),
                     encoding="utf-8")  # fmt: skip
    page = open_page(str(plant), section="Duty")
    page.text_input(key=key(page, "duty.hold[0].setpoint")).set_value(typed).run()
    assert not page.exception
    session = page.session_state["session"]
    assert not session.problems
    assert session.study.duty.holds[0].setpoint_pa == pytest.approx(0.5)
    assert page.text_input(key=key(page, "duty.hold[0].setpoint")).value == typed
    read = [c.value for c in page.get("caption") if "indicated pressure as typed" in c.value]
    assert "read as **5.0e-3 mbar**" in read[0]
    session.save()
    assert typed in plant.read_text(encoding="utf-8")
    assert cc.load(plant).duty.holds[0].setpoint_pa == pytest.approx(0.5)


def test_basis_tolerance_and_note_are_stored_beside_the_value(page: AppTest) -> None:
    go(page, "Gas and chamber")
    path = "system.chamber.volume"
    page.selectbox(key=key(page, f"{path}.basis")).set_value("data sheet").run()
    page.text_input(key=key(page, f"{path}.tolerance")).set_value("7 %").run()
    page.text_input(key=key(page, f"{path}.note")).set_value("drawing 12").run()
    origin = page.session_state["session"].study.provenance[path]
    assert (origin.typed, origin.basis, origin.tolerance, origin.note) == (
        "1000 L", "data sheet", 0.07, "drawing 12",
    )  # fmt: skip
    page.text_input(key=key(page, f"{path}.tolerance")).set_value("plenty").run()
    assert any(m.value.startswith(":red[**✗ volume") for m in page.markdown)
    for _ in range(4):
        page.button(key="undo").click().run()
    assert not page.session_state["session"].back


def test_later_views_follow_every_change(page: AppTest) -> None:
    go(page, "Duty")
    page.text_input(key=key(page, "duty.limits.ms")).set_value("1.3").run()
    assert "✗ NO" in page.markdown[0].value
    assert "of 1.3 at point" in page.markdown[0].value
    page.button(key="undo").click().run()
    assert "✓ YES" in page.markdown[0].value


def test_a_line_part_is_added_described_and_taken_out(open_page: Open) -> None:
    page = open_page("preset:reference-plant", section="Line")
    page.button(key=f"add:{key(page, 'system.line[0]')}").click().run()
    page.selectbox(key=key(page, "system.line[0].kind")).set_value("tube").run()
    assert any("missing" in m.value for m in page.markdown)
    page.text_input(key=key(page, "system.line[0].diameter")).set_value("100 mm").run()
    page.text_input(key=key(page, "system.line[0].length")).set_value("3 m").run()
    session = page.session_state["session"]
    assert not session.problems
    assert session.study.system.line[0].length_m == 3.0
    assert "tube 1" in str([element.proto.body for element in page.get("html")])
    page.button(key=f"out:{key(page, 'system.line[0]')}").click().run()
    assert session.study.system.line == ()
    assert not page.exception


@pytest.mark.slow
def test_a_curve_is_pasted_changed_and_drawn(open_page: Open) -> None:
    page = open_page("preset:heat-treatment-furnace", section="Pumps")
    path = "system.backing.curves[0].points"
    rows = page.session_state["session"].study.system.backing.curves[0].points
    page.text_input(key=f"{key(page, path)}[1][1]").set_value("20 m3/h").run()
    session = page.session_state["session"]
    assert session.study.system.backing.curves[0].points[0][1] != rows[0][1]
    page.text_area(key=f"paste:{key(page, path)}").set_value("1 mbar\t100 m3/h\n9 mbar\t120 m3/h")
    page.button(key=f"take:paste:{key(page, path)}").click().run()
    assert len(session.study.system.backing.curves[0].points) == 2
    assert not page.exception


def test_the_study_is_edited_as_text_too(open_page: Open) -> None:
    page = open_page("preset:reference-plant", section="As text")
    text = page.text_area[0].value
    page.text_area[0].set_value(text.replace('"500 L"', '"650 L"')).run()
    assert page.session_state["session"].study.system.chamber.volume_m3 == pytest.approx(0.65)
    page.text_area[0].set_value("[[[").run()
    assert not page.exception
    assert any("not TOML" in error.value for error in page.error)
    assert "Reference plant" in page.markdown[0].value


def test_a_file_that_is_no_study_is_opened_to_be_mended(open_page: Open, tmp_path: Path) -> None:
    plant = tmp_path / "plant.toml"
    text = preset_path("reference-plant").read_text(encoding="utf-8")
    plant.write_text(text.replace('"500 L"', '"500"', 1), encoding="utf-8")
    page = open_page(str(plant))
    assert page.header[0].value == "This text is not a study yet"
    assert any("the unit is missing" in error.value for error in page.error)
    said = [error.value for error in page.error if "the unit is missing" in error.value]
    assert len(said) == 1
    page.text_area[0].set_value(text).run()
    assert not page.exception
    assert "Reference plant" in page.markdown[0].value


def test_a_file_that_is_no_study_can_be_left_for_another(open_page: Open, tmp_path: Path) -> None:
    plant = tmp_path / "plant.toml"
    plant.write_text('title = "nothing yet"\n', encoding="utf-8")
    page = open_page(str(plant), view="Tune")
    page.selectbox(key="file:preset").set_value("student-rig").run()
    page.button(key="file:open preset").click().run()
    assert not page.exception
    assert "Student's rig" in page.markdown[0].value


@pytest.mark.parametrize("view", ["Describe", "Window", "Tune", "Behave", "Hand over", "Learn"])
def test_a_text_that_is_no_toml_stops_no_view(open_page: Open, view: str) -> None:
    page = open_page("preset:reference-plant", section="As text")
    session = page.session_state["session"]
    session.use(Candidate("mine", {"Kc": "10"}))
    session.set_text(session.text.replace("[controller]", "[controller"))
    page.session_state["view"] = view
    page.run()
    assert not page.exception
    assert "the text is not usable yet" in page.markdown[0].value
    page.button(key="undo").click().run()
    assert not page.exception
    assert not session.problems
    assert "Settings: mine" in page.markdown[0].value


def test_a_bad_entry_of_a_table_is_explained_beside_it(open_page: Open) -> None:
    page = open_page("preset:freeze-dryer", section="Pumps")
    path = "system.backing.curve"
    page.text_input(key=f"{key(page, path)}[2][0]").set_value("0.05").run()
    assert not page.exception
    said = [m.value for m in page.markdown if m.value.startswith(":red[**✗ Row 2, first value")]
    assert len(said) == 1
    assert "the unit is missing" in said[0]
    page.text_input(key=f"{key(page, path)}[2][0]").set_value("0.01 mbar").run()
    said = [m.value for m in page.markdown if m.value.startswith(":red[**✗ Row 2, first value")]
    assert "not above the pressure of the row before" in said[0]
    page.text_input(key=f"{key(page, path)}[2][0]").set_value("0,05 mbar").run()
    assert not page.session_state["session"].problems


def test_an_entry_goes_to_its_own_row_though_rows_before_it_are_gone(open_page: Open) -> None:
    """A page is slower than its user: what is pressed and typed belongs to what was drawn."""
    page = open_page("preset:freeze-dryer", section="Pumps")
    path = "system.backing.curve"
    name = key(page, path)
    session = page.session_state["session"]
    drawn = list(session.study.system.backing.curve)
    taken_out = [page.button(key=f"row-:{name}[{row}]") for row in (1, 2)]
    changed = page.text_input(key=f"{name}[4][1]")
    for button in taken_out:
        button.click()
    changed.set_value("54 m3/h").run()
    assert not page.exception
    left = session.study.system.backing.curve
    assert [pressure for pressure, _ in left] == [pressure for pressure, _ in drawn[2:]]
    assert [speed for _, speed in left[2:]] == [speed for _, speed in drawn[4:]]
    assert left[1][1] == pytest.approx(54.0 / 3600.0)
    page.button(key=f"row+:{name}").click().run()
    page.text_input(key=f"{name}[9][0]").set_value("1100 mbar").run()
    page.text_input(key=f"{name}[9][1]").set_value("50 m3/h").run()
    assert session.study.system.backing.curve[-1][1] == pytest.approx(50.0 / 3600.0)
    for _ in ("second value", "first value", "row"):
        page.button(key="undo").click().run()
    assert session.study.system.backing.curve == left


def test_presets_files_and_uploads_are_opened(open_page: Open, tmp_path: Path) -> None:
    page = open_page("preset:reference-plant")
    page.selectbox(key="file:preset").set_value("student-rig").run()
    page.button(key="file:open preset").click().run()
    assert "Student's rig" in page.markdown[0].value
    plant = tmp_path / "plant.toml"
    plant.write_bytes(preset_path("tray-dryer").read_bytes())
    page.text_input(key="file:path").set_value(str(plant)).run()
    page.button(key="file:open path").click().run()
    assert "Solvent tray dryer" in page.markdown[0].value
    assert "saved" in page.markdown[0].value
    good = preset_path("reference-plant").read_bytes()
    page.file_uploader[0].set_value(("mine.toml", good, "application/toml")).run()
    assert "Reference plant" in page.markdown[0].value
    page.file_uploader[0].set_value(("mine.toml", b"volume = 3", "application/toml")).run()
    assert not page.exception
    assert any("mine.toml" in error.value for error in page.error)
    assert "Reference plant" in page.markdown[0].value
    page.text_input(key="file:path").set_value(str(tmp_path / "none.toml")).run()
    page.button(key="file:open path").click().run()
    assert any("no such file" in error.value for error in page.error)


def test_saving_says_what_was_done_or_why_not(open_page: Open, tmp_path: Path) -> None:
    page = open_page("preset:reference-plant")
    page.button(key="file:save it").click().run()
    assert any("a name of your own" in error.value for error in page.error)
    target = tmp_path / "mine.toml"
    page.text_input(key="file:save").set_value(str(target)).run()
    page.button(key="file:save it").click().run()
    assert any("Saved to" in found.value for found in page.success)
    assert "· saved ·" in page.markdown[0].value
    target.write_text("theirs")
    page.text_input(key=key(page, "system.chamber.volume")).set_value("600 L").run()
    page.text_input(key="file:save").set_value("").run()
    page.button(key="file:save it").click().run()
    assert any("someone else changed" in error.value for error in page.error)
    assert target.read_text() == "theirs"


def test_a_study_is_saved_with_its_ending_and_the_folder_is_said(
    open_page: Open, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    page = open_page("preset:reference-plant")
    page.text_input(key="file:save").set_value("reference-plant").run()
    page.button(key="file:save it").click().run()
    assert [path.name for path in tmp_path.glob("reference*")] == ["reference-plant.toml"]
    assert any(str(tmp_path / "reference-plant.toml") in said.value for said in page.success)


def test_the_list_of_presets_shows_the_one_that_is_open(open_page: Open, tmp_path: Path) -> None:
    page = open_page("preset:student-rig")
    assert page.selectbox(key="file:preset").value == "student-rig"
    page.text_input(key="file:path").set_value("preset:tray-dryer").run()
    page.button(key="file:open path").click().run()
    assert page.selectbox(key="file:preset").value == "tray-dryer"
    page.segmented_control(key="view").set_value("Window").run()
    page.segmented_control(key="view").set_value("Describe").run()
    assert page.selectbox(key="file:preset").value == "tray-dryer"
    plant = tmp_path / "plant.toml"
    plant.write_bytes(preset_path("student-rig").read_bytes())
    page.text_input(key="file:path").set_value(str(plant)).run()
    page.button(key="file:open path").click().run()
    assert page.selectbox(key="file:preset").value is None
    assert page.button(key="file:open preset").disabled


def test_a_reload_brings_the_last_change_back(open_page: Open) -> None:
    page = open_page("preset:reference-plant")
    page.text_input(key=key(page, "system.chamber.volume")).set_value("600 bananas").run()
    again = open_page("preset:crystal-furnace", s=page.query_params["s"])
    assert "Reference plant" in again.markdown[0].value
    assert again.text_input(key=key(again, "system.chamber.volume")).value == "600 bananas"


def test_unsaved_work_of_another_page_is_offered(open_page: Open) -> None:
    page = open_page("preset:reference-plant")
    page.text_input(key=key(page, "system.chamber.volume")).set_value("600 L").run()
    left = page.query_params["s"]
    other = open_page("preset:crystal-furnace")
    assert "Unsaved work" in words(other)
    row = next(m.value for m in other.markdown if "last changed" in m.value)
    assert "Reference plant" in row
    assert '"600 L"' in row
    other.button(key=f"go:{left}").click().run()
    assert "Reference plant" in other.markdown[0].value
    assert other.query_params["s"] == left
    third = open_page("preset:crystal-furnace")
    third.button(key=f"no:{left}").click().run()
    assert f"go:{left}" not in {button.key for button in third.button}
    assert "Unsaved work" not in words(third)
