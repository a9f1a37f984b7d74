"""Settings kept side by side: typed, judged, stepped through, and put on the other reading."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from itertools import pairwise

import pytest

import chamberctl as cc
from chamberctl.control.conversions import FormError
from chamberctl.control.forms import from_typed, read_typed
from chamberctl.errors import InputError, QuantityError
from chamberctl.workbench.candidates import (
    Bench,
    Candidate,
    Shown,
    candidate_of,
    carried,
    judged,
    tried,
    with_text,
)
from chamberctl.workbench.reading_switch import other_reading
from chamberctl.workbench.slider_steps import slider_steps

BenchOf = Callable[[str], Bench]


def test_a_candidate_is_judged_as_the_library_assesses_its_numbers(bench: Bench) -> None:
    candidate = with_text(bench.own, candidate_of("mine", bench.own), "Kc", "3")
    found = judged(bench, candidate)
    settings = from_typed(read_typed(bench.own.typed, {"Kc": "3"}))
    same = cc.assess(bench.study, settings)
    assert found.settings == same.settings
    assert found.worst["ms"] == pytest.approx(same.worst["ms"])
    assert found.typed["Kc"].text == "3.000"
    assert "mine" in found.why[0]


def test_what_a_candidate_does_not_say_is_as_the_study_has_it(bench: Bench) -> None:
    assert judged(bench, Candidate("bare", {})).settings == bench.own.settings


def test_one_number_is_typed_with_comma_or_point_and_emptied_again(bench: Bench) -> None:
    first = with_text(bench.own, Candidate("mine", {}), "Ti", "7,5")
    assert judged(bench, first).settings.ti_s == 7.5
    assert with_text(bench.own, first, "Ti", " ").texts == {}


@pytest.mark.parametrize(
    ("key", "text", "error"),
    [("Kc", "five", QuantityError), ("Kc", "-2", FormError), ("Ti", "0", FormError)],
)
def test_what_means_no_law_is_refused(
    bench: Bench, key: str, text: str, error: type[InputError]
) -> None:
    with pytest.raises(error):
        with_text(bench.own, Candidate("mine", {}), key, text)
    assert isinstance(tried(bench, Candidate("mine", {key: text})), error)


@pytest.mark.parametrize("preset", [*cc.presets()])
def test_sliders_step_in_equal_ratios_around_the_studys_own_number(
    bench_of: BenchOf, preset: str
) -> None:
    own = bench_of(preset).own
    for key in ("Kc", "Ti"):
        steps, here = slider_steps(own, own.typed, key)
        values = [float(text) for text in steps]
        assert here == own.typed[key].text
        assert here in steps
        assert values == sorted(set(values))
        assert values[-1] / values[0] > 100
        upper = [b / a for a, b in pairwise(values[30:])]
        assert max(upper) < 1.15


def test_a_number_between_the_steps_has_a_step_of_its_own(bench: Bench) -> None:
    typed = read_typed(bench.own.typed, {"Kc": "4.987"})
    steps, here = slider_steps(bench.own, typed, "Kc")
    assert here == "4.987"
    assert here in steps


def test_the_steps_stay_while_a_slider_moves_over_them(bench: Bench) -> None:
    """Who moves on says the step as it was drawn: if that is none any more, the move is lost."""
    for key in ("Kc", "Ti", "Td", "Tf", "b"):
        steps, _ = slider_steps(bench.own, bench.own.typed, key)
        for step in steps:
            moved = read_typed(bench.own.typed, {key: step})
            assert slider_steps(bench.own, moved, key) == (steps, step)


def test_a_term_that_is_not_used_can_be_slid_in(bench: Bench) -> None:
    for key in ("Td", "Tf"):
        steps, _ = slider_steps(bench.own, bench.own.typed, key)
        assert float(steps[0]) == 0.0
        assert len(steps) > 20
    assert slider_steps(bench.own, bench.own.typed, "b")[0][:2] == ["0.0", "0.1"]


@pytest.mark.parametrize("preset", [*cc.presets()])
def test_the_other_reading_keeps_the_loops_gain_at_the_highest_setpoint(
    bench_of: BenchOf, preset: str
) -> None:
    bench = bench_of(preset)
    kept = [
        Candidate("calm", {"Kc": bench.own.typed["Kc"].text, "Ti": "20"}),
        Candidate("no", {"Kc": "x"}),
    ]
    switch = other_reading(bench.own, Shown("mine", bench.own), kept)
    study = bench.study.with_text(switch.changes)
    assert study.controller.reading != bench.study.controller.reading
    assert [candidate.name for candidate in switch.kept] == ["calm"]
    after = cc.assess(
        study,
        from_typed(read_typed(_own_of(study, bench), switch.in_use.texts)),
    )
    highest = max(hold.setpoint_pa for hold in study.duty.holds)
    both = zip(bench.own.points, after.points, strict=True)
    there = [
        (then.margins, now.margins)
        for then, now in both
        if then.point.indicated_pa == pytest.approx(highest)
    ]
    assert there
    for before, now in there:
        assert now.ms == pytest.approx(before.ms, rel=0.02)
        assert now.crossover_rad_s == pytest.approx(before.crossover_rad_s, rel=0.02)
    assert after.settings.ti_s == pytest.approx(bench.own.settings.ti_s, rel=1e-3)
    assert switch.in_use.texts["Kc"] in switch.said


@pytest.mark.parametrize("preset", [*cc.presets()])
def test_there_and_back_again_are_the_same_settings(bench_of: BenchOf, preset: str) -> None:
    """Also where the hardest duty point is another one on the other reading."""
    bench = bench_of(preset)
    there = other_reading(bench.own, Shown("mine", bench.own), [])
    study = bench.study.with_text(there.changes)
    read = from_typed(read_typed(_own_of(study, bench), there.in_use.texts))
    then = cc.assess(study, read)
    back = other_reading(then, Shown("mine", then), [])
    before = bench.own.typed.texts()
    for key, text in back.in_use.texts.items():
        if text != before[key]:  # rounded, so that it can be typed in
            assert float(text) == pytest.approx(float(before[key]), rel=5e-3)


def test_reading_changed_by_the_switch_or_in_the_form_is_the_same(bench: Bench) -> None:
    mine = candidate_of("mine", bench.own)
    switch = other_reading(bench.own, Shown("mine", bench.own), [])
    (by_form,) = carried(bench.study, bench.study.with_text(switch.changes), (mine,))
    assert by_form.texts == switch.in_use.texts


def _own_of(study: cc.Study, bench: Bench):  # type: ignore[no-untyped-def]
    from chamberctl.control.forms import to_typed

    settings = replace(bench.own.settings, reading=study.controller.reading)
    return to_typed(settings, study.controller, study.system.drive)


def test_a_span_from_zero_gets_a_low_end_for_its_logarithm(bench: Bench) -> None:
    study = bench.study.with_text(
        {"controller.reading": "linear", "controller.reading_low": "0 mbar"}
    )
    own = cc.assess(study, replace(bench.own.settings, reading="linear", kc=0.002))
    switch = other_reading(own, Shown("mine", own), [])
    assert switch.changes["controller.reading_low"] == "0.01 mbar"
    assert study.with_text(switch.changes).controller.reading == "log10"
