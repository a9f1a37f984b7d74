"""Live pictures: what they show is what the library computes, and they look as they should."""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from xml.etree import ElementTree as ET

import numpy as np
import pytest

import chamberctl as cc
from chamberctl.control.margins import margins
from chamberctl.control.response import sampled_response
from chamberctl.figures.live import Stroke, picture, thinned
from chamberctl.figures.panels import Panel
from chamberctl.figures.scales import Scale, held_scale, round_end, round_step
from chamberctl.report.tables import as_html
from chamberctl.workbench.answers import STEPS, Compared, compare_answers
from chamberctl.workbench.answers_picture import answers_picture
from chamberctl.workbench.candidates import Bench, Candidate, Shown, judged
from chamberctl.workbench.comparison import side_by_side
from chamberctl.workbench.frequency_picture import frequency_picture

BenchOf = Callable[[str], Bench]
SVG = "{http://www.w3.org/2000/svg}"


def both(bench: Bench, gain: str = "2") -> list[Shown]:
    return [
        Shown("in use", bench.own),
        Shown("calm", judged(bench, Candidate("calm", {"Kc": gain}))),
    ]


def test_linear_answers_are_those_of_the_law_run_scan_by_scan(bench: Bench) -> None:
    shown = both(bench)
    where = bench.own.points[2].where
    compared = compare_answers(shown, where, "linear", bench.plants)
    for one, answer in zip(shown, compared["setpoint"].answers, strict=True):
        assert answer is not None
        point = one.tuning.points[2]
        step = math.log10(1.0 + bench.study.duty.setpoint_step)
        slow = sampled_response(
            point.model, one.tuning.settings, setpoint_step=step,
            duration_s=float(answer.time_s[-1]),
        )  # fmt: skip
        expected = point.point.indicated_pa * 10.0**slow.reading
        np.testing.assert_allclose(answer.indicated_pa, expected, rtol=1e-9)
        np.testing.assert_allclose(answer.speed, point.point.speed + slow.speed, atol=1e-9)
    assert len(compared["setpoint"].others) == len(bench.own.points) - 1


def test_answers_on_the_plant_are_the_scenarios_runs(bench: Bench) -> None:
    point = bench.own.points[0].point
    compared = compare_answers(both(bench), point.where, "on the plant")
    run = cc.simulate(bench.study, bench.own, "gas-step", point=point)
    answer = compared["gas flow"].answers[0]
    assert answer is not None
    np.testing.assert_array_equal(
        answer.indicated_pa, run.trace.columns["indicated_pa"][-answer.time_s.size :]
    )
    assert compared["gas flow"].predicted is not None


def test_a_step_that_cannot_happen_says_why(bench: Bench) -> None:
    compared = {
        step: Compared((Shown("in use", bench.own),), "1", (None,), (True,), refusal="No gas.")
        for step in STEPS
    }
    live = answers_picture(bench.study, compared, "on the plant", "deviation")
    assert "No gas." in live.alt
    assert "cannot happen" in as_html(side_by_side(bench.study, both(bench)[:1], compared))


@pytest.mark.parametrize("preset", [*cc.presets()])
def test_every_preset_can_be_drawn(bench_of: BenchOf, preset: str) -> None:
    bench = bench_of(preset)
    shown = both(bench, bench.own.typed["Kc"].text)
    where = bench.own.points[0].where
    for loop in ("linear", "on the plant"):
        compared = compare_answers(shown, where, loop, bench.plants)
        for variables in ("deviation", "physical"):
            live = answers_picture(bench.study, compared, loop, variables)
            assert "nan" not in live.svg
            ET.fromstring(live.svg)
            assert "duty point 1" in live.alt
    live = frequency_picture(bench.study, shown, where)
    assert "nan" not in live.svg
    assert f"{SVG}svg" == ET.fromstring(live.svg).tag


