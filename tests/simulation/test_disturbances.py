"""Gas that steps, bursts and leaks in, and a line that clogs, as described."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from chamberctl.errors import InputError
from chamberctl.simulation.scenarios import simulate
from tests.simulation.tried import (
    CALM,
    at,
    furnace,
    output_of,
    texts,
    tried,
    tuned_furnace,
)


def test_the_gas_steps_by_the_duty_and_only_what_is_metered() -> None:
    run = tried("gas-step", system__gas_load__leak="50 mbar L/s")
    load = run.trace.columns["gas_load_pa_m3_s"]
    assert load[at(run, 9.9)] == pytest.approx(25.0)
    assert load[at(run, 10.0)] == pytest.approx(25.0 + 0.2 * 20.0)


def test_feed_forward_with_a_wrong_pumping_speed_and_without_it_both_show() -> None:
    """A20: speed 0.5, gas +20 %, pumping speed believed 20 % too high: 0.5 x 0.2/1.2 at once."""
    without, helped = tried("gas-step"), tried("gas-step-feed-forward")
    move = 0.5 * 0.2 / 1.2
    place = at(helped, 10.0)
    assert output_of(helped)[place] - output_of(helped)[place - 1] == pytest.approx(move, rel=1e-6)
    assert f"{100 * move:.3g} %" in texts(helped, "feed-forward")
    peaks = [np.max(np.abs(run.trace.pressure_pa / 500.0 - 1.0)) for run in (without, helped)]
    assert 0.0 < peaks[1] < peaks[0]
    assert [run.metrics.peak_deviation for run in (without, helped)] == pytest.approx(peaks)
    for run in (without, helped):
        assert run.trace.pressure_pa[-1] == pytest.approx(500.0, rel=1e-3)


def test_a_burst_decays_exponentially() -> None:
    run = tried("gas-burst", scenario__gas_burst__size="40 %", scenario__gas_burst__decay="20 s")
    time, load = run.trace.time_s, run.trace.columns["gas_load_pa_m3_s"]
    falling = (time >= 10.0) & (time < 10.0 + 8.0 * 20.0)
    wanted = 25.0 * (1.0 + 0.4 * np.exp(-(time[falling] - 10.0) / 20.0))
    assert load[falling] == pytest.approx(wanted, rel=2e-4)
    assert load[-1] == pytest.approx(25.0)


def test_a_leak_grows_straight_and_a_hopeless_one_is_named() -> None:
    run = tried("venting-leak", scenario__venting_leak__to="400 mbar L/s")
    load = run.trace.columns["gas_load_pa_m3_s"]
    assert load[at(run, 160.0)] == pytest.approx(25.0 + 20.0)
    assert load[-1] == pytest.approx(65.0)
    assert "No gain helps" in texts(run, "outside the window")
    assert run.trace.pressure_pa[-1] == pytest.approx(650.0, rel=1e-3)


def test_a_chamber_above_atmosphere_is_named_with_when_and_how_far() -> None:
    run = tried("venting-leak", scenario__venting_leak__to="1e6 mbar L/s")
    said = texts(run, "overpressure")
    when = float(run.trace.time_s[np.argmax(run.trace.pressure_pa > 101325.0)])
    assert f"From {when:.4g} s the chamber is above atmosphere" in said
    for name in ("venting-leak", "pump-down"):
        assert not texts(tried(name), "overpressure")
    begun = tried("pump-down", scenario__pump_down__start_pressure="1100 mbar")
    assert not texts(begun, "overpressure")


def test_a_run_too_short_to_show_what_becomes_of_it_says_so() -> None:
    """With far too much gain the loop swings, but too seldom within the usual time to be sure."""
    wild = replace(CALM, kc=100.0 * CALM.kc, ti_s=2.0)
    short = tried("gas-step", wild)
    assert short.metrics.limit_cycle is None
    assert "A longer scenario.tail shows it" in texts(short, "not settled")
    assert "watched for 100 s" in texts(short, "not settled")
    whole = tried("gas-step", wild, scenario__tail="10 min")
    assert whole.metrics.limit_cycle is not None
    assert not texts(whole, "not settled")
    assert not texts(tried("gas-step"), "not settled")
    # it is known already that the setpoint cannot be held
    hopeless = tried("venting-leak", scenario__venting_leak__to="400 mbar L/s")
    assert math.isinf(hopeless.metrics.settling_s)
    assert not texts(hopeless, "not settled")


def test_integral_action_that_is_turned_off_by_a_huge_time_is_watched_for_a_day() -> None:
    run = tried("gas-step", replace(CALM, ti_s=1e9, scan_time_s=1.0))
    assert run.trace.time_s[-1] == pytest.approx(10.0 + 86400.0)


def test_a_clogging_line_takes_more_speed_and_the_part_may_be_named() -> None:
    settings, point = tuned_furnace()
    run = simulate(furnace(), settings, "clogging-line", point=point)
    assert "dust filter" in texts(run, "clogging")
    assert run.trace.columns["openness"][-1] == pytest.approx(0.5)
    assert output_of(run)[-1] > point.speed + 0.002
    named = furnace(
        ("scenario.clogging_line.part", "exhaust line"), ("scenario.clogging_line.left", "1 %")
    )
    worse = simulate(named, settings, "clogging-line", point=point)
    assert "exhaust line" in texts(worse, "clogging")
    assert output_of(worse)[-1] == pytest.approx(1.0)
    assert "no gain helps" in texts(worse, "outside the window")
    with pytest.raises(InputError, match="'exhaust line', 'dust filter'"):
        simulate(
            furnace(("scenario.clogging_line.part", "hose")), settings, "clogging-line", point=point
        )
