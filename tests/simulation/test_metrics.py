"""Metrics on records whose answers are known on paper, and on records with gaps."""

from __future__ import annotations

import math
import re
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

import chamberctl as cc
from chamberctl.control.controller import PidSettings
from chamberctl.control.tuning import rule_tuning
from chamberctl.simulation.engine import Trace
from chamberctl.simulation.judging import judged, measured, measured_findings, watched_pressure
from chamberctl.simulation.metrics import LIMITS, Metrics, at_limits, metrics, ramp_share, verdict
from chamberctl.simulation.oscillation import LimitCycle, limit_cycle, turning_points
from chamberctl.simulation.scenarios import simulate
from chamberctl.study import Limits, System
from tests.house import CHECKOUT

SETPOINT_PA = 500.0
BAND = 0.02
SCAN_S = 0.05
STUDY = cc.load("preset:reference-plant")
PLAIN: System = STUDY.system
CALM = PidSettings(kc=1.0, ti_s=10.0, scan_time_s=SCAN_S, output_min=0.2, output_max=1.0)


def record(
    relative: Any = None,
    *,
    speed: Any = None,
    length_s: float = 60.0,
    complete: bool = True,
    **columns: Any,
) -> Trace:
    """A trace made by hand: deviation of the reading from the setpoint, and speed, of time."""
    time = np.arange(round(length_s / SCAN_S) + 1) * SCAN_S
    deviation = np.zeros(time.size) if relative is None else relative(time)
    turning = np.full(time.size, 0.5) if speed is None else speed(time)
    shown = {
        "indicated_pa": SETPOINT_PA * (1.0 + deviation),
        "speed": turning,
        "command": turning,
        "output": turning,
        "held": np.zeros(time.size),
        "bad": np.zeros(time.size),
        **{name: value(time) for name, value in columns.items()},
    }
    held = shown["held"] == 1.0
    return Trace(time, shown, held, np.full(time.size, SETPOINT_PA), CALM, complete)


def found(trace: Trace, *, system: System = PLAIN, **more: Any) -> Metrics:
    return metrics(trace, SETPOINT_PA, BAND, system, **more)


def second_order(damping: float, step: float, natural: float = 1.0) -> Any:
    """Deviation of a second-order lag from the target of a step that begins at 5 s."""

    def deviation(time: Any) -> Any:
        t = np.maximum(time - 5.0, 0.0)
        wd = natural * math.sqrt(1.0 - damping**2)
        decay = np.exp(-damping * natural * t)
        rest = decay * (np.cos(wd * t) + damping * natural / wd * np.sin(wd * t))
        return np.where(time < 5.0, 0.0, -step * rest)

    return deviation


# Overshoot, undershoot, settling, peak


@pytest.mark.parametrize("damping", [0.2, 0.4, 0.6])
@pytest.mark.parametrize("step", [0.1, -0.1])
def test_a_second_order_answer_overshoots_as_in_the_textbook(damping: float, step: float) -> None:
    """Past the target by step exp(-pi z/sqrt(1 - z^2)), then back by its square."""
    ratio = math.exp(-math.pi * damping / math.sqrt(1.0 - damping**2))
    m = found(record(second_order(damping, step)), event_s=5.0)
    past, back = (m.overshoot, m.undershoot) if step > 0 else (m.undershoot, m.overshoot)
    assert past == pytest.approx(abs(step) * ratio, rel=2e-3)
    assert back == pytest.approx(abs(step) * ratio**2, rel=2e-3)
    assert m.peak_deviation == past
    half = math.pi / math.sqrt(1.0 - damping**2)
    assert m.peak_time_s == pytest.approx(5.0 + half, abs=SCAN_S)
    assert m.limit_cycle is None


def test_the_last_exit_of_an_exponential_is_the_logarithm_of_its_size() -> None:
    m = found(record(lambda t: 0.1 * np.exp(-np.maximum(t - 5.0, 0.0) / 4.0)), event_s=5.0)
    settled = 4.0 * math.log(0.1 / BAND)
    assert m.settling_s == pytest.approx(settled, abs=SCAN_S)
    assert m.time_in_band == pytest.approx(1.0 - settled / 55.0, abs=2e-3)
    assert m.iae_relative_s == pytest.approx(0.4 * (1.0 - math.exp(-55.0 / 4.0)), rel=1e-4)
    assert (m.overshoot, m.undershoot, m.peak_deviation, m.recovery_s) == (0.0, 0.0, 0.0, 0.0)


