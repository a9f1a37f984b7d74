"""First tuning: where the gains come from, what is checked, and what is said about it."""

from __future__ import annotations

import itertools
import math
import re
from dataclasses import replace
from functools import cache
from types import SimpleNamespace
from typing import Any

import pytest

import chamberctl as cc
from chamberctl.control.controller import PidSettings
from chamberctl.control.duty_margins import (
    gain_spread,
    missed_limits,
    rounding_effect,
    spread_finding,
    worst_margins,
)
from chamberctl.control.forms import from_typed, to_typed
from chamberctl.control.margins import margins
from chamberctl.control.tuning import assess, rule_tuning
from chamberctl.control.tuning_findings import count_fraction, log_form_costs
from chamberctl.errors import Infeasible
from chamberctl.plant.linear import LoopModel

PLANT = "preset:reference-plant"
FURNACE = "preset:crystal-furnace"
QUANTITIES = (
    "gain_margin",
    "gain_margin_low",
    "phase_margin_deg",
    "delay_margin_s",
    "ms",
    "mt",
    "disk_margin",
    "crossover_rad_s",
)


@cache
def tuned(preset: str = PLANT) -> Any:
    return rule_tuning(cc.load(preset))


def changed(changes: dict[str, Any], preset: str = PLANT) -> Any:
    return rule_tuning(cc.load(preset).with_text(changes))


def said(tuning: Any, subject: str) -> list[Any]:
    return [finding for finding in tuning.findings if finding.subject == subject]


# --- the gains -----------------------------------------------------------------------------------


def test_reference_plant_by_hand() -> None:
    """n = Q/(S p), gain -1/(n ln 10), lag V/(S n), delay 1 s + one scan + half a scan."""
    tuning = tuned()
    n, delay = 120 / (100 * 5), 1.0 + 0.1 + 0.05
    gain, lag = 1 / (n * math.log(10)), 500 / (100 * n)
    design = tuning.points[tuning.design_index]
    assert design.where == "5 mbar at 120 mbar L/s"
    assert tuning.tau_c_s == pytest.approx(delay, rel=1e-9)
    assert tuning.unrounded.kc == pytest.approx(lag / (gain * 2 * delay), rel=1e-6)
    assert tuning.unrounded.ti_s == pytest.approx(8 * delay, rel=1e-9)
    # typed with three and two decimals in % of 0-50 Hz per % of three decades
    assert tuning.typed.texts()["Kc"] == "15.017"
    assert tuning.typed.texts()["Ti"] == "9.20"
    assert tuning.settings.kc == pytest.approx(15.017 / 3, rel=1e-12)
    assert tuning.settings.output_min == 0.2
    assert tuning.start_output == pytest.approx(0.6, rel=1e-9)
    assert tuning.holds


@pytest.mark.parametrize("preset", [PLANT, FURNACE])
def test_the_design_point_is_the_hardest(preset: str) -> None:
    tuning = tuned(preset)
    hardness = [abs(r.gain) * r.dead_time_s / r.lag1_s for r in tuning.reduced]
    assert hardness[tuning.design_index] == pytest.approx(max(hardness), rel=1e-6)
    assert len(tuning.points) == len(tuning.study.duty_points())


def test_among_equally_hard_loops_the_slowest_is_tuned_not_the_last_in_rounding() -> None:
    """On the reference plant gain x delay/lag is S/V at every point; only the lag differs."""
    tuning = tuned()
    hardness = [abs(r.gain) * r.dead_time_s / r.lag1_s for r in tuning.reduced]
    assert hardness == pytest.approx([hardness[0]] * len(hardness), rel=1e-6)
    lags = [reduced.lag1_s for reduced in tuning.reduced]
    assert lags[tuning.design_index] == max(lags)


@pytest.mark.parametrize("preset", [PLANT, FURNACE])
def test_margins_are_those_of_the_numbers_as_typed(preset: str) -> None:
    tuning = tuned(preset)
    assert tuning.typed.is_rounded
    assert from_typed(tuning.typed) == tuning.settings
    for point, before in zip(tuning.points, tuning.unrounded_points_margins, strict=True):
        again = margins(point.model, from_typed(tuning.typed))
        exact = margins(point.model, tuning.unrounded)
        for name in QUANTITIES:
            alone = pytest.approx(getattr(again, name), rel=1e-9, nan_ok=True)
            assert getattr(point.margins, name) == alone
            alone = pytest.approx(getattr(exact, name), rel=1e-9, nan_ok=True)
            assert getattr(before, name) == alone


