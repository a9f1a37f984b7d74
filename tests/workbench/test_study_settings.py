"""Settings that a person chose stand in the study, and every command takes them from there."""

from __future__ import annotations

import pytest

import chamberctl as cc
from chamberctl.study.reading import loads
from chamberctl.study.source import read_source
from chamberctl.workbench.candidates import Candidate, carried
from chamberctl.workbench.study_settings import UNNAMED, joined, split

CALM = Candidate("calm, by hand", {"Kc": "3", "Ti": "9,5"}, "After the test of Monday.")


@pytest.mark.parametrize("preset", [*cc.presets()])
def test_putting_settings_in_and_taking_them_out_changes_nothing_else(preset: str) -> None:
    text = read_source(f"preset:{preset}")
    with_calm = joined(text, CALM)
    assert split(with_calm) == (text, CALM)
    assert split(text) == (text, None)
    assert joined(text, None) == text
    lines = [line for line in with_calm.splitlines() if line not in text.splitlines()]
    assert len(lines) == 1


def test_the_librarys_tuning_is_then_that_of_the_settings() -> None:
    study = loads(joined(read_source("preset:reference-plant"), CALM))
    tuning = cc.tune(study)
    assert (tuning.typed["Kc"].text, tuning.typed["Ti"].text) == ("3.000", "9.50")
    assert "calm, by hand" in tuning.why[0]
    assert tuning.settings == cc.assess(study, tuning.settings).settings


@pytest.mark.parametrize(
    "text", ["no toml = = ", 'controller = "no"', "[controller]\nsettings = 3\n"]
)
def test_a_text_that_is_no_study_stays_as_it_is(text: str) -> None:
    assert split(text) == (text, None)


def test_settings_without_a_name_get_one() -> None:
    text = '[controller]\nsettings = {Kc = "3", Ti = "9"}\n'
    assert split(text)[1] == Candidate(UNNAMED, {"Kc": "3", "Ti": "9"})


def test_candidates_keep_their_meaning_when_the_controller_speaks_otherwise() -> None:
    before = cc.load("preset:reference-plant")
    mine = Candidate("mine", cc.assess(before, cc.tune(before).settings).typed.texts())
    after = before.with_text(
        {
            "controller.gain_as": "proportional band",
            "controller.integral_as": "repeats per minute",
            "controller.decimals.integral": 5,
        }
    )
    (there,) = carried(before, after, [mine])
    assert there.texts != mine.texts
    (back,) = carried(after, before, [there])
    assert float(back.texts["Kc"]) == pytest.approx(float(mine.texts["Kc"]), rel=1e-3)
    assert float(back.texts["Ti"]) == pytest.approx(float(mine.texts["Ti"]), rel=1e-3)
    assert carried(before, before, [mine]) == (mine,)
    kept = Candidate("no numbers", {"Kc": "much"})
    assert carried(before, after, [kept]) == (kept,)