def twice(t: Any) -> Any:
    """Up by 5 % for 2 s from 10 s on, down by 3 % for 1 s from 30 s on."""
    up = np.where((t > 9.99) & (t < 11.99), 0.05, 0.0)
    return up - np.where((t > 29.99) & (t < 30.99), 0.03, 0.0)


def test_settling_is_the_last_exit_and_not_the_first_entry() -> None:
    m = found(record(twice), event_s=8.0)
    assert m.settling_s == pytest.approx(23.0, abs=1e-9)
    assert (m.overshoot, m.undershoot) == pytest.approx((0.05, 0.03))
    assert m.recovery_s == pytest.approx(21.0, abs=1e-9)
    assert m.peak_time_s == pytest.approx(10.0)
    assert m.time_in_band == pytest.approx(1.0 - 3.0 / 52.0, abs=1e-3)


def test_a_disturbance_counts_at_once_and_recovers_from_its_peak() -> None:
    """A gas step under integral control: a t exp(-t/T), peak a T/e at T."""

    def bump(t: Any) -> Any:
        s = np.maximum(t - 5.0, 0.0)
        return 0.05 * s * np.exp(-s / 2.0)

    m = found(record(bump), event_s=5.0)
    assert m.overshoot == m.peak_deviation == pytest.approx(0.1 / math.e, rel=1e-3)
    assert m.undershoot == 0.0
    assert m.peak_time_s == pytest.approx(7.0, abs=SCAN_S)
    assert m.iae_relative_s == pytest.approx(0.2, rel=1e-3)
    assert 0.05 * m.settling_s * math.exp(-m.settling_s / 2.0) == pytest.approx(BAND, rel=0.03)
    assert m.recovery_s == pytest.approx(m.settling_s - 2.0, abs=2 * SCAN_S)


def test_what_leaves_the_band_again_without_having_crossed_counts() -> None:
    def back(t: Any) -> Any:
        return np.interp(t, [0.0, 5.0, 6.0, 20.0, 25.0, 30.0], [0.5, 0.5, 0.01, 0.01, 0.04, 0.005])

    m = found(record(back), event_s=5.0)
    assert m.overshoot == m.peak_deviation == pytest.approx(0.04)
    assert m.undershoot == 0.0


def test_a_reading_that_jumps_across_the_band_counts_beyond_it() -> None:
    m = found(record(lambda t: np.where(t < 10.0, 0.5, -0.3 * np.exp(-(t - 10.0)))))
    assert (m.overshoot, m.undershoot) == (0.0, pytest.approx(0.3))


def test_a_pressure_that_never_comes_has_no_overshoot_and_says_so() -> None:
    m = found(record(lambda t: -0.1 - 0.01 * t), event_s=5.0)
    assert math.isnan(m.overshoot)
    assert math.isnan(m.undershoot)
    assert m.peak_deviation == pytest.approx(0.7)
    assert m.settling_s == m.recovery_s == math.inf
    assert m.time_in_band == 0.0
    assert [f.subject for f in m.findings] == ["never reached"]
    assert "never came within 2 %" in m.findings[0].text
    broken = verdict(m, Limits(overshoot=0.1, settling_s=20.0))
    assert not broken.holds
    assert "never came to the setpoint; the duty asks for at most 10 %" in broken.reasons[0]
    assert "out of the band at the end" in broken.reasons[1]