@pytest.mark.parametrize("preset", [PLANT, FURNACE])
def test_the_worst_of_each_margin_is_named(preset: str) -> None:
    tuning = tuned(preset)
    found = [point.margins for point in tuning.points]
    for name, (value, index) in tuning.worst.items():
        values = [getattr(loop, name) for loop in found]
        assert value == (max if name in ("ms", "mt", "gain_margin_low") else min)(values)
        assert getattr(found[index], name) == value


@pytest.mark.parametrize("tau_c", ["2 s", "5 s"])
def test_a_slower_closed_loop_is_taken_from_the_study(tau_c: str) -> None:
    tuning = changed({"controller.simc_tau_c": tau_c})
    assert tuning.tau_c_s == float(tau_c.split()[0])
    assert tuning.worst["ms"][0] < tuned().worst["ms"][0]
    assert "as the study asks" in " ".join(tuning.why)


def test_the_form_changes_the_numbers_typed_and_not_the_loop() -> None:
    study = cc.load(PLANT)
    for form, gain_as, integral_as in itertools.product(
        ("ideal", "parallel", "series"),
        ("gain", "proportional band", "engineering"),
        ("min", "repeats per minute"),
    ):
        controller = study.with_text(
            {
                "controller.form": form,
                "controller.gain_as": gain_as,
                "controller.integral_as": integral_as,
            }
        ).controller
        back = from_typed(to_typed(tuned().unrounded, controller, study.system.drive))
        assert back.kc == pytest.approx(tuned().unrounded.kc, rel=1e-12)
        assert back.ti_s == pytest.approx(tuned().unrounded.ti_s, rel=1e-12)


# --- duty points without a loop ------------------------------------------------------------------


def test_a04_no_gains_where_there_is_no_equilibrium() -> None:
    """A setpoint outside the window: refused with its reason, and no gains come from it."""
    tuning = changed({"duty.hold[2].gas_loads": ["60 mbar L/s", "250 mbar L/s"]})
    assert not tuning.holds
    (point,) = tuning.refused
    assert not point.feasible
    (finding,) = said(tuning, "not reachable")
    assert finding.severity == "no"
    assert finding.text.startswith("5 mbar at 60 mbar L/s: 5 mbar is not reachable")
    assert "hold 3 mbar" in finding.text
    assert point.where not in [tuned.where for tuned in tuning.points]
    assert len(tuning.points) == 5
    asked = cc.operating_window(tuning.study).duty_points
    assert [found.where for found in tuning.duty_points] == [found.where for found in asked]
    assert [found.feasible for found in tuning.duty_points] == [found.feasible for found in asked]


def test_nothing_to_tune_is_refused_in_words() -> None:
    study = cc.load(PLANT).with_text(
        {f"duty.hold[{i}].gas_loads": ["1 mbar L/s"] for i in range(4)}
    )
    with pytest.raises(Infeasible, match="No duty point can be held by speed") as refused:
        rule_tuning(study)
    assert "even at the minimum speed" in refused.value.reason
    assert refused.value.nearest


def test_where_the_overflow_valve_rules_there_are_no_margins() -> None:
    tuning = changed({"system.booster.overflow_difference": "20 mbar"}, FURNACE)
    (finding, *_) = said(tuning, "overflow valve")
    assert finding.severity == "no"
    assert "speed does not act" in finding.text
    assert not tuning.holds
    assert tuning.refused
    assert all(point.limited_by == "overflow valve" for point in tuning.refused)
    assert len(tuning.points) + len(tuning.refused) == len(tuning.study.duty_points())


def test_a10_a_booster_beyond_its_difference_is_a_no_though_the_margins_hold() -> None:
    tuning = changed({"system.booster.difference_limit": "30 mbar"}, FURNACE)
    found = said(tuning, "booster difference")
    assert [finding.severity for finding in found] == ["no"] * 3
    assert "25 mbar at 80 slm(0 degC): The booster's pressure difference is 37" in found[2].text
    assert not tuning.holds
    assert len(tuning.points) == len(tuning.study.duty_points())


