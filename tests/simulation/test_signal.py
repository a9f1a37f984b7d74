"""The gauge's signal: range, counts, gas factor, heated head, noise; and when it is taken."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

import chamberctl as cc
from chamberctl.physics.instruments import count_size
from chamberctl.physics.transpiration import transpiration_ratio
from chamberctl.simulation.advance import course, lagged
from chamberctl.simulation.engine import simulate_loop
from chamberctl.simulation.happenings import Happenings, Start
from chamberctl.simulation.prepared import corners, memory_at
from chamberctl.simulation.signal import GaugeNumbers, reading, signal_pa
from chamberctl.simulation.stepping import GAMMA

PRESSURE = st.floats(1e-3, 1e6)


def gauge(**changes: Any) -> GaugeNumbers:
    plain = GaugeNumbers(0, 0.0, 0.1, 1e4, False, 0.0, 0.0, 293.15, 0.002, 1.8e-5, 420.0, 0.1, True)
    return plain._replace(**changes)


@given(PRESSURE)
def test_within_its_range_a_plain_gauge_shows_the_pressure(pressure: float) -> None:
    shown = signal_pa(pressure, 0.0, 1.0, gauge())
    assert shown == min(max(pressure, 0.1), 1e4)


@given(st.floats(0.2, 9e3), st.sampled_from([8, 12, 16]))
def test_linear_counts(pressure: float, bits: int) -> None:
    steps = 2.0**bits - 1.0
    shown = signal_pa(pressure, 0.0, 1.0, gauge(steps=steps))
    assert abs(shown - pressure) <= 0.5 * 1e4 / steps * (1.0 + 1e-9)
    assert shown * steps / 1e4 == pytest.approx(round(shown * steps / 1e4), abs=1e-6)


@given(st.floats(0.2, 9e3), st.sampled_from([8, 12, 16]))
def test_logarithmic_counts_are_the_same_share_everywhere(pressure: float, bits: int) -> None:
    steps = 2.0**bits - 1.0
    shown = signal_pa(pressure, 0.0, 1.0, gauge(steps=steps, log_signal=True))
    share = float(count_size(pressure, 0.1, 1e4, bits, "log"))
    assert abs(math.log(shown / pressure)) <= 0.5 * math.log1p(share) * (1.0 + 1e-6)


def test_gas_factor_and_noise_and_heated_head_multiply() -> None:
    assert signal_pa(170.0, 0.0, 1.7, gauge()) == pytest.approx(100.0)
    assert signal_pa(100.0, 0.01, 1.0, gauge()) == pytest.approx(101.0)
    head = gauge(head_k=318.15, chamber_k=296.15)
    ratio = transpiration_ratio(1.0, 318.15, 296.15, 0.002, 1.8e-5, 420.0)
    assert signal_pa(1.0, 0.0, 1.0, head) == pytest.approx(float(ratio))


@pytest.mark.parametrize("log_signal", [False, True])
@pytest.mark.parametrize("factor", [0.0, math.nan])
def test_what_is_no_number_stays_none(factor: float, log_signal: bool) -> None:
    with np.errstate(divide="ignore"):
        shown = signal_pa(np.float64(5.0), 0.0, factor, gauge(steps=255.0, log_signal=log_signal))
    assert math.isnan(shown)
    assert math.isnan(reading(shown, gauge()))
    assert math.isnan(reading(shown, gauge(log_reading=False)))


def test_the_reading_is_floored_before_the_logarithm() -> None:
    assert reading(0.0, gauge()) == -1.0
    assert reading(100.0, gauge()) == pytest.approx(2.0)
    assert reading(0.0, gauge(log_reading=False)) == 0.0


@pytest.mark.parametrize("lag_s", [0.003, 0.1, 5.0])
def test_the_lag_is_exact_for_a_parabola(lag_s: float) -> None:
    h, curve = 0.2, (300.0, -900.0, 2500.0)

    def pressure(t: float) -> float:
        return curve[0] + curve[1] * t + curve[2] * t * t

    found = solve_ivp(lambda t, r: (pressure(t) - r) / lag_s, (0.0, h), [280.0], method="LSODA",
                      rtol=1e-11, atol=1e-9, t_eval=[0.3 * h, h])  # fmt: skip
    for share, there in ((0.3, found.y[0, 0]), (1.0, found.y[0, 1])):
        ours = lagged(280.0, pressure(0.0), pressure(0.5 * h), pressure(h), share, h, lag_s)
        assert ours == pytest.approx(there, rel=1e-8)


@pytest.mark.parametrize("share", [0.0, 0.3, GAMMA, 1.0])
def test_a_parabola_is_known_on_the_way_through_a_step(share: float) -> None:
    start, slope, bend = 5.0, -0.4, 0.7  # over one step
    stages = slope + 2.0 * bend * GAMMA, slope + 2.0 * bend
    end = start + (1.0 - GAMMA) * stages[0] + GAMMA * stages[1]
    found = course(start, start + GAMMA * stages[0], end, share)
    assert found == pytest.approx(start + slope * share + bend * share * share, rel=1e-12)


# --- in a run


def run_with(seed: int | None = None, **changes: Any) -> Any:
    """The reference plant at rest, then emptied of gas, read by a changed gauge."""
    study = cc.load("preset:reference-plant")
    point = cc.operating_point(study.system, pressure_pa=500.0, gas_load_pa_m3_s=25.0)
    settings = cc.PidSettings(kc=0.0001, scan_time_s=0.1, output_min=0.2)
    load = corners((0.0, 25.0), (5.0, 25.0), (5.0, 10.0))
    changed = study.loop_gauge().model_copy(update=changes)
    start = Start(np.array(point.node_pressures_pa), point.speed, memory_at(point.speed))
    happenings = Happenings(30.0, np.array([500.0]), load)
    return simulate_loop(study.system, changed, settings, start, happenings, seed=seed)


def test_dead_time_and_update_period_show_older_values() -> None:
    """Every value read is the newest multiple of the period, not younger than the dead time."""
    plain = run_with()
    late = run_with(dead_time_s=0.7)
    assert late.columns["indicated_pa"][107:] == pytest.approx(
        plain.columns["gauge_pa"][100:-7], rel=1e-5
    )
    seldom = run_with(update_period_s=0.5, dead_time_s=0.2)
    shown = seldom.columns["indicated_pa"]
    for k in (61, 62, 63, 64, 65, 66):
        taken = round((math.floor((0.1 * k - 0.2) / 0.5 + 1e-9) * 0.5) / 0.1)
        assert shown[k] == pytest.approx(plain.columns["gauge_pa"][taken], rel=1e-5)


def while_gas_rises(scan_time_s: float, delay_s: float, **changes: Any) -> Any:
    """The reference plant at a held speed, with gas that rises all along, for 13 s."""
    study = cc.load("preset:reference-plant")
    point = cc.operating_point(study.system, pressure_pa=500.0, gas_load_pa_m3_s=25.0)
    settings = cc.PidSettings(
        kc=1e-4, scan_time_s=scan_time_s, computation_delay_s=delay_s, output_min=0.2
    )
    plain = study.loop_gauge().model_copy(
        update={"bits": None, "lag_s": 0.0, "dead_time_s": 0.0, **changes}
    )
    drive = study.system.drive.model_copy(update={"dead_time_s": 0.0})
    system = study.system.model_copy(update={"drive": drive})
    start = Start(np.array(point.node_pressures_pa), point.speed, memory_at(point.speed))
    happenings = Happenings(
        13.0, np.array([500.0]), corners((0.0, 25.0), (100.0, 2500.0)),
        held=np.array([True]), applied=np.array([point.speed]),
    )  # fmt: skip
    return simulate_loop(system, plain, settings, start, happenings, ideal=True, tolerance=1e-9)


@pytest.mark.parametrize("delay_s", [0.0, 0.3, 0.9, 1.0, 2.9])
@pytest.mark.parametrize("period_s", [0.3, 0.4, 0.6, 0.7, 0.75, 1.5, 2.0])
def test_every_value_is_read_when_the_gauge_sends_it(period_s: float, delay_s: float) -> None:
    """Whatever else falls between two scans, and on them."""
    run = while_gas_rises(1.0, delay_s, update_period_s=period_s)
    closely = while_gas_rises(0.05, 0.0)
    taken_s = np.floor(run.time_s / period_s + 1e-9) * period_s
    true_pa = np.exp(np.interp(taken_s, closely.time_s, np.log(closely.columns["gauge_pa"])))
    assert run.columns["indicated_pa"] == pytest.approx(true_pa, rel=3e-4)


def test_noise_has_the_stated_size_and_is_white() -> None:
    trace = run_with(noise=0.01, seed=4)
    quiet = run_with()
    deviation = trace.columns["indicated_pa"] / quiet.columns["indicated_pa"] - 1.0
    assert np.std(deviation) == pytest.approx(0.01, rel=0.15)
    assert abs(np.mean(deviation)) < 0.002
    assert abs(np.corrcoef(deviation[1:], deviation[:-1])[0, 1]) < 0.15


def test_a_reading_beyond_the_range_stays_at_its_end() -> None:
    trace = run_with(range_low_pa=400.0)
    assert trace.columns["indicated_pa"].min() == 400.0
    assert trace.columns["gauge_pa"].min() < 400.0
    high = run_with(range_high_pa=450.0)
    assert high.columns["indicated_pa"].max() == 450.0