def test_what_counts_later_than_the_event() -> None:
    """An override of the speed: its depth is the peak, the loop is judged from its release on."""

    def overridden(t: Any) -> Any:
        return np.where((t >= 10.0) & (t < 20.0), -0.6, 0.0) * 1.0 + np.where(
            t >= 20.0, -0.6 * np.exp(-(t - 20.0)) * np.cos(t - 20.0), 0.0
        )

    m = found(record(overridden), event_s=9.0, counted_from_s=20.0)
    # largest of -exp(-t) cos t beyond its first zero: at t = 3 pi/4
    assert m.overshoot == pytest.approx(0.6 * math.exp(-0.75 * math.pi) / math.sqrt(2.0), rel=3e-3)
    assert m.undershoot == pytest.approx(0.6 * math.exp(-1.75 * math.pi) / math.sqrt(2.0), rel=3e-3)
    assert m.peak_deviation == pytest.approx(0.6)
    assert m.peak_time_s == pytest.approx(10.0)
    assert m.recovery_s == pytest.approx(m.settling_s + 10.0)


def test_a_setpoint_that_moves_is_what_the_reading_is_compared_with() -> None:
    trace = record(lambda t: 0.01 * t)
    moving = SETPOINT_PA * (1.0 + 0.01 * trace.time_s)
    m = metrics(trace, moving, BAND, PLAIN)
    assert (m.overshoot, m.undershoot, m.iae_relative_s) == pytest.approx((0, 0, 0), abs=1e-12)


# Drive


def test_travel_and_reversals_of_a_triangle() -> None:
    """0.4 to 0.6 and back in 10 s: 0.04 a second, 144 rated speeds an hour; 2 turns each 10 s."""
    m = found(record(speed=lambda t: 0.4 + 0.2 * np.abs((t / 5.0 + 1.0) % 2.0 - 1.0)))
    assert m.drive_travel_per_h == pytest.approx(144.0)
    assert m.reversals_per_h == pytest.approx(11 * 60.0)


def test_movements_within_one_step_of_the_drive_are_no_reversals() -> None:
    def flicker(t: Any) -> Any:
        return 0.5 + 0.004 * (np.round(t / SCAN_S) % 2)

    assert found(record(speed=flicker)).reversals_per_h > 1000.0
    drive = PLAIN.drive.model_copy(update={"resolution": 0.004})
    coarse = PLAIN.model_copy(update={"drive": drive})
    assert found(record(speed=flicker), system=coarse).reversals_per_h == 0.0


@pytest.mark.parametrize(
    ("values", "least", "turns"),
    [
        ([0, 1, 2, 3], 0.1, 0),
        ([0, 1, 0, 1], 0.1, 2),
        ([0, 1, 0.95, 2, 0], 0.1, 1),
        ([0, 1, 0.5, 0.4, 0.9], 0.45, 2),
        ([0, 0.05, 0, 0.05, 0], 0.1, 0),
        ([1, 1, 1], 0.1, 0),
        ([0, -1, -1, 0, -1], 0.5, 2),
    ],
)
def test_turning_points(values: list[float], least: float, turns: int) -> None:
    assert turning_points(np.array(values, dtype=float), least) == turns


def plant(**drive: Any) -> System:
    changed = {"rise_time_s": 30.0, "fall_time_s": 60.0, "second_ramp_s": 0.0, "lag_s": 0.0}
    return PLAIN.model_copy(update={"drive": PLAIN.drive.model_copy(update={**changed, **drive})})


def up_and_down(t: Any) -> Any:
    """Up by 0.3 in 9 s from 10 s on, down again in 18 s from 30 s on."""
    return np.interp(t, [0.0, 10.0, 19.0, 30.0, 48.0], [0.5, 0.5, 0.8, 0.8, 0.5])


def test_time_on_both_ramps() -> None:
    """30 s up and 60 s down for full scale: 0.3 take 9 s and 18 s."""
    trace = record(speed=up_and_down)
    assert found(trace, system=plant()).time_on_ramp_s == pytest.approx(27.0)
    assert found(trace, system=plant(lag_s=0.5)).time_on_ramp_s == pytest.approx(27.0)
    assert found(trace, system=plant(), event_s=30.0).time_on_ramp_s == pytest.approx(18.0)
    slower = plant(rise_time_s=20.0, fall_time_s=0.0)
    assert found(trace, system=slower).time_on_ramp_s == pytest.approx(6.0)
    assert found(trace, system=plant(rise_time_s=20.0, lag_s=0.5)).time_on_ramp_s == pytest.approx(
        18.0
    )