def test_a_speed_in_a_band_to_avoid_is_said_with_the_gains() -> None:
    tuning = changed({"system.drive.avoid_bands": [["28 Hz", "28.8 Hz"]]}, FURNACE)
    (finding,) = said(tuning, "speed to avoid")
    assert finding.text.startswith("10 mbar at 30 slm(0 degC): The steady speed of 57.1 %")
    assert not said(tuned(FURNACE), "speed to avoid")


def test_a_plant_with_the_wrong_sign_gives_no_gains(monkeypatch: pytest.MonkeyPatch) -> None:
    wrong = LoopModel.from_transfer_function([1.0], [10.0, 1.0], 1.0, where="here")
    monkeypatch.setattr("chamberctl.control.duty_loops.linearize", lambda *_: wrong)
    with pytest.raises(Infeasible, match="the plant has the wrong sign"):
        rule_tuning(cc.load(PLANT))


def test_given_settings_get_the_same_assessment_as_tuned_ones() -> None:
    tuning = tuned(FURNACE)
    given = assess(tuning.study, tuning.settings)
    assert given.typed.texts() == tuning.typed.texts()
    assert given.worst == tuning.worst
    assert given.design_index == tuning.worst["ms"][1]
    assert given.why == ("The settings are as they were given.",)


def test_given_settings_that_swing_are_a_no() -> None:
    tuning = tuned(FURNACE)
    wild = assess(tuning.study, replace(tuning.settings, kc=10.0 * tuning.settings.kc))
    assert not wild.holds
    assert "unstable" in said(wild, "stability")[0].text


# --- decimals ------------------------------------------------------------------------------------


def test_a31_rounding_is_shown_with_its_margins() -> None:
    """A controller that takes few decimals: margins of the rounded set, difference shown."""
    tuning = changed({"controller.decimals.gain": 0, "controller.integral_as": "min"})
    assert tuning.typed.texts()["Kc"] == "15"
    assert tuning.typed.texts()["Ti"] == "0.15"
    assert (tuning.settings.kc, tuning.settings.ti_s) == (5.0, 9.0)
    (finding,) = said(tuning, "rounding")
    before = worst_margins(tuning.unrounded_points_margins)["phase_margin_deg"][0]
    after = tuning.worst["phase_margin_deg"][0]
    assert f"phase margin {before:.3g} deg -> {after:.3g} deg" in finding.text
    assert before != after


def test_decimals_that_lose_the_integral_are_a_no() -> None:
    tuning = changed({"controller.decimals.integral": 0, "controller.integral_as": "min"})
    assert not tuning.holds
    assert not tuning.typed.is_rounded
    (finding,) = said(tuning, "decimals")
    assert finding.severity == "no"
    assert "Integral time 0.1533 min becomes 0 with 0 decimals" in finding.text


# --- instruments ---------------------------------------------------------------------------------


def test_a19_a_hold_band_finer_than_two_counts_fails() -> None:
    """12 bit linear 0-1000 mbar and a band of +-2 % at 5 mbar: 4.9 % per count."""
    gauge = SimpleNamespace(bits=12, signal="linear", range_low_pa=0.0, range_high_pa=1e5)
    assert count_fraction(gauge, 500.0) == pytest.approx(1000 / 4095 / 5, rel=1e-12)
    tuning = changed(
        {
            "system.gauge[0].bits": 12,
            "system.gauge[0].range_low": "0.001 mbar",
            "system.gauge[0].range_high": "1000 mbar",
        }
    )
    assert not tuning.holds
    texts = [f.text for f in said(tuning, "gauge resolution") if "At 5 mbar" in f.text]
    assert len(texts) == 1
    assert "one count of PT-101 is 4.9 % of the reading" in texts[0]
    assert "A logarithmic signal" in texts[0]


def test_a_logarithmic_signal_resolves_alike_everywhere() -> None:
    """1 V per decade over ten decades at 12 bit: 0.56 % of the reading per count."""
    gauge = SimpleNamespace(bits=12, signal="log", range_low_pa=1e-5, range_high_pa=1e5)
    assert count_fraction(gauge, 3.0) == count_fraction(gauge, 3e3)
    assert 100 * count_fraction(gauge, 3.0) == pytest.approx(0.56, abs=0.005)
    gauge.bits = None
    assert count_fraction(gauge, 3.0) == 0.0


