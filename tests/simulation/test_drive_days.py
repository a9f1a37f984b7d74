"""Days on which the drive decides: ramps, bands to avoid, a power dip, standstill."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from chamberctl.simulation.engine import PowerDip
from chamberctl.simulation.scenarios import simulate
from tests.simulation.tried import (
    CALM,
    at,
    furnace,
    output_of,
    point_of,
    reference,
    speed_of,
    texts,
    tried,
    tuned_furnace,
)


def test_both_ramps_of_the_drive_are_obeyed() -> None:
    """A14: 30 s up, 60 s down: a step of the setpoint runs into both."""
    settings = replace(CALM, kc=8.0 * CALM.kc)
    changes = {"system__drive__fall_time": "60 s", "duty__setpoint_step": "60 %"}
    runs = [tried(name, settings, **changes) for name in ("setpoint-step-up", "setpoint-step-down")]
    rates = np.concatenate([np.diff(speed_of(run)) / 0.1 for run in runs])
    assert rates.max() == pytest.approx(1.0 / 30.0)
    assert rates.min() == pytest.approx(-1.0 / 60.0)


def test_a_band_to_avoid_makes_the_loop_hunt_between_its_edges() -> None:
    """A15: 25 Hz lies in 23 to 27 Hz: at rest its edges hold 250/46 = 5.435, 250/54 = 4.63 mbar."""
    run = tried("gas-burst", system__drive__avoid_bands=(("23 Hz", "27 Hz"),),
                scenario__gas_burst__size="0 %", scenario__tail="10 min")  # fmt: skip
    said = texts(run, "band to avoid")
    assert "5.435 mbar" in said
    assert "4.63 mbar" in said
    late = run.trace.time_s > 400.0
    command, shown = run.trace.columns["command"][late], run.trace.columns["indicated_pa"][late]
    assert not np.any((command > 0.46 + 1e-12) & (command < 0.54 - 1e-12))
    assert command.min() < 0.5 < command.max()
    half = 0.5 * float(np.ptp(shown))
    assert 5.0 < half < 0.5 * (543.5 - 463.0)
    assert "Hunting" in texts(run, "hunting")
    assert "mbar" in texts(run, "hunting")


def test_a_drive_without_power_coasts_and_comes_back_with_its_ramp() -> None:
    run = tried(
        "power-dip", scenario__power_dip__lasts="2 s", scenario__power_dip__coast_time="25 s"
    )
    speed = speed_of(run)
    assert run.prepared.happenings.power_dip == PowerDip(10.0, 12.0, 25.0)
    assert speed[at(run, 12.0)] == pytest.approx(0.5 - 2.0 / 25.0)
    assert output_of(run)[at(run, 11.9)] == pytest.approx(0.5)
    assert np.diff(speed).max() / 0.1 == pytest.approx(1.0 / 30.0)
    assert np.diff(speed).min() / 0.1 == pytest.approx(-1.0 / 25.0)
    acting = tried("power-dip", scenario__power_dip__lasts="2 s",
                   scenario__power_dip__command="as the loop says")  # fmt: skip
    assert not acting.trace.held.any()
    assert output_of(acting)[at(acting, 12.0)] > 0.5


def test_a_band_that_the_loop_is_led_into_is_hunted_around_and_one_beside_it_is_not() -> None:
    bands = (("28 Hz", "32 Hz"),)
    into = tried("gas-step", system__drive__avoid_bands=bands, scenario__tail="5 min")
    assert "leaps over it" in texts(into, "hunting")
    beside = tried("gas-step", system__drive__avoid_bands=(("40 Hz", "45 Hz"),))
    assert not texts(beside, "hunting")


def test_a_gauge_at_its_end_is_named() -> None:
    run = tried("venting-leak", scenario__venting_leak__to="1e5 mbar L/s")
    when = run.trace.time_s[np.argmax(run.trace.columns["indicated_pa"] >= 1e4 * (1 - 1e-6))]
    assert f"From {when:.4g} s the pressure is beyond the range" in texts(run, "gauge range")
    assert not texts(tried("pump-down"), "gauge range")
    assert not texts(tried("gas-step"), "gauge range")


def test_a_drive_that_noise_and_absurd_gain_drive_from_end_to_end_is_named() -> None:
    noisy = reference(("system.gauge[0].noise", "0.2 %"))
    for kc, is_restless in ((1e6 * CALM.kc, True), (CALM.kc, False)):
        run = simulate(noisy, replace(CALM, kc=kc), "gas-step", point=point_of(noisy), seed=1)
        said = texts(run, "restless drive") or texts(run, "limit cycle")
        assert bool(said) == is_restless


def test_pumps_that_come_to_a_standstill_end_the_run_with_the_reason() -> None:
    """Slip that grows as speed falls has no end there; without slip there is nothing to miss."""
    settings, point = tuned_furnace()
    run = simulate(furnace(("scenario.power_dip.lasts", "1 min")), settings, "power-dip",
                   point=point)  # fmt: skip
    assert not run.trace.complete
    last = run.trace.time_s[np.isfinite(run.trace.pressure_pa)][-1]
    assert f"could not go on behind {last:.4g} s" in texts(run, "run")
    assert "pumps that stand still is not known" in texts(run, "run")
    ideal = tried("power-dip", scenario__power_dip__lasts="1 min")
    assert ideal.trace.complete
    assert speed_of(ideal).min() == 0.0
