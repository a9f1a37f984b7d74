"""What a controller was left with, against what was to be typed in."""

from __future__ import annotations

from typing import Any

import pytest

import chamberctl as cc
from chamberctl.control.left_settings import left_otherwise
from chamberctl.control.tuning import rule_tuning
from chamberctl.report.verdict import verdict

PLAIN = cc.load("preset:reference-plant")
TUNING = rule_tuning(PLAIN)


def left(**texts: Any) -> cc.Study:
    return PLAIN.with_text({"controller.as_left": texts})


def test_nothing_recorded_and_all_as_it_was_to_be_are_no_difference() -> None:
    assert left_otherwise(PLAIN, TUNING) is None
    assert left_otherwise(left(**TUNING.typed.texts()), TUNING) is None
    assert left_otherwise(left(gain=TUNING.typed["Kc"].text), TUNING) is None


def test_ten_times_the_gain_is_named_and_turns_the_answer_into_a_no() -> None:
    ten = f"{10.0 * float(TUNING.typed['Kc'].text):.3f}"
    study = left(gain=ten, integral=TUNING.typed["Ti"].text)
    found = left_otherwise(study, TUNING)
    assert found is not None
    assert not found.holds
    assert f"Gain {ten} in place of {TUNING.typed['Kc'].text}" in found.text
    assert "Integral time" not in found.text
    assert "unstable" in found.text
    window = cc.operating_window(study)
    assert verdict(PLAIN, TUNING, window).good
    answer = verdict(study, TUNING, window)
    assert not answer.good
    assert "the controller was left with others" in answer.lead
    assert found.text in answer.points


def test_a_calmer_gain_is_named_and_leaves_a_yes() -> None:
    study = left(Kc=f"{0.9 * float(TUNING.typed['Kc'].text):.3f}")
    found = left_otherwise(study, TUNING)
    assert found is not None
    assert found.holds
    answer = verdict(study, TUNING, cc.operating_window(study))
    assert answer.good
    assert found.text in answer.points


@pytest.mark.parametrize("texts", [{"gain": "fifty"}, {"gain": "-3", "integral": "9"}])
def test_what_cannot_be_read_does_not_pass_for_good(texts: dict[str, str]) -> None:
    found = left_otherwise(left(**texts), TUNING)
    assert found is not None
    assert not found.holds
    assert "no law that could be checked" in found.text
    assert "controller.as_left" in found.text


def test_settings_left_on_another_reading_differ_whatever_their_numbers() -> None:
    study = left(reading="linear", gain="10", integral="30")
    found = left_otherwise(study, TUNING)
    assert found is not None
    assert "a linear reading" in found.text
