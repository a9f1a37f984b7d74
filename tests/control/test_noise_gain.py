"""Limits on the disk margin and on the speed's answer to noise, from the study to the gains."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

import chamberctl as cc
from chamberctl.control.margins import margins
from chamberctl.control.noise_gain import noise_gain
from chamberctl.control.robust import robust_settings
from chamberctl.control.tuning import rule_tuning
from chamberctl.report.margins_text import limits_in_words
from tests.control import loops
from tests.control.loops import plant

PLANT = "preset:reference-plant"


def test_proportional_control_of_a_slow_plant_passes_noise_on_with_its_gain() -> None:
    """|K S| -> Kc where the loop no longer acts; 1 % of the reading is ln(1.01)/ln(10) decades."""
    slow = replace(plant([1.0], [1e4, 1.0]), reading_pa=250.0)
    law = loops.settings(0.3, scan_time_s=0.1, reading="log10")
    assert noise_gain([slow], [law])[0] == pytest.approx(0.3 / math.log(10.0), rel=1e-3)
    linear = replace(law, reading="linear", kc=0.3 / 250.0)
    assert noise_gain([slow], [linear])[0] == pytest.approx(0.3, rel=1e-3)


def test_a_filter_lets_less_noise_through() -> None:
    slow = plant([1.0], [1e4, 1.0])
    law = loops.settings(0.3, scan_time_s=0.1, reading="log10")
    filtered = noise_gain([slow], [replace(law, tf_s=5.0)])[0]
    assert filtered < noise_gain([slow], [law])[0]


@pytest.mark.parametrize("reading", ["log10", "linear"])
def test_a_duty_may_limit_what_noise_does_to_the_drive(reading: str) -> None:
    plain = cc.load(PLANT).with_text({"controller.reading": reading})
    free = robust_settings(plain, dense=False, explain=False)
    models = [one.model for one in free.plants]
    before = float(np.max(noise_gain(models, [free.settings] * len(models))))
    assert free.noise_gain == pytest.approx(before, rel=2e-3)
    study = plain.with_text({"duty.limits.noise_gain": f"{0.6 * before:.4f}"})
    found = robust_settings(study, dense=False, explain=False)
    after = float(np.max(noise_gain(models, [found.settings] * len(models))))
    assert after == pytest.approx(0.6 * before, rel=2e-3)
    assert found.integral_action < free.integral_action
    assert found.bindings[0].limit == "noise_gain"


@pytest.mark.parametrize("reading", ["log10", "linear"])
def test_with_integral_action_a_lasting_error_moves_the_speed_whatever_the_gains(
    reading: str,
) -> None:
    """|K S| -> 1/|G(0)| at low frequency: 1 % less pressure takes n dp/(p dn) of the speed."""
    slow = replace(plant([2.0], [1e4, 1.0]), reading_pa=250.0)
    scale = slow.output_scale("log10" if reading == "log10" else "linear")
    calm = loops.settings(1e-9 / scale, 1e8, scan_time_s=0.1, reading=reading)
    assert noise_gain([slow], [calm])[0] == pytest.approx(0.5, rel=1e-6)
    without = replace(calm, ti_s=math.inf)
    assert noise_gain([slow], [without])[0] < 1e-8
    integrating = plant([1.0], [1.0, 0.0])
    gentle = loops.settings(0.1, 100.0, scan_time_s=0.1)
    assert noise_gain([integrating], [gentle])[0] < 0.2


@pytest.mark.parametrize("asked", ["0.01", "0.3", "0.6"])
@pytest.mark.parametrize("reading", ["log10", "linear"])
def test_less_noise_than_integral_action_needs_is_refused_with_the_nearest(
    reading: str, asked: str
) -> None:
    study = cc.load(PLANT).with_text(
        {"controller.reading": reading, "duty.limits.noise_gain": asked}
    )
    with pytest.raises(cc.Infeasible, match="integral action follows") as refused:
        robust_settings(study, dense=False, explain=False)
    nearest = refused.value.nearest.removeprefix("Nearest: noise gain ").rstrip(".")
    found = robust_settings(study.with_text({"duty.limits.noise_gain": nearest}), explain=False)
    models = [one.model for one in found.plants]
    most = float(np.max(noise_gain(models, [found.settings] * len(models))))
    assert most <= float(nearest) * (1.0 + 1e-3)
    (slow,) = (one.text for one in found.findings if one.subject == "slow loop")
    assert f"With noise gain {nearest} even the best loop" in slow


def test_settings_that_pass_on_more_noise_than_the_duty_allows_are_a_no() -> None:
    study = cc.load(PLANT).with_text({"duty.limits.noise_gain": "0.1"})
    tuning = rule_tuning(study)
    assert not tuning.holds
    (first, *_) = (one for one in tuning.findings if one.subject == "noise")
    assert first.severity == "no"
    assert "above the duty's limit of 0.1" in first.text
    assert not [one for one in rule_tuning(cc.load(PLANT)).findings if one.subject == "noise"]


def test_a_duty_may_ask_for_a_disk_margin() -> None:
    study = cc.load(PLANT).with_text({"duty.limits.disk_margin": "1.2"})
    found = robust_settings(study, ms_limit=2.0, dense=False, explain=False)
    models = [one.model for one in found.plants]
    kept = margins(models, found.settings)
    assert np.min(kept.disk_margin) == pytest.approx(1.2, rel=1e-3)
    assert found.bindings[0].limit == "disk_margin"
    loose = rule_tuning(cc.load(PLANT).with_text({"duty.limits.disk_margin": "1.9"}))
    assert not loose.holds
    assert any("disk margin" in one.text for one in loose.findings if one.severity == "no")


@pytest.mark.parametrize("asked", ["1.99", "1.6"])
def test_a_disk_margin_that_leaves_no_loop_worth_having_is_refused(asked: str) -> None:
    """|S| <= |S - 1/2| + 1/2, so that the disk margin bounds Ms: 1.43 leaves 1.2 of it."""
    study = cc.load(PLANT).with_text({"duty.limits.disk_margin": asked})
    with pytest.raises(cc.Infeasible, match=f"With disk margin {asked} even the best") as refused:
        robust_settings(study, dense=False, explain=False)
    assert refused.value.nearest.startswith("Nearest: disk margin 1.42, which lets Ms rise to 1.2")
    usual = study.with_text({"duty.limits.disk_margin": "1.42"})
    found = robust_settings(usual, dense=False, explain=False)
    worst = float(np.max(margins([one.model for one in found.plants], found.settings).ms))
    assert worst <= 1.0 / 1.42 + 0.5 + 1e-3
    (slow,) = (one.text for one in found.findings if one.subject == "slow loop")
    worth = slow.rpartition("With disk margin ")[2].partition(" or less")[0]
    loose = study.with_text({"duty.limits.disk_margin": worth})
    found = robust_settings(loose, dense=False, explain=False)
    assert not [one for one in found.findings if one.subject == "slow loop"]


def test_the_limit_on_noise_is_named_among_the_limits() -> None:
    study = cc.load(PLANT).with_text({"duty.limits.noise_gain": "2.5"})
    assert "Speed moved by noise at most 2.5 % per % of the reading" in limits_in_words(study)


@pytest.mark.slow
@pytest.mark.parametrize("preset", ["tray-dryer", "freeze-dryer", "crystal-furnace"])
def test_the_nearest_noise_gain_holds_between_the_points_tuned_for(preset: str) -> None:
    study = cc.load(f"preset:{preset}").with_text({"duty.limits.noise_gain": "0.1"})
    with pytest.raises(cc.Infeasible, match="integral action follows") as refused:
        robust_settings(study, explain=False)
    nearest = refused.value.nearest.removeprefix("Nearest: noise gain ").rstrip(".")
    found = robust_settings(study.with_text({"duty.limits.noise_gain": nearest}), explain=False)
    assert found.check is not None