def test_a_second_ramp_counts_as_well() -> None:
    trace = record(command=up_and_down)
    assert found(trace, system=plant(second_ramp_s=30.0)).time_on_ramp_s == pytest.approx(9.0)
    share = ramp_share(trace, plant(second_ramp_s=30.0).drive)
    assert share.max() == 1.0
    assert share[: int(9.5 / SCAN_S)].max() == 0.0


def test_time_on_limits_in_automatic_alone() -> None:
    def output(t: Any) -> Any:
        return np.where(t < 10.0, 1.0, np.where(t < 25.0, 0.2, 0.5))

    def held(t: Any) -> Any:
        return np.where(t < 4.0, 1.0, 0.0)

    trace = record(output=output, held=held)
    assert found(trace).time_on_limits_s == pytest.approx(6.0 + 15.0)
    low, high = at_limits(trace, PLAIN.drive)
    assert low.sum() * SCAN_S == pytest.approx(15.0)
    assert high.sum() * SCAN_S == pytest.approx(6.0)
    bad = record(output=output, bad=held)
    assert found(bad).time_on_limits_s == pytest.approx(21.0)
    # a drive that is narrower than the controller's output
    narrow = plant(minimum_speed=0.5)
    assert found(record(), system=narrow).time_on_limits_s == pytest.approx(60.0)


def test_the_largest_difference_across_the_booster_and_when() -> None:
    system = cc.load("preset:crystal-furnace").system
    names = [f"p_{name}_pa" for name in ("pump_inlet", "interstage")]
    pressures = {
        names[0]: lambda t: np.full(t.size, 1000.0),
        names[1]: lambda t: 4000.0 + 1000.0 * np.exp(-((t - 20.0) ** 2)),
    }
    m = found(record(**pressures), system=system)
    assert m.largest_booster_difference_pa == pytest.approx(4000.0)
    assert m.booster_difference_time_s == pytest.approx(20.0)
    assert math.isnan(found(record()).largest_booster_difference_pa)


# Limit cycles


@pytest.mark.parametrize("amplitude", [2e-4, 0.03])
@pytest.mark.parametrize("period", [2.9, 7.3])
def test_a_sine_is_a_limit_cycle_with_its_period_and_amplitude(
    amplitude: float, period: float
) -> None:
    m = found(record(lambda t: 0.01 + amplitude * np.sin(2.0 * np.pi * t / period)))
    assert m.limit_cycle is not None
    assert m.limit_cycle.period_s == pytest.approx(period, rel=1e-3)
    assert m.limit_cycle.amplitude == pytest.approx(amplitude, rel=0.02)
    assert not m.limit_cycle.grows


def test_a_square_wave_is_a_limit_cycle() -> None:
    m = found(record(lambda t: np.where(t % 6.0 < 2.5, 0.01, -0.01)))
    assert m.limit_cycle is not None
    assert m.limit_cycle.period_s == pytest.approx(6.0, abs=SCAN_S)
    assert m.limit_cycle.amplitude == pytest.approx(0.01, rel=1e-6)


def test_a_growing_oscillation_grows() -> None:
    m = found(record(lambda t: 1e-3 * np.exp(0.05 * t) * np.sin(t)))
    assert m.limit_cycle is not None
    assert m.limit_cycle.grows


@pytest.mark.parametrize(
    "relative",
    [
        lambda t: np.zeros(t.size),
        lambda t: 5e-5 * np.sin(t),
        lambda t: 0.1 * np.exp(-0.05 * t) * np.sin(3.0 * t),
        lambda t: 0.01 * t,
        lambda t: np.where(t < 45.0, 0.02 * np.sin(3.0 * t), 0.0),
        lambda t: 0.02 * np.sin(2.0 * np.pi * t / 25.0),
    ],
    ids=["nothing", "too small", "dies out", "drifts", "stops", "too slow to tell"],
)
def test_what_is_no_limit_cycle(relative: Any) -> None:
    assert found(record(relative)).limit_cycle is None


