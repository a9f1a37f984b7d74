"""Published rules beside the settings found and recommended, over a whole duty."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from chamberctl.control.answers import metered_share
from chamberctl.control.margins import margins
from chamberctl.control.published import PUBLISHED
from chamberctl.control.response import sampled_response, usual_duration
from chamberctl.control.rule_comparison import DERIVATIVE_RATIO, RuleComparison, compare_rules
from chamberctl.control.rules import simc_settings
from chamberctl.control.tuned import Tuning
from chamberctl.control.tuning import rule_tuning
from chamberctl.report import rules_text
from chamberctl.study import Study, load


def tuned(**changes: object) -> tuple[Study, Tuning]:
    fields = {f"controller.{key}": value for key, value in changes.items()}
    study = load("preset:reference-plant").with_text({"controller.rule": "simc", **fields})
    return study, rule_tuning(study)


@pytest.fixture(scope="module")
def plain() -> tuple[Study, Tuning, RuleComparison]:
    study, tuning = tuned()
    return study, tuning, compare_rules(study, tuning)


def test_every_rule_stands_in_the_table_once_for_each_kind_of_control(
    plain: tuple[Study, Tuning, RuleComparison],
) -> None:
    _, tuning, found = plain
    assert found.rows[0].origin == "recommended"
    assert found.rows[0].settings == tuning.settings
    published = [(row.name, row.kind) for row in found.rows[1:]]
    assert published == [(rule.name, kind) for rule in PUBLISHED for kind in rule.kinds]
    assert all(row.source for row in found.rows[1:])
    assert found.loops == len(tuning.points)
    assert found.design_point == tuning.points[tuning.design_index].where


def test_margins_and_answers_are_those_of_the_sampled_loop(
    plain: tuple[Study, Tuning, RuleComparison],
) -> None:
    """Each row against margins and response computed one loop at a time."""
    study, tuning, found = plain
    for name, kind in (("SIMC", "PI"), ("AMIGO, step response", "PID")):
        row = found.row(name, kind)
        law = row.settings
        assert law is not None
        alone = [margins(point.model, law) for point in tuning.points]
        worst = max(range(len(alone)), key=lambda i: alone[i].ms)
        assert row.worst["ms"] == (
            pytest.approx(alone[worst].ms, rel=1e-9), tuning.points[worst].where
        )  # fmt: skip
        assert row.worst["gain_margin"][0] == pytest.approx(
            min(one.gain_margin for one in alone), rel=1e-9
        )
        length = max(usual_duration(point.model, law) for point in tuning.points)
        peaks, areas = [], []
        for point in tuning.points:
            load_step = study.duty.gas_load_step * metered_share(study, point.model)
            answer = sampled_response(point.model, law, gas_load_step=load_step, duration_s=length)
            relative = np.abs(10.0**answer.reading - 1.0)
            peaks.append(relative.max())
            areas.append(relative.sum() * (law.scan_time_s or 0.0))
        assert row.peak[0] == pytest.approx(max(peaks), rel=1e-6)
        assert row.area_s[0] == pytest.approx(max(areas), rel=1e-6)


def test_simc_is_the_rule_that_tune_uses(plain: tuple[Study, Tuning, RuleComparison]) -> None:
    _, tuning, found = plain
    row, model = found.row("SIMC"), tuning.points[tuning.design_index].model
    by_hand, _, _ = simc_settings(model, replace(tuning.unrounded, kc=1.0))
    assert row.settings is not None
    assert (row.settings.kc, row.settings.ti_s) == pytest.approx((by_hand.kc, by_hand.ti_s))
    assert row.holds
    assert row.verdict == "Holds: as good after a gas step."
    # this plant has one lag only
    assert found.row("SIMC", "PID").settings is None
    assert "no second lag" in found.row("SIMC", "PID").verdict


def test_derivatives_are_filtered_and_noise_counts(
    plain: tuple[Study, Tuning, RuleComparison],
) -> None:
    _, _, found = plain
    pi, pid = (found.row("AMIGO, step response", kind) for kind in ("PI", "PID"))
    assert pid.settings is not None
    assert pi.settings is not None
    assert pid.settings.tfd_s == pytest.approx(pid.settings.td_s / DERIVATIVE_RATIO)
    assert pi.reaction == pytest.approx(pi.settings.kc / math.log(10.0))
    ts, law = 0.1, pid.settings
    first = law.kc * (1.0 + law.td_s / (law.tfd_s + ts))
    assert pid.reaction == pytest.approx(first / math.log(10.0))
    assert "noise moves the speed" in pid.verdict
    assert law.b == 0.0


def test_the_engineer_sees_at_a_glance_why_not(plain: tuple[Study, Tuning, RuleComparison]) -> None:
    _, _, found = plain
    lively = found.row("Ziegler-Nichols, step response")
    assert not lively.holds
    assert not lively.inside
    assert lively.verdict.startswith("Ms 3.9")
    assert "limit 2; made for dead time over lag 0.1 to 1, here 0.055" in lively.verdict
    slow = found.row("Lambda tuning")
    assert slow.holds
    assert (
        slow.verdict == f"Holds: {slow.area_s[0] / found.rows[0].area_s[0]:.3g} times the area "
        "after a gas step."
    )
    aims = found.row("Tyreus-Luyben", "PID")
    assert aims.verdict.endswith("it aims at a calm loop on an integrator with dead time.")
    outside = found.row("Chien-Hrones-Reswick, setpoint, 0 %")
    assert outside.holds
    assert outside.verdict.startswith("Holds, though made for dead time over lag 0.11 to 1")


def test_settings_as_found_join_the_table(plain: tuple[Study, Tuning, RuleComparison]) -> None:
    """Four times the gain is unstable; what was not written down is said."""
    study, tuning, _ = plain
    wild = study.with_text({"controller.as_found": {"gain": "90", "integral": "9.2"}})
    row = compare_rules(wild, tuning).rows[1]
    assert (row.origin, row.kind) == ("as found", "PI")
    assert not row.stable
    assert row.verdict.startswith("Unstable at ")
    assert "more of 6" in row.verdict
    assert row.choice == (
        "Not written down, so assumed: no derivative, no derivative filter, no filter of the "
        "reading, setpoint weight 1, no derivative of the setpoint, tracking time equal to the "
        "integral time."
    )
    wrong = study.with_text({"controller.as_found": {"gain": "90"}})
    row = compare_rules(wrong, tuning).rows[1]
    assert row.settings is None
    assert "Cannot be read: " in row.verdict
    assert "'integral' is missing" in row.verdict


def test_a_row_says_that_the_controllers_form_cannot_express_it() -> None:
    """Chien, Hrones and Reswick give an integral time below four derivative times for load."""
    study, tuning = tuned(form="series")
    found = compare_rules(study, tuning)
    row = found.row("Ziegler-Nichols, edge of stability", "PID")
    assert "series form cannot express" in row.not_typed
    assert found.row("SIMC").not_typed == ""
    shown = rules_text.table(found)
    cells = next(line.cells for line in shown.rows if line.cells[0] == f"{row.name}, PID")
    assert "Cannot be typed in: " in cells[-1]


def test_an_envelope_of_plants_counts_too(plain: tuple[Study, Tuning, RuleComparison]) -> None:
    study, tuning, before = plain
    model = tuning.points[0].model
    late = replace(model, dead_time_s=2.5 * model.dead_time_s, where="late plant")
    nameless = replace(model, where="", point=None)
    found = compare_rules(study, tuning, [late, nameless])
    assert found.has_envelope
    assert found.loops == before.loops + 2
    assert found.row("SIMC").worst["ms"][1] == "late plant"
    assert not found.row("SIMC").holds
    assert "plants of duty and tolerances" in rules_text.lead(found)


def test_a_linear_reading_is_compared_in_shares_of_the_reading() -> None:
    study, tuning = tuned(reading="linear")
    found = compare_rules(study, tuning)
    row = found.row("SIMC")
    point = tuning.points[tuning.design_index]
    step = study.duty.gas_load_step * metered_share(study, point.model)
    assert row.settings is not None
    answer = sampled_response(point.model, row.settings, gas_load_step=step)
    assert row.peak[0] >= np.abs(answer.reading).max() / point.model.reading_pa * (1.0 - 1e-9)
    assert row.reaction == pytest.approx(
        row.settings.kc * max(tuned.model.reading_pa for tuned in tuning.points)
    )
    assert "Pa per speed fraction" in " ".join(rules_text.text(found))


def test_the_text_says_what_the_rules_were_fed_with(
    plain: tuple[Study, Tuning, RuleComparison],
) -> None:
    _, _, found = plain
    said = " ".join(rules_text.text(found))
    assert "a dead time of 1.15 s, scan and computation included" in said
    assert "edge of stability, exactly: a gain of 16.1 per decade and a period of 4.5 s" in said
    assert "is 21 % too low" in said
    lines = rules_text.sources(found)
    assert len(lines) == len(PUBLISHED)
    assert any("Made for dead time over lag 0.1 to 1 (textbooks, from memory)." in x for x in lines)
    answer = rules_text.as_json(found)
    row = next(r for r in answer["rules"] if r["name"] == "SIMC" and r["kind"] == "PI")
    assert row["settings"]["kc_speed_fraction_per_decade"] == found.row("SIMC").settings.kc
    assert row["worst"]["ms"]["where"] == found.row("SIMC").worst["ms"][1]
    assert answer["relay_test"]["gain_error"] == pytest.approx(-0.206, abs=0.001)
