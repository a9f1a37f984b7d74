"""Studies: what is read, where it comes from, and that saving keeps what was typed."""

from __future__ import annotations

import os
import re
import tomllib
from pathlib import Path
from typing import Any

import pytest
import tomlkit
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import ValidationError

from chamberctl import quantities
from chamberctl.errors import StudyError
from chamberctl.study import (
    Backing,
    Chamber,
    HotZone,
    Provenance,
    Study,
    field_table,
    load,
    loads,
    preset_path,
    presets,
)
from tests.test_malformed_studies import GOOD

DEFAULT = Provenance("", "default")
PAIRS = ("curve", "curves[].points", "avoid_bands")  # lists of pairs, judged by their models
NAMES = (
    "crystal-furnace", "freeze-dryer", "heat-treatment-furnace", "reference-plant", "student-rig",
    "tray-dryer",
)  # fmt: skip


@pytest.fixture(params=NAMES)
def study(request: pytest.FixtureRequest) -> Study:
    return load(f"preset:{request.param}")


def test_the_presets_are_listed() -> None:
    assert tuple(presets()) == NAMES
    for name, path in presets().items():
        assert preset_path(name) == path
        assert load(path) == load(f"preset:{name}") == load(str(path))
        assert load(f"preset:{name}").file == f"preset:{name}"


def test_reference_plant_in_si() -> None:
    study = load("preset:reference-plant")
    system, duty, controller = study.system, study.duty, study.controller
    assert system.gas.name == "N2"
    assert system.chamber == Chamber(volume_m3=0.5, temperature_k=293.15)
    assert (system.line, system.booster) == ((), None)
    assert system.backing == Backing(displacement_m3_s=0.1)
    assert (system.drive.rated_hz, system.drive.rated_rpm) == (50.0, None)
    assert (system.drive.minimum_speed, system.drive.maximum_speed) == (0.2, 1.0)
    assert (system.drive.rise_time_s, system.drive.fall_time_s) == (30.0, 30.0)
    assert system.drive.dead_time_s == 1.0
    assert system.gauges[0].range_high_pa == 1e4
    assert study.loop_gauge() is system.gauges[0]
    assert duty.hold_band == 0.02
    assert (duty.gas_load_step, duty.setpoint_step, duty.limits.ms) == (0.2, 0.1, 2.0)
    assert duty.limits.gain_margin is None
    assert (controller.reading_low_pa, controller.reading_high_pa) == (10.0, 1e4)
    assert (controller.output_low, controller.output_high, controller.output_unit) == (0, 1, "Hz")
    assert controller.computation_delay_s is None
    assert controller.decimals.gain == 3


def test_every_hold_of_the_reference_plant_is_reachable_and_they_span_ten_to_one() -> None:
    """The ideal plant holds Q/S to Q/(0.2 S)."""
    points = load("preset:reference-plant").duty_points()
    for pressure, load_, _ in points:
        assert load_ / 0.1 <= pressure <= load_ / 0.02
    assert max(p for p, _, _ in points) / min(p for p, _, _ in points) == 10.0


def test_furnace_counts_leak_and_hot_zone_and_spans_five_to_one_in_flow() -> None:
    study = load("preset:crystal-furnace")
    leak = study.system.gas_load.leak_pa_m3_s
    setpoint, gas_load, label = study.duty_points()[0]
    assert leak > 0.0
    assert gas_load == study.duty.holds[0].gas_loads_pa_m3_s[0] + leak
    pressure, flow = label.split(" at ")
    assert quantities.parse(pressure, "pressure") == setpoint
    assert quantities.parse(flow, "throughput") == pytest.approx(gas_load - leak)
    assert study.system.chamber.hot_zones == (HotZone(volume_m3=0.6, temperature_k=900.0),)
    assert study.system.speed_map.booster == study.system.speed_map.backing == (0.0, 1.0)
    assert study.system.drive.resolution == pytest.approx(2e-4)  # 0.01 Hz of 50 Hz
    loads_ = [load_ for hold in study.duty.holds for load_ in hold.gas_loads_pa_m3_s]
    assert max(loads_) / min(loads_) >= 5.0 * (1 - 1e-12)


