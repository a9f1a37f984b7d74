"""A gain schedule in exports, report and command line: recomputed, complete, one set beside it."""

from __future__ import annotations

import json
from dataclasses import replace
from functools import cache
from pathlib import Path

import jsonschema
import pytest

import chamberctl as cc
from chamberctl.cli.results import tuning_json
from chamberctl.control.controller import PidSettings
from chamberctl.control.designs import Design
from chamberctl.control.duty_loops import duty_loops
from chamberctl.control.envelope import EnvelopePlant
from chamberctl.control.forms import from_typed, read_typed
from chamberctl.control.margins import margins
from chamberctl.control.pace import LoopLimits
from chamberctl.control.schedule_parts import (
    GainSchedule,
    PointWorth,
    ScheduleEntry,
    Threshold,
)
from chamberctl.control.scheduled import scheduled
from chamberctl.control.tolerance_cases import Case
from chamberctl.control.tuned import Tuning
from chamberctl.control.tuning import assess, assessed
from chamberctl.plant.window import operating_window
from chamberctl.report import schedule_text
from chamberctl.report.exports import loop_document, loop_json
from chamberctl.report.tables import as_text
from chamberctl.report.verdict import verdict
from tests import recompute_loop, studies

ROOT = Path(__file__).parents[2]
HALVES = (0.0, 300.0, float("inf"))


@cache
def by_hand() -> tuple[cc.Study, Tuning]:
    """The reference plant with a linear reading and two entries, switched at 3 mbar."""
    study = cc.load("preset:reference-plant").with_text({"controller.reading": "linear"})
    loops = duty_loops(study)
    high = PidSettings(8.66e-4, 4.57, reading="linear", scan_time_s=0.1, output_min=0.2)
    low = replace(high, kc=3.94e-3, ti_s=4.29, b=0.2)
    entries = []
    for index, one in enumerate((low, high)):
        inside = [
            EnvelopePlant(p.where, p.where, Case("", study, "", ()), model, p.speed)
            for p, model in zip(loops.points, loops.models, strict=True)
            if HALVES[index] < p.indicated_pa < HALVES[index + 1]
        ]
        models = [plant.model for plant in inside]
        entries.append(
            ScheduleEntry(
                low=HALVES[index],
                high=HALVES[index + 1],
                settings=one,
                integral_action=one.kc / one.ti_s,
                plants=tuple(inside),
                margins=margins(models, one),
                noise_gain=0.0,
                points=tuple(plant.at for plant in inside),
                why=f"By hand {index + 1}.",
            )
        )
    worth = tuple(
        PointWorth(p.where, (i,), 1.2e-3, high.kc / high.ti_s, entries[i].integral_action)
        for p in loops.points
        for i in [int(p.indicated_pa > 300.0)]
    )
    found = GainSchedule(
        key="reading",
        limits=LoopLimits.of_peak(1.6),
        least_share=0.5,
        entries=tuple(entries),
        thresholds=(Threshold(300.0, 303.0, 297.0),),
        fixed=None,
        worth=worth,
        findings=(),
    )
    typed = scheduled(study, found, (low, high), loops.models)
    one_set = assess(study, high, loops=loops)
    hardest = max(range(len(typed.points)), key=lambda i: typed.points[i].margins.ms)
    unrounded = typed.entries[typed.points[hardest].entry].unrounded
    design = Design(unrounded, hardest, 1.0, ("By hand.",))
    return study, replace(assessed(loops, design, typed), one_set=one_set)