def test_physical_and_deviation_variables_show_the_same_answer(bench: Bench) -> None:
    """A53: p = p0 (1 + d/100), n = n0 + dn/100."""
    compared = compare_answers(both(bench), bench.own.points[0].where, "linear", bench.plants)
    for answer in compared["gas flow"].answers:
        assert answer is not None
        back = answer.before_pa * (1.0 + answer.percent / 100.0)
        np.testing.assert_allclose(back, answer.indicated_pa)
        np.testing.assert_allclose(answer.rest + answer.speed_percent / 100.0, answer.speed)


def test_an_unstable_loop_grows_in_sight_and_says_so(bench: Bench) -> None:
    wild = Shown("wild", judged(bench, Candidate("wild", {"Kc": "40", "Ti": "2"})))
    where = bench.own.points[0].where
    compared = compare_answers([wild], where, "linear", bench.plants)
    live = answers_picture(bench.study, compared, "linear", "deviation")
    assert "unstable" in live.alt
    assert "nan" not in live.svg
    assert "inf" not in re.sub(r"<title>.*?</title>", "", live.svg)
    assert "unstable" in frequency_picture(bench.study, [wild], where).alt
    table = as_html(side_by_side(bench.study, [wild], compared))
    assert "unstable at point" in table
    assert "grows" in table


def test_the_comparison_shows_the_librarys_worst_margins(bench: Bench) -> None:
    shown = both(bench)
    where = bench.own.points[0].where
    table = side_by_side(bench.study, shown, compare_answers(shown, where, "linear"))
    row = next(row for row in table.rows if row.cells[0].startswith("Worst Ms"))
    for cell, one in zip(row.cells[1:], shown, strict=True):
        found = [margins(p.model, one.tuning.settings).ms for p in one.tuning.points]
        assert cell == f"{max(found):.3g} at point {found.index(max(found)) + 1}"


# The pictures' own machinery


def test_points_lie_where_the_axes_say() -> None:
    panel = Panel(
        (5.0, 4.0), (0.2, 0.25, 0.5, 0.5), Scale("x", 1.0, 100.0, log=True), Scale("y", -1.0, 3.0)
    )
    across, down = panel.at(np.array([1.0, 10.0, 100.0]), np.array([-1.0, 1.0, 3.0]))
    np.testing.assert_allclose(across, [72.0, 162.0, 252.0])
    np.testing.assert_allclose(down, [216.0, 144.0, 72.0])


def test_a_curve_is_broken_where_it_is_not_known() -> None:
    panel = Panel((1.0, 1.0), (0.0, 0.0, 1.0, 1.0), Scale("", 0.0, 4.0), Scale("", 0.0, 1.0))
    y = np.array([0.0, 1.0, np.nan, 1.0, 0.0])
    drawn = picture((1.0, 1.0), [(panel, [Stroke(np.arange(5.0), y)], [])], "words")
    assert 'd="M0 720l180 -720M540 0l180 720"' in drawn


@pytest.mark.parametrize("size", [181, 200, 240, 359, 361, 1000, 5003])
def test_thinning_leaves_no_gap(size: int) -> None:
    x, _ = thinned(np.arange(float(size)), np.sin(np.arange(float(size))))
    assert x.size < 400
    assert np.diff(x).max() < 2.5 * size / 90


def test_thinning_keeps_peaks_and_ends() -> None:
    y = np.zeros(5000)
    y[1234] = 1.0
    x, thin = thinned(np.arange(5000.0), y)
    assert x.size < 600
    assert thin.max() == 1.0
    assert x[[0, -1]].tolist() == [0.0, 4999.0]


@pytest.mark.parametrize(("low", "high"), [(0.0, 1.0), (-3.2, 17.0), (4.9e-3, 5.2e-3), (-80, 800)])
def test_axes_hold_what_they_must_at_round_places(low: float, high: float) -> None:
    scale = held_scale("p [mbar]", [np.array([low, high])])
    assert scale.low <= low
    assert scale.high >= high
    assert 4 <= len(scale.ticks) <= 12
    steps = np.diff(scale.ticks)
    np.testing.assert_allclose(steps, round_step(steps[0] * 0.99))


def test_ends_of_axes_are_round() -> None:
    assert [round_end(value) for value in (0.9, 1.0, 1.2, 7.0, 81.0)] == [1.0, 1.0, 1.5, 8.0, 100.0]