def test_every_value_of_a_preset_says_where_it_comes_from(study: Study) -> None:
    """The important ones as measured, data sheet or assumed, with a note."""
    for path, origin in study.provenance.items():
        assert origin.basis in ("measured", "data sheet", "assumed", "not stated", "default")
        assert origin.typed, path
        assert origin.note or origin.basis == "not stated", path
    pump = ("curve", "curves[0].points", "displacement")
    pump_paths = [f"system.backing.{key}" for key in pump]
    pump_path = next(p for p in pump_paths if study.provenance.get(p, DEFAULT).tolerance)
    for path in ("system.chamber.volume", pump_path, "system.drive.dead_time"):
        assert study.provenance[path].basis in ("measured", "data sheet", "assumed")
        assert study.provenance[path].tolerance


def test_provenance_of_plain_detailed_and_absent_values() -> None:
    detailed = '{ is = "0,5 m3", basis = "measured", tolerance = "5 %", note = "with water" }'
    study = loads(GOOD.replace('"500 L"', detailed))
    assert study.system.chamber.volume_m3 == 0.5
    known = study.provenance
    assert known["system.chamber.volume"] == Provenance("0,5 m3", "measured", 0.05, "with water")
    assert known["system.drive.rated"] == Provenance("50 Hz")
    assert known["duty.hold[0].gas_loads"] == Provenance("250 mbar L/s")
    assert known["system.chamber.temperature"].basis == "default"
    assert known["system.chamber.temperature"].note.startswith("assumed, because")
    with pytest.raises(TypeError):
        known["x"] = known["system.drive.rated"]  # type: ignore[index]


@pytest.mark.parametrize("rated, typed, speed", [
    ("50 Hz", "25 Hz", 0.5), ("3000 rpm", "1500 rpm", 0.5), ("50 Hz", "50 %", 0.5),
    ("50 Hz", "0,5", 0.5), ("1500 1/min", "50 %", 0.5),
])  # fmt: skip
def test_speeds_are_fractions_of_rated(rated: str, typed: str, speed: float) -> None:
    text = GOOD.replace('rated = "50 Hz"', f'rated = "{rated}"').replace('"20 %"', f'"{typed}"')
    drive = loads(text).system.drive
    assert drive.minimum_speed == speed
    assert (drive.rated_hz is None) == ("Hz" not in rated)


def test_numbers_without_dimension_may_stand_bare_and_lists_are_read() -> None:
    curve = 'curve = [["0,1 mbar", "50 m3/h"], ["1 mbar", "100 m3/h"]]'
    backing_text = f"slip_exponent = 2\ncurve_known_down_to_speed = 0.5\n{curve}"
    text = GOOD.replace('displacement = "100 L/s"', backing_text)
    drive_text = 'minimum_speed = 0.2\navoid_bands = [["23 Hz", "27 Hz"]]'
    study = loads(text.replace('minimum_speed = "20 %"', drive_text))
    backing = study.system.backing
    assert backing.curve == ((10.0, 50 / 3600), (100.0, 100 / 3600))
    assert (backing.slip_exponent, backing.curve_known_down_to_speed) == (2.0, 0.5)
    assert backing.displacement_m3_s is None
    assert study.system.drive.avoid_bands == ((0.46, 0.54),)
    assert study.provenance["system.backing.slip_exponent"].typed == "2"


def test_saved_and_reloaded_is_equal(study: Study, tmp_path: Path) -> None:
    path = tmp_path / "saved.toml"
    study.save(path)
    assert load(path) == study
    assert hash(load(path)) == hash(study)
    assert path.read_bytes() == preset_path(study.file.removeprefix("preset:")).read_bytes()
    assert [p.name for p in tmp_path.iterdir()] == ["saved.toml"]