def test_the_file_fits_its_schema_and_is_recomputed_with_each_points_settings() -> None:
    study, tuning = by_hand()
    document = json.loads(loop_json(study, tuning))
    schema = json.loads((ROOT / "docs/reference/loop.schema.json").read_text(encoding="utf-8"))
    jsonschema.Draft202012Validator(schema).validate(document)
    lines = recompute_loop.compare(document)
    assert len(lines) == 9 * len(tuning.points)
    assert [line for line in lines if not line[-1]] == []
    used = [point["settings"]["Kc"] for point in document["points"]]
    assert used == [tuning.schedule.entries[i].settings.kc for i in (0, 0, 0, 1, 1, 1)]
    assert document["settings"]["Kc"] == tuning.settings.kc
    largest = max(document["points"], key=lambda point: point["margins"]["ms"])
    assert document["worst"]["ms"]["point"] == largest["where"]
    one_set = loop_document(study, tuning.one_set)
    assert "schedule" not in one_set
    assert one_set["points"][0]["margins"]["ms"] < document["points"][0]["margins"]["ms"]


def test_each_entry_as_typed_means_its_settings() -> None:
    study, tuning = by_hand()
    found = loop_document(study, tuning)["schedule"]
    assert found["key"] == "reading"
    assert found["thresholds"] == [{"at_pa": 300.0, "up_pa": 303.0, "down_pa": 297.0}]
    ends = [(entry["from_pa"], entry["to_pa"]) for entry in found["entries"]]
    assert ends == [(None, 300.0), (300.0, None)]
    for entry in found["entries"]:
        texts = {key: row["text"] for key, row in entry["as_typed"].items()}
        back = from_typed(read_typed(tuning.typed, texts))
        assert entry["settings"]["Kc"] == pytest.approx(back.kc, rel=1e-12)
        assert entry["settings"]["Ti_s"] == pytest.approx(back.ti_s, rel=1e-12)


def test_tables_and_machine_form_say_where_to_switch_and_what_it_is_worth() -> None:
    study, tuning = by_hand()
    entries, points = schedule_text.tables(study, tuning)
    assert [row.cells[1:3] for row in entries.rows] == [["3.03", "no limit"], ["no limit", "2.97"]]
    assert "2 mbar at 60 mbar L/s" in entries.rows[0].cells[-1]
    assert "Gain schedule over the indicated pressure" in as_text(entries)
    assert [row.cells[1] for row in points.rows] == list("111222")
    assert schedule_text.section(study, tuning)["why"] == ["By hand 1.", "By hand 2."]
    assert schedule_text.tables(study, replace(tuning, schedule=None)) == ()
    answer = verdict(study, tuning, operating_window(study))
    machine = json.loads(json.dumps(tuning_json(study, tuning, answer)["schedule"]))
    assert machine["entries"][1]["from_pa"] == 300.0
    assert machine["points"][0]["share_of_alone"] == pytest.approx(3.94e-3 / 4.29 / 1.2e-3)


def test_a_schedule_is_for_robust_settings(tmp_path: Path) -> None:
    text = studies.by_rule((ROOT / "presets/reference-plant.toml").read_text(encoding="utf-8"))
    text = text.replace('rule = "simc"', 'rule = "simc"\nschedule = "reading"')
    with pytest.raises(cc.StudyError, match=r"controller\.schedule.*rule = 'robust' only"):
        cc.load(studies.write(tmp_path, text))


@pytest.mark.thorough
@pytest.mark.parametrize(("reading", "count"), [("log10", 0), ("linear", 4)])
def test_a_study_that_asks_for_a_schedule_gets_one_where_it_is_needed(
    reading: str, count: int, tmp_path: Path
) -> None:
    changes = {"controller.reading": reading, "controller.schedule": "reading"}
    study = cc.load("preset:reference-plant").with_text(changes)
    tuning = cc.tune(study)
    said = [finding.text for finding in tuning.findings if finding.subject == "gain schedule"]
    assert len(said) == 1
    if not count:
        assert tuning.schedule is None
        assert "One set of gains is enough" in said[0]
        return
    assert len(tuning.schedule.entries) == count
    assert max(one.largest_ms for one in tuning.schedule.entries) < 1.6 * 1.005
    files = cc.write_report(study, tuning, tmp_path)
    assert "Gain schedule over the indicated pressure" in files.html.read_text(encoding="utf-8")
    document = json.loads((tmp_path / "loop.json").read_text(encoding="utf-8"))
    assert all(line[-1] for line in recompute_loop.compare(document))