def test_coarse_noisy_and_slow_instruments_are_named() -> None:
    tuning = changed(
        {
            "system.drive.second_ramp": "10 s",
            "system.drive.resolution": "2 %",
            "system.gauge[0].lag": "5 s",
            "system.gauge[0].noise": "1.5 %",
        }
    )
    assert "1.5" in said(tuning, "gauge noise")[0].text
    assert said(tuning, "double ramp")[0].severity == "caution"
    (finding,) = said(tuning, "speed resolution")
    assert finding.severity == "no"
    # ln p = ln(Q/(S n)): at n = 0.24 a step of 0.02 moves the pressure by 1 - exp(-0.02/0.24)
    assert f"moves the pressure by {100 * (1 - math.exp(-0.02 / 0.24)):.2g} %" in finding.text
    assert "answers in 5 s" in said(tuning, "gauge lag")[0].text
    assert tuning.tau_c_s == pytest.approx(1.15 + 2.5, rel=1e-6)  # half of the lag is delay


def test_a_scan_slow_for_the_closed_loop_is_named() -> None:
    tuning = changed({"controller.scan_time": "0.5 s"})
    assert "more than a tenth" in said(tuning, "scan time")[0].text
    assert tuning.worst["gain_margin"][0] > 2
    assert not said(tuned(), "scan time")


def test_the_loop_as_fast_as_the_ramp_is_named() -> None:
    text = said(tuned(), "drive ramp")[0].text
    # a setpoint step of 10 % is log10(1.1) decades
    kick = 100 * tuned().settings.kc * math.log10(1.1)
    assert f"for {kick:.3g} % at once" in text
    assert "the ramps give 3.33 %/s" in text
    # 20 % more gas needs 20 % more speed, n = 0.24, in the time 1/crossover
    fastest = max(point.margins.crossover_rad_s for point in tuned().points)
    assert f"asks for about {100 * 0.2 * 0.24 * fastest:.3g} % of rated speed per" in text
    quick = changed({"system.drive.rise_time": "0.5 s", "system.drive.fall_time": "0.5 s"})
    assert not said(quick, "drive ramp")


def test_little_authority_is_said_in_plain_words() -> None:
    changes = {"system.line": [{"kind": "conductance", "conductance": "20 L/s"}]}
    for i, setpoint in enumerate(("60 mbar", "40 mbar", "60 mbar", "50 mbar")):
        changes[f"duty.hold[{i}].setpoint"] = setpoint
        changes[f"duty.hold[{i}].gas_loads"] = ["800 mbar L/s"] if i in (0, 2) else ["600 mbar L/s"]
    study = cc.load(PLANT)
    try:
        study = study.with_text(changes)
    except cc.StudyError as error:
        pytest.fail(str(error))
    tuning = rule_tuning(study)
    text = said(tuning, "speed has little effect")[0].text
    assert "Speed is the wrong handle" in text
    assert "wider or shorter line" in text


# --- the reading ---------------------------------------------------------------------------------


def test_spread_of_the_fast_gain_for_both_readings() -> None:
    """Above the corner n/c the gain is -S/(V s) in ln p, and that times p in p: 1 and 10."""
    tuning = tuned()
    fast = gain_spread([point.model for point in tuning.points], 1e3)
    assert fast["log10"] == pytest.approx(1.0, rel=1e-6)
    assert fast["linear"] == pytest.approx(10.0, rel=1e-6)
    assert tuning.gain_spread["log10"] == pytest.approx(1.03, abs=0.01)
    assert "The log10 reading in use is the better one" in said(tuning, "reading")[0].text
    linear = changed({"controller.reading": "linear"})
    (finding,) = said(linear, "reading")
    assert finding.severity == "caution"
    assert "factor of 1.03 with a log10 reading" in finding.text
    assert spread_finding({"log10": 2.0, "linear": 2.05}, "linear").severity == "note"