@pytest.mark.parametrize("memory", [0.0, 0.9, 0.98])
def test_noise_is_no_limit_cycle(memory: float) -> None:
    time = np.arange(1200) * SCAN_S
    for seed in range(50):
        white = np.random.default_rng(seed).standard_normal(time.size)
        noise = np.zeros(time.size)
        for k in range(1, time.size):
            noise[k] = memory * noise[k - 1] + 0.01 * white[k]
        assert limit_cycle(time, noise) is None, seed


def test_only_the_last_half_after_all_has_happened_is_searched() -> None:
    def late(t: Any) -> Any:
        return np.where(t > 40.0, 0.02 * np.sin(3.0 * (t - 40.0)), 0.0)

    cycle = found(record(late), settled_s=20.0).limit_cycle
    assert cycle is not None
    assert cycle.period_s == pytest.approx(2.0 * math.pi / 3.0, rel=1e-3)
    assert found(record(late, length_s=42.0), settled_s=20.0).limit_cycle is None
    assert found(record(lambda t: late(60.0 - t)), settled_s=20.0).limit_cycle is None


# Records with gaps


@pytest.mark.parametrize("column", ["indicated_pa", "speed"])
def test_a_record_with_a_gap_has_no_metrics_and_says_where(column: str) -> None:
    trace = record(lambda t: 0.03 * np.sin(t))
    trace.columns[column][400] = math.nan
    m = found(trace)
    assert not m.complete
    numbers = [value for value in vars(m).values() if isinstance(value, float)]
    assert len(numbers) == 14
    assert all(math.isnan(value) for value in numbers)
    assert m.limit_cycle is None
    assert [(f.severity, f.subject) for f in m.findings] == [("no", "metrics")]
    assert "no values at 20 s" in m.findings[0].text
    answer = verdict(m, Limits())
    assert not answer.holds
    assert "incomplete" in answer.reasons[0]


def test_a_run_that_could_not_go_on_is_incomplete() -> None:
    assert not found(record(complete=False)).complete
    short = record(length_s=0.0)
    assert not found(short).complete


# Verdict

GIVEN = {
    "overshoot": 0.05, "undershoot": 0.03, "peak_deviation": 0.05, "settling_s": 23.0,
    "recovery_s": 21.0, "time_in_band": 981 / 1041, "drive_travel_per_h": 5.0,
}  # fmt: skip


def test_nothing_is_judged_that_the_duty_does_not_ask_for() -> None:
    answer = verdict(found(record(lambda t: 0.5 * np.sin(t))), STUDY.duty.limits)
    assert (answer.holds, answer.judged, answer.reasons) == (True, (), ())


@pytest.mark.parametrize("name", sorted(GIVEN))
def test_each_limit_is_judged_against_its_own_metric(name: str) -> None:
    m = replace(found(record(twice), event_s=8.0), drive_travel_per_h=5.0)
    small = -1e-6 if name == "time_in_band" else 1e-6
    kept = verdict(m, Limits(**{name: GIVEN[name] + small}))
    assert kept.holds
    assert kept.judged == (LIMITS[name].name,)
    broken = verdict(m, Limits(**{name: GIVEN[name] - 2000.0 * small}))
    assert not broken.holds
    assert len(broken.reasons) == 1
    assert tuple(broken.broken) == broken.judged
    assert broken.reasons[0].lower().startswith(LIMITS[name].name)
    assert ("at least" if name == "time_in_band" else "at most") in broken.reasons[0]


def test_the_booster_is_judged_where_there_is_one() -> None:
    limits = Limits(booster_difference_pa=3000.0)
    assert verdict(found(record()), limits).judged == ()
    m = replace(found(record()), largest_booster_difference_pa=4000.0)
    assert verdict(m, limits).reasons == (
        "Pressure difference across the booster 40 mbar; the duty asks for at most 30 mbar.",
    )


# Scenarios


