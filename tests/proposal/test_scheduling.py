"""A schedule as the proposal: where no one set will do, in runs and draws, and in the answer."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

import chamberctl as cc
from chamberctl.cli.results import tuning_json
from chamberctl.control.duty_loops import duty_loops
from chamberctl.control.gain_steps import GainSteps
from chamberctl.control.margins import margins
from chamberctl.control.robust_design import robust_design
from chamberctl.control.tuned import Tuning
from chamberctl.errors import Infeasible
from chamberctl.plant.window import operating_window
from chamberctl.report import context, verdict
from chamberctl.report.chapters import Chapters
from chamberctl.report.exports import gains_csv, loop_document
from chamberctl.report.trace_csv import trace_csv
from chamberctl.simulation.monte_carlo import monte_carlo
from chamberctl.simulation.scenarios import prepare, simulate
from chamberctl.workbench.proposal_job import ProposalJob, said_of_schedule
from chamberctl.workers import Desk
from tests import recompute_loop, recompute_trace

pytestmark = pytest.mark.slow

SUBJECT = "gain schedule"
WIDE = {
    "controller.reading": "linear",
    "controller.schedule": "reading",
    "system.drive.dead_time": "0.1 s",
    "controller.pace_ms": "1.15",
}
"""The reference plant with little dead time, a linear reading over its decade, and a small Ms."""


def wide(**more: str) -> cc.Study:
    changes = {path.replace("__", "."): text for path, text in more.items()}
    return cc.load("preset:reference-plant").with_text(WIDE | changes)


@cache
def proposed() -> tuple[cc.Study, Tuning]:
    study = wide()
    return study, cc.tune(study)


def said(tuning: Tuning, subject: str) -> list[str]:
    return [finding.text for finding in tuning.findings if finding.subject == subject]


def test_where_no_one_set_will_do_the_schedule_alone_is_proposed() -> None:
    study, tuning = proposed()
    with pytest.raises(Infeasible, match="slower than the plant by itself"):
        robust_design(duty_loops(study), 1.15)
    with pytest.raises(Infeasible, match="slower than the plant by itself"):
        cc.tune(study.with_text({"controller.schedule": "none"}))
    assert tuning.holds
    assert tuning.one_set is None
    assert len(tuning.schedule.entries) == 4
    assert any(text.startswith("One set of gains will not do") for text in said(tuning, SUBJECT))
    assert not any("One set of gains is enough" in text for text in said(tuning, SUBJECT))


def test_each_point_has_the_settings_in_force_and_their_margins() -> None:
    _, tuning = proposed()
    entries, steps = tuning.schedule.entries, tuning.runs
    assert isinstance(steps, GainSteps)
    assert len({point.settings for point in tuning.points}) == 4
    for point, used in zip(tuning.points, tuning.schedule.points, strict=True):
        assert point.settings == entries[used.entry].settings
        assert used.entry == steps.entry_at(point.point.indicated_pa)
        again = margins([point.model], point.settings)
        assert point.margins.ms == pytest.approx(float(again.ms[0]), rel=1e-12)
    peaks = [point.margins.ms for point in tuning.points]
    assert tuning.worst["ms"] == (max(peaks), int(np.argmax(peaks)))
    assert tuning.settings == tuning.points[tuning.design_index].settings


def test_runs_are_of_the_schedule_and_change_entries_on_the_way() -> None:
    study, tuning = proposed()
    lowest = tuning.points[0].point
    run = simulate(study, tuning, "pump-down", point=lowest)
    entries = run.trace.columns["entry"]
    assert entries[0] == 3.0
    assert entries[-1] == 0.0
    assert set(entries) == {0.0, 1.0, 2.0, 3.0}
    assert run.prepared.steps == tuning.schedule.steps
    for name in ("gas-step", "speed-override", "return-from-standby", "power-dip"):
        assert prepare(study, tuning, name, point=lowest).steps == tuning.schedule.steps
    assert prepare(study, tuning, "gas-step").point == tuning.points[tuning.worst["ms"][1]].point


def test_the_wrong_action_turns_every_entry_round() -> None:
    study, tuning = proposed()
    prepared = prepare(study, tuning, "wrong-sense")
    gains = [one.kc for one in prepared.steps.settings]
    assert gains == [-one.kc for one in tuning.schedule.steps.settings]
    assert prepared.settings.kc < 0.0


def test_draws_are_of_the_schedule() -> None:
    study, tuning = proposed()
    lowest = tuning.points[0].point
    one_entry = tuning.schedule.entries[-1].settings
    found = monte_carlo(study, tuning, "gas-step", runs=3, seed=5, point=lowest)
    as_steps = monte_carlo(study, tuning.runs, "gas-step", runs=3, seed=5, point=lowest)
    other = monte_carlo(study, one_entry, "gas-step", runs=3, seed=5, point=lowest)
    for one, same, differs in zip(found.runs, as_steps.runs, other.runs, strict=True):
        assert one.measures["peak_deviation"] == same.measures["peak_deviation"]
        assert one.measures["peak_deviation"] < 0.5 * differs.measures["peak_deviation"]


def test_a_broken_limit_is_a_no_as_with_one_set() -> None:
    study = wide(duty__limits__settling="0.5 s")
    tuning = cc.tune(study)
    assert tuning.schedule is not None
    assert not tuning.holds
    broken = [f for f in tuning.findings if f.subject == "limits on the plant"]
    assert {finding.severity for finding in broken} == {"no", "note"}
    answer = verdict.verdict(study, tuning, operating_window(study))
    assert not answer.good


def test_where_neither_is_found_the_refusal_of_one_set_stands() -> None:
    study = wide(system__drive__dead_time="1 s", controller__pace_ms="1.1")
    with pytest.raises(Infeasible, match="slower than the plant by itself") as refused:
        cc.tune(study)
    assert "Nearest: Ms 1.2" in refused.value.nearest


def test_one_set_stands_beside_a_schedule_for_comparison() -> None:
    study = wide(controller__pace_ms="1.6")
    tuning = cc.tune(study)
    alone = cc.tune(study.with_text({"controller.schedule": "none"}))
    assert tuning.one_set.settings == alone.settings
    assert tuning.one_set.worst == alone.worst
    lowest = tuning.points[0].settings
    assert lowest.kc / lowest.ti_s > 5.0 * alone.settings.kc / alone.settings.ti_s


def test_the_report_says_what_is_proposed_and_shows_it() -> None:
    study, tuning = proposed()
    chapters = Chapters(study, Desk())
    chapters.begin(tuning)
    found = context.build(study, tuning, chapters, context.Origin("", ""))
    picture = found["schedule"]["picture"]
    assert "entry 4: gain [speed/Pa] 1.78e-3, integral time [s] 7.95" in picture.svg
    assert "Thresholds: 1.35, 2.09, 5.22" in picture.svg
    assert picture.caption.startswith("Look at how far")
    assert "No one set of gains keeps the limits" in found["schedule"]["lead"]
    assert "entry 4 of the gain schedule's 4" in found["gains"]["typed"].caption
    assert found["proposal"] is None


def test_the_page_compares_single_sets_and_says_so() -> None:
    study = wide(controller__pace_ms="1.6")
    job = ProposalJob(study, "")
    job.wait(120.0)
    assert job.result.schedule is None
    (finding,) = said_of_schedule(study)
    assert "This page compares single sets" in finding.text
    assert not said_of_schedule(study.with_text({"controller.schedule": "none"}))


def test_the_exported_run_is_replayed_with_the_set_of_each_scan() -> None:
    study, tuning = proposed()
    run = simulate(study, tuning, "pump-down", point=tuning.points[0].point, seed=3)
    file = recompute_trace.read(trace_csv(study, run, seed=3))
    assert max(recompute_trace.differences(file).values()) < 1e-9


def test_the_files_hold_every_entry() -> None:
    study, tuning = proposed()
    rows = gains_csv(study, tuning)
    for number in range(1, 5):
        assert f"Entry {number}: Gain," in rows
    assert rows.count("Threshold ") == 6
    text = tuning_json(study, tuning, verdict.verdict(study, tuning, operating_window(study)))
    assert text["one_set_optimum"] is None
    assert text["schedule"]["points"][0]["share_of_alone_with_one_set"] is None
    assert [point["margins"]["ms"] for point in text["points"]] == pytest.approx(
        [point["ms"] for point in text["schedule"]["points"]], rel=1e-12
    )


def test_the_exported_loop_is_recomputed() -> None:
    study, tuning = proposed()
    lines = recompute_loop.compare(loop_document(study, tuning))
    assert len(lines) == 9 * len(tuning.points)
    assert all(line[-1] for line in lines)