def test_changed_fields_alone_change_their_text(study: Study) -> None:
    setpoint = study.duty.holds[0].setpoint_pa
    typed = quantities.format_quantity(1.1 * setpoint, "Pa").replace(".", ",")
    volume = study.system.chamber.volume_m3
    changed = study.with_text(
        {"duty.hold[0].setpoint": typed, "system.chamber.volume": f"{volume + 0.01:.3f} m3"}
    )
    assert changed.duty.holds[0].setpoint_pa == pytest.approx(1.1 * setpoint, rel=1e-3)
    assert changed.system.chamber.volume_m3 == pytest.approx(volume + 0.01)
    assert changed != study
    assert study.duty.holds[0].setpoint_pa == setpoint
    before, after = study.text.splitlines(), changed.text.splitlines()
    assert len(before) == len(after)
    different = [(old, new) for old, new in zip(before, after, strict=True) if old != new]
    assert len(different) == 2
    assert different[1][1].startswith(f'setpoint = {{ is = "{typed}", basis = ')
    old = study.provenance["system.chamber.volume"]
    assert changed.provenance["system.chamber.volume"] == Provenance(
        f"{volume + 0.01:.3f} m3", old.basis, old.tolerance, old.note
    )


ODD = GOOD.replace('volume = "500 L"', "  volume   = '0,500 m3'   # from the drawing\r")


def test_comments_spelling_and_line_ends_survive() -> None:
    assert loads(ODD).system.chamber.volume_m3 == 0.5
    changed = loads(ODD).with_text({"controller.scan_time": "0.2 s", "title": "New"})
    assert "  volume   = '0,500 m3'   # from the drawing\r\n" in changed.text
    again = loads(ODD).with_text({"system.chamber.volume": "600 L"})
    assert '  volume   = "600 L"   # from the drawing\r\n' in again.text


def test_fields_and_tables_are_added_and_removed() -> None:
    study = loads(GOOD).with_text({
        "system.drive.dead_time": "1 s",
        "system.gas_load.leak": "0.5 mbar L/s",
        "system.chamber.volume.basis": "measured",
        "duty.hold[1]": {"setpoint": "6 mbar", "gas_loads": ["250 mbar L/s"]},
        "controller.as_found": {"gain": "2,5", "integral": 20},
    })  # fmt: skip
    assert study.system.drive.dead_time_s == 1.0
    assert study.duty_points()[1] == (600.0, 25.05, "6 mbar at 250 mbar L/s")
    assert study.provenance["system.chamber.volume"].basis == "measured"
    assert study.controller.as_found == {"gain": "2,5", "integral": "20"}
    back = study.with_text({
        "system.drive.dead_time": None, "system.gas_load": None, "duty.hold[1]": None,
        "controller.as_found": None, "system.chamber.volume.basis": None,
    })  # fmt: skip
    assert back.model_dump() == loads(GOOD).model_dump()
    assert back.provenance == loads(GOOD).provenance


@pytest.mark.parametrize("path", ["duty.hold[7].setpoint", "duty.hold.setpoint", "a b", "",
                                  "system.chamber.volume.is.x"])  # fmt: skip
def test_a_path_that_leads_nowhere_is_refused(path: str) -> None:
    with pytest.raises(StudyError, match=r"path leads nowhere|unknown"):
        loads(GOOD).with_text({path: "1 mbar"})


def test_a_change_that_is_wrong_is_refused_like_a_file() -> None:
    with pytest.raises(StudyError, match=r"duty\.hold\[0\]\.setpoint: given '5 mabr'"):
        loads(GOOD).with_text({"duty.hold[0].setpoint": "5 mabr"})


def test_a_study_changed_in_memory_is_written_anew(study: Study, tmp_path: Path) -> None:
    """Values exactly; and the basis where it still belongs to the value."""
    duty = study.duty.model_copy(update={"gas_load_step": 0.1 + 0.2})
    changed = study.model_copy(update={"duty": duty, "title": 'A "new" title'})
    changed.save(tmp_path / "new.toml")
    again = load(tmp_path / "new.toml")
    assert again.model_dump() == changed.model_dump()
    volume = "system.chamber.volume"
    assert again.provenance[volume] == study.provenance[volume]
    assert again.duty.gas_load_step == 0.1 + 0.2