def test_an_unknown_order_of_the_integral_is_taken_as_the_worse() -> None:
    tuning = changed({"controller.integral": "unknown", "controller.scan_time": "1 s"})
    peaks = {}
    for order in ("after", "before"):
        settings = replace(tuning.unrounded, integral=order)
        peaks[order] = max(margins(point.model, settings).ms for point in tuning.points)
    assert tuning.settings.integral == max(peaks, key=lambda order: peaks[order])
    (finding,) = said(tuning, "order of the integral")
    assert f"{peaks['after']:.3g} after" in finding.text
    for order in ("after", "before"):
        assert changed({"controller.integral": order}).settings.integral == order


def test_price_of_the_log_form_by_hand() -> None:
    """Gauge to its low end: ln(p/p0) against 1 - p0/p, and the time to the lowest speed."""
    study = cc.load(PLANT)
    settings = PidSettings(0.2, 10.0, scan_time_s=0.1, output_min=0.2)
    point = SimpleNamespace(indicated_pa=500.0, speed=0.5, where="here")
    text = log_form_costs(study, study.loop_gauge(), settings, point)[0]
    error = math.log10(5 / 0.1)  # decades down to the span's low end of 0.1 mbar
    assert f"asks at once for {100 * 0.2 * error:.3g} % of rated speed less" in text
    assert f"for {20 * error / 100:.3g} % less in each scan" in text
    # the first jump is 34 of the 30 % there are; the ramp of 30 s takes 9 s for them
    assert "lowest speed after 9 s" in text
    jump = 20 * (1 - 0.1 / 5) / math.log(10)
    wait = (30 - jump) / (jump / 10)
    assert f"asks for {jump:.3g} %" in text
    assert f"takes {wait:.3g} s" in text
    assert f"{error * math.log(10) / (1 - 0.1 / 5):.3g} times as hard" in text
    assert "floored at 0.1 mbar" in log_form_costs(study, study.loop_gauge(), settings, point)[1]


# --- limits --------------------------------------------------------------------------------------


def test_a_missed_limit_is_a_no_with_its_point() -> None:
    tuning = changed({"duty.limits.ms": "1.6"})
    assert not tuning.holds
    texts = [finding.text for finding in said(tuning, "margins")]
    assert "5 mbar at 120 mbar L/s: Ms 1.64 is above the duty's limit of 1.6." in texts
    assert len(texts) == sum(point.margins.ms > 1.6 for point in tuning.points)


def test_every_limit_is_checked_and_unstable_loops_have_no_margins() -> None:
    good = SimpleNamespace(
        stable=True, gain_margin=3.0, gain_margin_low=0.0, phase_margin_deg=50.0,
        delay_margin_s=2.0, ms=1.6, mt=1.2, disk_margin=0.8, reason="",
    )  # fmt: skip
    bad = SimpleNamespace(**vars(good) | {"stable": False, "reason": "unstable"})
    limits = SimpleNamespace(
        ms=1.5, gain_margin=3.1, phase_margin_deg=51.0, delay_margin_s=2.1, disk_margin=0.9
    )
    found = list(missed_limits(["one", "two"], [good, bad], limits))
    assert [f.subject for f in found] == ["margins"] * 5 + ["stability"]
    assert found[-1].text == "two: unstable. There are no margins."
    worst = worst_margins([good, bad])
    assert all(math.isnan(value) and index == 1 for value, index in worst.values())
    assert worst_margins([good])["ms"] == (1.6, 0)
    assert rounding_effect([bad], [good]).severity == "caution"
    assert rounding_effect([good], [good]).severity == "note"
    loose = SimpleNamespace(**dict.fromkeys(vars(limits)))
    assert list(missed_limits(["one"], [good], loose)) == []


@pytest.mark.parametrize("preset", [PLANT, FURNACE])
def test_findings_are_by_severity_and_decide_the_answer(preset: str) -> None:
    tuning = tuned(preset)
    rank = [("no", "caution", "note").index(finding.severity) for finding in tuning.findings]
    assert rank == sorted(rank)
    assert tuning.holds == (0 not in rank)
    assert any("The reading must FALL" in step for step in tuning.check_steps)
    text = " ".join((*tuning.why, *tuning.log_form_costs, *(f.text for f in tuning.findings)))
    assert not re.search(r"\bnan\b", text)
