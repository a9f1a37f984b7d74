"""Settings of every calmness, chosen from the curve of what calmness costs."""

from __future__ import annotations

import pytest

import chamberctl as cc
from chamberctl.control.tuning import rule_tuning
from chamberctl.workbench.candidates import Bench, judged
from chamberctl.workbench.pace_choice import pace_choice


def test_every_choice_keeps_its_ms_at_the_duty_points_and_less_calm_is_faster(bench: Bench) -> None:
    proposed = cc.tune(bench.study)
    found = pace_choice(proposed)
    assert found is not None
    assert {"calm (Ms 1.4)", "balanced (Ms 1.6)", "brisk (Ms 2)"} <= set(found.candidates)
    assert found.chosen == "balanced (Ms 1.6)"
    actions = []
    for name, candidate in found.candidates.items():
        limit = float(name.rpartition("Ms ")[2].rstrip(")"))
        tuning = judged(bench, candidate)
        assert tuning.worst["ms"][0] <= limit * (1.0 + 5e-3)  # as typed, rounded
        actions.append(tuning.settings.kc / tuning.settings.ti_s)
    assert actions == sorted(actions)
    own = judged(bench, found.candidates[found.chosen]).settings
    assert own.kc == pytest.approx(proposed.settings.kc, rel=5e-3)
    assert own.b == proposed.settings.b


def test_a_rule_has_no_curve(bench: Bench) -> None:
    assert pace_choice(rule_tuning(bench.study)) is None
