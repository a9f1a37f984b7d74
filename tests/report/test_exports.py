"""The loop as JSON, recomputed by other software, and the settings as a table."""

from __future__ import annotations

import copy
import csv
import io
import json
import math
import subprocess
import sys
from functools import cache
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import pytest

import chamberctl as cc
from chamberctl.cautions import CAUTIONS
from chamberctl.control.controller import LAW
from chamberctl.control.forms import from_typed, read_typed
from chamberctl.control.tuning import rule_tuning
from chamberctl.report.exports import gains_csv, loop_document, loop_json
from tests import recompute_loop

ROOT = Path(__file__).resolve().parents[2]
SCHEMA = json.loads((ROOT / "docs/reference/loop.schema.json").read_text(encoding="utf-8"))
PLANT = "preset:reference-plant"
FURNACE = "preset:crystal-furnace"

#: Studies whose exports are looked at: both presets, and what else changes the file.
CASES: dict[str, tuple[str, dict[str, Any]]] = {
    "plant": (PLANT, {}),
    "furnace": (FURNACE, {}),
    "linear reading": (PLANT, {"controller.reading": "linear"}),
    "parallel, band, per minute": (
        FURNACE,
        {
            "controller.form": "parallel",
            "controller.gain_as": "proportional band",
            "controller.integral_as": "repeats per minute",
        },
    ),
    "series, with units": (
        PLANT,
        {
            "controller.form": "series",
            "controller.gain_as": "engineering",
            "controller.integral_as": "min",
            "controller.filter_as": "cut-off",
        },
    ),
    "slow scan, integral before": (
        PLANT,
        {"controller.scan_time": "0.7 s", "controller.integral": "before"},
    ),
    "delay of a third of a scan": (
        PLANT,
        {"controller.scan_time": "0.3 s", "controller.computation_delay": "0.1 s"},
    ),
    "unreachable point": (PLANT, {"duty.hold[2].gas_loads": ["60 mbar L/s", "250 mbar L/s"]}),
}


@cache
def case(name: str) -> tuple[Any, Any]:
    preset, changes = CASES[name]
    study = cc.load(preset).with_text(changes) if changes else cc.load(preset)
    return study, rule_tuning(study)


@pytest.mark.parametrize("name", CASES)
def test_loop_json_obeys_its_schema(name: str) -> None:
    jsonschema.Draft202012Validator.check_schema(SCHEMA)
    document = json.loads(loop_json(*case(name)), parse_constant=pytest.fail)
    jsonschema.validate(document, SCHEMA, cls=jsonschema.Draft202012Validator)


@pytest.mark.parametrize("name", CASES)
def test_every_margin_is_recomputed_from_the_file(name: str) -> None:
    document = json.loads(loop_json(*case(name)))
    lines = recompute_loop.compare(document)
    assert len(lines) == 9 * len(document["points"])
    assert [line for line in lines if not line[-1]] == []


def test_the_recomputation_notices_a_change_of_one_percent() -> None:
    good = json.loads(loop_json(*case("plant")))
    for change in ("Kc", "Ti_s"):
        document = copy.deepcopy(good)
        document["settings"][change] *= 1.01
        assert not all(line[-1] for line in recompute_loop.compare(document))
    document = copy.deepcopy(good)
    for point in document["points"]:
        point["dead_time_s"] *= 1.01
    assert not all(line[-1] for line in recompute_loop.compare(document))
    document = copy.deepcopy(good)
    document["settings"]["integral"] = "before"
    assert not all(line[-1] for line in recompute_loop.compare(document))


def test_an_unstable_loop_is_found_unstable_from_the_file() -> None:
    document = json.loads(loop_json(*case("plant")))
    document["settings"]["Kc"] *= 4.0
    found = [line for line in recompute_loop.compare(document) if line[1] == "stable"]
    assert all(line[2] is True and line[3] is False for line in found)


def test_derivative_filters_and_direct_answer_are_recomputed_too() -> None:
    """PID with both filters on a plant whose reading jumps with the speed, against the engine."""
    from chamberctl.control.controller import PidSettings
    from chamberctl.control.margins import margins
    from chamberctl.plant.linear import LoopModel

    settings = PidSettings(
        0.9, 8.0, 0.6, 0.3, 0.2, reading="log10", scan_time_s=0.25, computation_delay_s=0.1
    )
    model = LoopModel(
        np.diag([-0.1, -0.7]),
        np.array([[0.1, -0.1], [0.7, -0.7]]),
        -np.array([[2.0, 0.4], [2.0, 0.4]]),
        -np.array([[0.05, 0.0], [0.05, 0.0]]),
        dead_time_s=0.9,
    )
    found = margins(model, settings)
    a, b, c, d = (matrix.tolist() for matrix in model.siso("log10"))
    point = {"A": a, "B": b, "C": c, "D": d, "dead_time_s": model.dead_time_s + settings.delay_s}
    document = {
        "scan_time_s": 0.25,
        "settings": {
            "Kc": settings.kc, "Ti_s": settings.ti_s, "Td_s": settings.td_s, "Tf_s": settings.tf_s,
            "Tfd_s": settings.tfd_s, "integral": "after",
        },
    }  # fmt: skip
    mine = recompute_loop.margins(recompute_loop.Loop(document, point))
    assert mine.pop("stable") is found.stable is True
    for name, value in mine.items():
        assert value == pytest.approx(getattr(found, name), rel=1e-4, abs=1e-12), name


