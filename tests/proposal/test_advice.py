"""Advice: each number is found again by doing what it advises."""

from __future__ import annotations

import math
from functools import cache

import numpy as np
import pytest

import chamberctl as cc
from chamberctl.control.controller import Memory, PidSettings, step
from chamberctl.control.robust import robust_settings
from chamberctl.display import number
from chamberctl.proposal.advice import advice, noise_travel_per_h
from chamberctl.simulation.scenarios import simulate

RIG = "preset:student-rig"


@cache
def advised() -> tuple[cc.Tuning, dict[str, str]]:
    study = cc.load(RIG)
    tuning = cc.tune(study)
    return tuning, {one.subject: one.text for one in advice(study, tuning)}


def action(study: cc.Study, structure: str = "PI") -> float:
    found = robust_settings(
        study, ms_limit=1.6, structure="PID" if structure == "PID" else "PI", dense=False,
        explain=False,
    )  # fmt: skip
    return found.integral_action


@pytest.mark.slow
def test_every_subject_is_advised_on() -> None:
    _, texts = advised()
    assert list(texts) == [
        "reading", "derivative action", "scan time", "filter", "worth knowing better",
        "feed-forward",
    ]  # fmt: skip


def test_what_derivative_action_would_give() -> None:
    study = cc.load(RIG)
    more = action(study, "PID") / action(study) - 1.0
    assert f"PID would give {number(100 * more, 2)} % more" in advised()[1]["derivative action"]


def test_what_a_faster_scan_would_give() -> None:
    study = cc.load(RIG)
    faster = study.with_text({"controller.scan_time": "0.1 s"})
    more = action(faster) / action(study) - 1.0
    assert f"would give {number(100 * more, 2)} % more" in advised()[1]["scan time"]


def test_what_a_flow_signal_would_give() -> None:
    tuning, texts = advised()
    for name in ("gas-step", "gas-step-feed-forward"):
        peak = simulate(tuning.study, tuning, name).metrics.peak_deviation
        assert f"{number(100 * peak)} %" in texts["feed-forward"]


@pytest.mark.parametrize("tf_s", [0.0, 0.3, 2.0])
def test_the_travel_by_noise_is_that_of_the_law_itself(tf_s: float) -> None:
    law = PidSettings(kc=2.0, ti_s=1e9, tf_s=tf_s, scan_time_s=0.2, output_min=-9, output_max=9)
    noise = 0.01 * np.random.default_rng(7).standard_normal(40_000)
    memory, outputs = Memory(output=0.5), []
    for value in noise:
        memory = step(memory, law, 0.0, float(value))
        outputs.append(memory.output)
    moved = np.abs(np.diff(outputs)).sum() * 3600.0 / (0.2 * (len(noise) - 1))
    assert noise_travel_per_h(law, 0.01) == pytest.approx(moved, rel=0.02)


def test_a_setting_without_a_scan_has_no_travel() -> None:
    assert math.isnan(noise_travel_per_h(PidSettings(kc=1.0, ti_s=1.0), 0.1))