def test_a_scenario_carries_its_metrics_and_a_verdict_by_the_duty() -> None:
    run = simulate(STUDY, rule_tuning(STUDY), "setpoint-step-down")
    assert run.verdict.judged == ()
    asked = STUDY.with_text({"duty.limits.undershoot": "1 %", "duty.limits.settling": "1 h"})
    judged_run = simulate(asked, rule_tuning(asked), "setpoint-step-down")
    assert judged_run.metrics == run.metrics
    assert judged_run.verdict.judged == ("undershoot", "settling time")
    assert not judged_run.verdict.holds
    shown = f"{100 * run.metrics.undershoot:.4g} % of setpoint; the duty asks for at most 1 %"
    assert shown in judged_run.verdict.reasons[0]
    assert run.metrics.undershoot == pytest.approx(
        1.0 - (run.trace.columns["indicated_pa"] / run.trace.setpoint_pa)[100:].min()
    )


def test_a_wrong_action_is_shown_and_not_judged() -> None:
    asked = STUDY.with_text({"duty.limits.settling": "1 min"})
    run = simulate(asked, rule_tuning(asked), "wrong-sense")
    assert run.metrics.settling_s == math.inf
    assert (run.verdict.holds, run.verdict.judged) == (True, ())


def test_during_a_fault_of_the_gauge_the_pressure_it_would_show_is_judged() -> None:
    undetected = {"scenario.gauge_fault.detected": "none", "duty.limits.peak_deviation": "10 %"}
    faulty_study = STUDY.with_text(undetected)
    run = simulate(faulty_study, rule_tuning(faulty_study), "gauge-fault-zero")
    trace, faulty = run.trace, run.trace.columns["indicated_pa"] == 0.0
    assert faulty.sum() > 1000
    watched = watched_pressure(run.prepared, trace)
    assert np.array_equal(watched[~faulty], trace.columns["indicated_pa"][~faulty])
    assert watched[faulty] == pytest.approx(trace.columns["gauge_pa"][faulty])
    assert run.metrics.peak_deviation == pytest.approx(
        np.abs(watched / trace.setpoint_pa - 1.0).max()
    )
    assert run.metrics.overshoot > 0.1
    assert not judged(
        replace(run.prepared, gauge=run.prepared.gauge.model_copy(update={"fails_to": "zero"})),
        run.metrics,
    ).holds
    other = run.prepared.gauge.model_copy(update={"fails_to": "full scale"})
    assert judged(replace(run.prepared, gauge=other), run.metrics).judged == ()


def test_an_oscillation_is_said_in_words() -> None:
    m = found(record(lambda t: 0.03 * np.sin(2.0 * np.pi * t / 5.0)))
    said = measured_findings(m, BAND, 100.0)
    assert [(f.severity, f.subject) for f in said] == [("caution", "limit cycle")]
    assert "period 5 s, amplitude 3 % of setpoint" in said[0].text
    assert measured_findings(m, 0.05, 100.0)[0].severity == "note"
    assert measured_findings(found(record()), BAND, 100.0) == ()


def test_gains_that_are_far_too_high_are_found_to_oscillate() -> None:
    """The reference plant with thirty times its gain: limits make the instability a limit cycle."""
    tuning = rule_tuning(STUDY)
    point = tuning.points[0].point
    wild = replace(tuning.settings, kc=30.0 * tuning.settings.kc)
    run = simulate(STUDY, wild, "setpoint-step-down", point=point)
    assert run.metrics.limit_cycle is not None
    assert run.metrics.limit_cycle.amplitude > 0.02
    assert "limit cycle" in [f.subject for f in run.findings]
    calm = simulate(STUDY, tuning, "setpoint-step-down", point=point)
    assert calm.metrics.limit_cycle is None
    assert measured(calm.prepared, calm.trace) == calm.metrics


def test_the_page_on_metrics_names_every_one_with_its_formula() -> None:
    """Each field of the metrics, of a limit cycle and each limit of the duty has a row."""
    text = (CHECKOUT / "docs" / "reference" / "metrics.md").read_text(encoding="utf-8")
    rows = set(re.findall(r"^\| `([a-z_]+)` \|", text, flags=re.MULTILINE))
    names = {*Metrics.__dataclass_fields__, *LimitCycle.__dataclass_fields__}
    assert names <= rows
    keys = {name.removesuffix("_s").removesuffix("_pa") for name in LIMITS}
    assert keys <= set(re.findall(r"^\| `([a-z_]+)` \|", text[text.index("## Verdict") :], re.M))
