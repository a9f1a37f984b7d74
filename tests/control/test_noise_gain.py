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
    study = plain.with_text({"duty.limits.noise_gain": f"{0.6 * before:.4f}"})
    found = robust_settings(study, dense=False, explain=False)
    after = float(np.max(noise_gain(models, [found.settings] * len(models))))
    assert after <= 0.6 * before * (1.0 + 2e-3)
    assert found.integral_action < free.integral_action
    if (
        reading == "log10"
    ):  # with the linear one less proportional action is better than less of all
        assert after == pytest.approx(0.6 * before, rel=2e-3)
        assert found.bindings[0].limit == "noise_gain"


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