def test_the_recomputation_does_not_use_the_package(tmp_path: Path) -> None:
    path = tmp_path / "loop.json"
    path.write_text(loop_json(*case("plant")), encoding="utf-8")
    script = ROOT / "tests/recompute_loop.py"
    assert "import chamberctl" not in script.read_text(encoding="utf-8")
    done = subprocess.run(
        [sys.executable, "-I", str(script), str(path)], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    assert "recomputed" in done.stdout
    assert "DIFFERS" not in done.stdout


@pytest.mark.parametrize("name", CASES)
def test_the_typed_numbers_mean_the_settings(name: str) -> None:
    """Numbers typed back from the file give the file's SI settings, to the last digits."""
    study, tuning = case(name)
    document = loop_document(study, tuning)
    texts = {key: document["as_typed"][key]["text"] for key in tuning.typed.texts()}
    back = from_typed(read_typed(tuning.typed, texts))
    settings = document["settings"]
    assert settings["Kc"] == pytest.approx(back.kc, rel=1e-12)
    assert settings["Ti_s"] == pytest.approx(back.ti_s, rel=1e-12)
    assert settings["Tf_s"] == back.tf_s
    assert settings["output_min"] == pytest.approx(back.output_min, rel=1e-6)
    assert all(document["as_typed"][key]["unit"] for key in ("Kc", "Ti", "Td", "output_max"))


def test_what_the_file_says_of_the_reference_plant() -> None:
    study, tuning = case("plant")
    document = loop_document(study, tuning)
    assert document["format"] == "chamberctl-loop/1"
    assert document["law"] == LAW
    assert document["reading"] == "log10"
    point = document["points"][4]
    assert point["where"] == "5 mbar at 250 mbar L/s"
    assert point["pressure_pa"] == pytest.approx(500.0)
    assert point["gas_load_pa_m3_s"] == pytest.approx(25.0)
    assert point["speed_fraction"] == pytest.approx(0.5)
    assert np.array(point["A"]) == pytest.approx(-0.1, rel=1e-6)
    gain = np.array(point["C"]) @ np.array(point["B"]) / 0.1
    assert gain == pytest.approx(-1 / (0.5 * math.log(10)), rel=1e-6)
    assert point["dead_time_s"] == pytest.approx(1.1)  # 1 s in the drive, one scan of 0.1 s
    assert document["worst"]["ms"]["point"] == "5 mbar at 120 mbar L/s"
    assert document["worst"]["ms"]["value"] == max(p["margins"]["ms"] for p in document["points"])
    assert document["as_typed"]["start_output"]["text"] == "30"
    assert document["as_typed"]["start_output"]["unit"] == "Hz"


def test_linear_reading_is_in_pa() -> None:
    document = loop_document(*case("linear reading"))
    point = document["points"][4]
    gain = float((np.array(point["C"]) @ np.array(point["B"]))[0, 0]) / 0.1
    assert gain == pytest.approx(-1000.0, rel=1e-6)  # -0.10 mbar per % of rated speed


def test_points_without_a_loop_are_not_in_the_file() -> None:
    study, tuning = case("unreachable point")
    document = loop_document(study, tuning)
    assert len(document["points"]) == 5
    assert "NO: these settings must not be used as they are." in gains_csv(study, tuning)
    assert "not reachable" in gains_csv(study, tuning)
    assert "NO:" not in gains_csv(*case("plant"))


@pytest.mark.parametrize("name", CASES)
def test_a33_a50_exports_carry_action_sentence_check_and_cautions(name: str) -> None:
    """The action as a sentence with its manual check, and the cautions, stand in every export."""
    for text in (loop_json(*case(name)), gains_csv(*case(name))):
        assert "Pressure above setpoint -> speed must go up." in text
        assert "The reading must FALL" in text
        assert "Not a safety function" in text
    document = json.loads(loop_json(*case(name)))
    assert len(document["cautions"]) == len(CAUTIONS)
    for caution in CAUTIONS:
        assert f"# {caution.title}: {caution.text}\n" in gains_csv(*case(name))


def table(text: str) -> list[dict[str, str]]:
    lines = [line for line in io.StringIO(text, newline="") if not line.startswith("#")]
    return list(csv.DictReader(lines))


@pytest.mark.parametrize("name", CASES)
def test_gains_csv_has_each_setting_with_unit_and_exact_value(name: str) -> None:
    study, tuning = case(name)
    rows = table(gains_csv(study, tuning))
    assert list(rows[0]) == [
        "setting", "as typed", "unit", "exact SI value", "SI unit", "meaning",
    ]  # fmt: skip
    assert all(None not in row and None not in row.values() for row in rows)
    by_label = {row["setting"]: row for row in rows}
    for typed in tuning.typed.rows:
        row = by_label[typed.label]
        assert (row["as typed"], row["unit"]) == (typed.text, typed.unit)
        assert row["meaning"]
    gain = by_label[tuning.typed["Kc"].label]
    assert float(gain["exact SI value"]) == tuning.settings.kc
    per = "decade" if study.controller.reading == "log10" else "Pa"
    assert gain["SI unit"] == f"speed fraction per {per}"
    assert float(by_label["Scan time"]["exact SI value"]) == study.controller.scan_time_s
    assert float(by_label["Start output"]["exact SI value"]) == tuning.start_output
    assert float(by_label["Reading span, high"]["exact SI value"]) > 0
    assert by_label["On a bad reading"]["as typed"] == study.controller.bad_reading


def test_comments_of_the_csv_stay_comments() -> None:
    """A title with a line break cannot smuggle a row into the table."""
    study = cc.load(PLANT).with_text({"title": "one\ntwo,three"})
    _, tuning = case("plant")
    text = gains_csv(study, tuning)
    assert text.startswith("# Settings of PIC-101: one two,three\n")
    assert len(table(text)) == len(table(gains_csv(*case("plant"))))
