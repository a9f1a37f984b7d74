"""What the answer hangs on: closed forms on the reference plant, and the words."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from chamberctl.control.influence import Influence, Influences, influences
from chamberctl.control.margins import margins
from chamberctl.control.tuning import Tuning, rule_tuning
from chamberctl.plant.linear import LoopModel
from chamberctl.report import influence_text
from chamberctl.study import Study, load, loads, preset_path
from tests.plant.test_comparison import LINE

CHAMBER, PUMP = "system.chamber.volume", "system.backing.displacement"


def reference(**tolerances: str) -> Study:
    study = load("preset:reference-plant")
    paths = {"volume": CHAMBER, "displacement": PUMP}
    return study.with_text({f"{paths[k]}.tolerance": text for k, text in tolerances.items()})


def row(found: Influences, path: str) -> Influence:
    return next(row for row in found.rows if row.path == path)


@pytest.fixture(scope="module")
def ten_percent() -> Influences:
    study = reference(volume="10 %", displacement="10 %")
    return influences(study, rule_tuning(study))


def test_a_tenth_more_displacement_moves_the_window_by_a_eleventh(ten_percent: Influences) -> None:
    less, more = row(ten_percent, PUMP).effects
    assert (less.label, more.label) == ("-10 %", "+10 %")
    for name in ("lowest_change", "highest_change"):
        assert getattr(more, name) == pytest.approx(1.0 / 1.1 - 1.0)  # -9.1 %
        assert getattr(less, name) == pytest.approx(1.0 / 0.9 - 1.0)
    assert more.state.lowest_authority == pytest.approx(1.0)
    assert row(ten_percent, PUMP).window_change == pytest.approx(1.0 / 0.9 - 1.0)


def test_volume_changes_no_window_and_ms_as_the_plant_by_hand(ten_percent: Influences) -> None:
    """ln p answers speed as -(1/n)/(1 + s V/(S n)), behind 1 s of dead time."""
    settings = rule_tuning(reference()).settings
    for effect, volume in zip(row(ten_percent, CHAMBER).effects, (0.45, 0.55), strict=True):
        assert effect.lowest_change == effect.highest_change == 0.0
        assert effect.state.lowest_authority == pytest.approx(1.0)
        models = [
            LoopModel.from_transfer_function([-1.0 / n], [volume / (0.1 * n), 1.0], 1.0)
            for n in (0.6, 0.3, 0.24, 0.5, 0.25)
        ]
        expected = max(margins(models, settings).ms)
        assert effect.state.worst_ms == pytest.approx(expected, rel=1e-6)
    less, more = (effect.state.worst_ms for effect in row(ten_percent, CHAMBER).effects)
    assert less > ten_percent.nominal.worst_ms > more


def test_dead_time_costs_margin_and_ramps_cost_none(ten_percent: Influences) -> None:
    less, more = row(ten_percent, "system.drive.dead_time").effects
    assert less.state.worst_ms < ten_percent.nominal.worst_ms < more.state.worst_ms
    for effect in row(ten_percent, "system.drive.rise_time").effects:
        assert effect.weight == pytest.approx(0.0, abs=1e-9)


def test_authority_behind_a_line_moves_as_series_speeds_say() -> None:
    """C/(C + S n) at each n that the setpoint then takes; C = 300 L/s, doubled and halved."""
    line = LINE.format("{}").replace(
        '"{}"', '{ is = "300 L/s", basis = "assumed", tolerance = "50 %" }'
    )
    text = preset_path("reference-plant").read_text(encoding="utf-8")
    study = loads(text.replace("[system.backing]", line + "[system.backing]"))
    found = influences(study)
    effects = row(found, "system.line[0].conductance").effects
    states = [found.nominal, *(effect.state for effect in effects)]
    for state, c in zip(states, (0.3, 0.15, 0.45), strict=True):
        pumped = [
            1.0 / (p / q - 1.0 / c)
            for p, q, _ in study.duty_points()
            if 0.0 < 1.0 / (p / q - 1.0 / c) <= 0.1
        ]
        assert len(state.held) == len(pumped)
        assert state.lowest_authority == pytest.approx(c / (c + max(pumped)))
    assert not found.has_margins
    assert math.isnan(found.nominal.worst_ms)


def test_a_lost_duty_point_outranks_everything() -> None:
    study = reference(displacement="50 %")
    found = influences(study, rule_tuning(study))
    assert found.rows[0].path == PUMP
    less, more = found.rows[0].effects
    assert math.isinf(found.rows[0].weight)
    assert less.lost == (1, 3)  # n = 0.6 would have to be 1.2
    assert more.lost == (4, 6)  # below 20 %: 0.24/1.5 and 0.25/1.5; point 2 just stays at 0.2
    lines = influence_text.text(found)
    assert lines[0] == (
        "If backing pump: displacement is off by -50 % (assumed): speed no longer holds points 1 "
        "and 3."
    )
    assert influence_text.table(found).rows[0].kind == "strong"


def test_an_unstable_loop_outranks_too_and_an_unstable_nominal_does_not_stop_it() -> None:
    study = reference()
    tuning = rule_tuning(study)
    hot = _with_gain(tuning, 2.6)
    found = influences(study, hot)
    assert any("the loop is unstable" in line for line in influence_text.text(found))
    wild = _with_gain(tuning, 20.0)
    assert math.isinf(influences(study, wild).nominal.worst_ms)


def _with_gain(tuning: Tuning, factor: float) -> Tuning:
    settings = replace(tuning.settings, kc=factor * tuning.settings.kc)
    points = tuple(replace(point, settings=settings) for point in tuning.points)
    return replace(tuning, settings=settings, points=points)


def test_strongest_first_and_undecided_cases_among_them(ten_percent: Influences) -> None:
    weights = [row.weight for row in ten_percent.rows]
    assert weights == sorted(weights, reverse=True)
    undecided = [row for row in ten_percent.rows if row.basis == "undecided"]
    assert len(undecided) == 1
    assert undecided[0].path == ""
    assert len(undecided[0].effects) == 1
    assert undecided[0].effects[0].state.worst_ms > 2.0
    lines = "\n".join(influence_text.text(ten_percent))
    assert "these inputs alone can push it over the duty's limit of 2" in lines


def test_words_and_numbers_for_people_and_machines(ten_percent: Influences) -> None:
    table = influence_text.table(ten_percent)
    pump = next(row for row in table.rows if row.cells[0] == "backing pump: displacement")
    assert pump.cells[:5] == [
        "backing pump: displacement", "assumed", "10", "+11 / -9.1", "+11 / -9.1"
    ]  # fmt: skip
    records = influence_text.as_json(ten_percent)
    assert records["as_is"]["stable"]
    assert len(records["inputs"]) == len(ten_percent.rows)
    assert influence_text.nominal(ten_percent).startswith("As the study is: lowest authority 1")


def test_without_tolerances_it_says_so_and_asks_for_them() -> None:
    text = preset_path("reference-plant").read_text(encoding="utf-8")
    plain = text.replace(', tolerance = "5 %"', "").replace(', tolerance = "20 %"', "")
    found = influences(loads(plain.replace('basis = "assumed"', 'basis = "measured"')))
    only = [row for row in found.rows if row.basis != "undecided"]
    assert only == []
    empty = replace(found, rows=())
    assert "Say how well each value is known" in influence_text.text(empty)[0]
