"""The filter on the reading, as part of the settings that are sought."""

from __future__ import annotations

from dataclasses import replace

import pytest

import chamberctl as cc
from chamberctl.control.duty_loops import duty_loops, settings_frame
from chamberctl.control.margins import margins
from chamberctl.control.noise_gain import noise_gain
from chamberctl.control.reading_filter import choose_filter
from chamberctl.control.robust import robust_settings
from chamberctl.control.robust_design import robust_design

PLANT = "preset:reference-plant"


def limited(**more: str) -> cc.Study:
    return cc.load(PLANT).with_text({"duty.limits.noise_gain": "2.5", **more})


def test_without_a_limit_on_noise_no_filter_is_the_best() -> None:
    found = robust_design(duty_loops(cc.load(PLANT)), 1.6)
    assert found.settings.tf_s == 0.0
    assert any("the duty does not limit what noise does" in text for text in found.why)


def test_with_derivative_action_a_filter_leaves_more_integral_action() -> None:
    """Every filter from a tenth of the chosen to ten times it gives less, or as much within 2 %."""
    study = limited(**{"controller.terms": "PID"})
    without = robust_settings(study, structure="PID", dense=False, explain=False)
    chosen = choose_filter(study, without)
    assert chosen.tf_s > 0.0

    def action(tf_s: float) -> float:
        frame = replace(settings_frame(study), tf_s=tf_s)
        found = robust_settings(study, structure="PID", frame=frame, dense=False, explain=False)
        return found.integral_action

    best = action(chosen.tf_s)
    assert best > 1.2 * without.integral_action
    assert f"{100.0 * (best / without.integral_action - 1.0):.0f} % more" in chosen.text
    for share in (0.1, 0.5, 2.0, 10.0):
        assert action(share * chosen.tf_s) < 1.02 * best


@pytest.mark.slow
def test_the_design_has_the_filter_and_keeps_both_limits_with_it() -> None:
    study = limited(**{"controller.terms": "PID"})
    found = robust_design(duty_loops(study), 1.6)
    optimum = found.optimum
    assert optimum is not None
    assert found.settings.tf_s > 0.0
    models = [one.model for one in optimum.plants]
    assert noise_gain(models, [found.settings] * len(models)).max() <= 2.5 * (1.0 + 1e-3)
    assert margins(models, found.settings).ms.max() <= 1.6 * (1.0 + 1e-3)
    assert any(text.startswith("Filter of the reading") for text in found.why)
    tuning = cc.tune(study)
    assert float(tuning.typed["Tf"].text) == pytest.approx(found.settings.tf_s, abs=0.006)


def test_with_proportional_and_integral_action_less_gain_is_the_better_filter() -> None:
    study = cc.load(PLANT).with_text({"duty.limits.noise_gain": "1.2"})
    without = robust_settings(study, dense=False, explain=False)
    chosen = choose_filter(study, without)
    assert chosen.tf_s == 0.0
    assert "one of 0.1 s would take" in chosen.text