def test_a_study_made_in_memory_is_saved(study: Study, tmp_path: Path) -> None:
    made = Study(**{name: getattr(study, name) for name in type(study).model_fields})
    assert (made.file, dict(made.provenance)) == ("", {})
    assert [label for _, _, label in made.duty_points()]
    made.save(tmp_path / "made.toml")
    assert load(tmp_path / "made.toml").model_dump() == made.model_dump()


@settings(max_examples=40, deadline=None)
@given(st.floats(1e-6, 1e4), st.floats(1e-3, 1e3), st.floats(60.0, 1400.0), st.text(max_size=20))
def test_any_value_written_anew_is_read_back_exactly(
    volume: float, load_: float, temperature: float, note: str
) -> None:
    study = loads(GOOD)
    chamber = Chamber(volume_m3=volume, temperature_k=temperature)
    hold = study.duty.holds[0].model_copy(update={"gas_loads_pa_m3_s": (load_,)})
    changed = study.model_copy(update={
        "system": study.system.model_copy(update={"chamber": chamber}),
        "duty": study.duty.model_copy(update={"holds": (hold,)}),
        "description": note.replace("\r", ""),
    })  # fmt: skip
    assert loads(changed.text).model_dump() == changed.model_dump()


def test_saving_is_all_or_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "study.toml"
    path.write_text("old", encoding="utf-8")

    def fail(*_: Any) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", fail)
    with pytest.raises(StudyError, match="No space left on device"):
        loads(GOOD).save(path)
    assert path.read_text(encoding="utf-8") == "old"
    assert [p.name for p in tmp_path.iterdir()] == ["study.toml"]
    monkeypatch.undo()
    loads(GOOD).save(path)
    assert load(path) == loads(GOOD)
    with pytest.raises(StudyError, match="folder that exists"):
        loads(GOOD).save(tmp_path / "none" / "study.toml")


def test_a_saved_file_keeps_its_mode(tmp_path: Path) -> None:
    path = tmp_path / "study.toml"
    path.write_text("old", encoding="utf-8")
    path.chmod(0o640)
    loads(GOOD).save(path)
    if os.name == "posix":
        assert path.stat().st_mode & 0o777 == 0o640


def test_models_refuse_in_python_what_the_file_may_not_say() -> None:
    with pytest.raises(ValidationError, match="between 1 mL and 10000 m3"):
        Chamber(volume_m3=-1.0)
    with pytest.raises(ValidationError, match="finite"):
        Chamber(volume_m3=float("nan"))
    with pytest.raises(ValidationError, match="Extra inputs"):
        Chamber(volume_m3=1.0, volum=2.0)
    with pytest.raises(ValidationError, match="frozen"):
        Chamber(volume_m3=1.0).volume_m3 = 2.0


def test_every_field_declares_dimension_bounds_help_and_source() -> None:
    table = field_table()
    assert len({info.path for info in table}) == len(table) - 1  # rated, in Hz or in rpm
    for info in table:
        assert info.help, info.path
        assert bool(info.default_text or info.source) != info.required, info.path
        if info.default_text:
            assert info.source, info.path
        if info.dimension and not info.path.endswith(PAIRS):
            assert info.low is not None, info.path
            assert info.high is not None, info.path
            assert info.low < info.high, info.path
        if info.dimension not in ("", "speed"):
            assert info.dimension in quantities.DIMENSIONS, info.path


def test_every_given_field_of_the_presets_stands_in_the_table(study: Study) -> None:
    known = {info.path for info in field_table()}
    for path in study.provenance:
        assert re.sub(r"\[[0-9]+\]", "[]", path) in known


def test_presets_are_plain_toml_that_both_parsers_read_alike() -> None:
    for path in presets().values():
        text = path.read_text(encoding="utf-8")
        assert tomlkit.parse(text).unwrap() == tomllib.loads(text)
        assert tomlkit.dumps(tomlkit.parse(text)) == text
