"""The simulated relay test against the exact limit cycle, and what it gets wrong."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from chamberctl.control.relay import relay_test
from chamberctl.errors import Infeasible
from tests import reference
from tests.control.loops import plant, settings
from tests.validation import Validation

CYCLES = reference.load("control/relay_limit_cycle")
PRINTED = 1e-8


@pytest.mark.parametrize("row", CYCLES.rows, ids=lambda row: f"{row['T']:g}-{row['L']:g}")
def test_limit_cycle_of_a_lag_with_dead_time(row: dict[str, Any], validation: Validation) -> None:
    model = plant([row["K"]], [row["T"], 1.0], row["L"])
    # the table's relay pushes the reading up, ours pushes it down: outputs change places
    found = relay_test(model, settings(1.0), row["mu"], hysteresis=row["eps"], bias=-row["mu0"])
    for quantity, wanted, got in (
        ("upper amplitude", row["A_up"], found.high),
        ("lower amplitude", row["A_down"], found.low),
        ("first half period", row["T1"], found.low_output_s),
        ("second half period", row["T2"], found.high_output_s),
        ("period", row["period"], found.period_s),
        ("Ku by the describing function", row["Ku_df"], found.estimate.gain),
        ("exact Ku", row["Ku_exact"], found.exact.gain),
        ("exact Tu", row["Tu_exact"], found.exact.period_s),
    ):
        validation.check(CYCLES, f"relay: {quantity}", wanted, got, rel=PRINTED)
    validation.check(CYCLES, "relay: error of Ku", row["Ku_df_error"], found.gain_error, abs=1e-8)
    validation.check(CYCLES, "relay: error of Tu", row["Tu_error"], found.period_error, abs=1e-8)


def test_many_lags_look_like_a_sine_and_the_estimate_is_good() -> None:
    """Behind five equal lags the square wave is a sine: ultimate gain and period within 2 %."""
    lags = np.poly([-1.0] * 5).tolist()
    found = relay_test(plant([1.0], lags, 0.5), settings(1.0))
    assert abs(found.gain_error) < 0.02
    assert abs(found.period_error) < 0.01
    assert found.high == pytest.approx(-found.low, rel=1e-6)
    assert found.high_output_s == pytest.approx(found.low_output_s, rel=1e-6)


def test_the_swing_grows_with_the_relay_and_the_conclusion_does_not() -> None:
    model = plant([2.0], [8.0, 1.0], 1.5)
    small, large = (relay_test(model, settings(1.0), size) for size in (0.01, 0.05))
    assert large.high == pytest.approx(5.0 * small.high, rel=1e-6)
    assert large.estimate.gain == pytest.approx(small.estimate.gain, rel=1e-6)


def test_a_relay_that_looks_once_a_scan_finds_the_same_with_a_short_scan() -> None:
    model = plant([1.0], [10.0, 1.0], 2.0)
    at_once = relay_test(model, settings(1.0))
    sampled = relay_test(model, settings(1.0, scan_time_s=0.01))
    assert sampled.estimate.gain == pytest.approx(at_once.estimate.gain, rel=0.01)
    assert sampled.period_s == pytest.approx(at_once.period_s, rel=0.01)
    # a slow scan with a scan of computation waits longer, and swings wider
    slow = relay_test(model, settings(1.0, scan_time_s=0.5, computation_delay_s=None))
    assert slow.high > 1.3 * at_once.high
    assert slow.period_s > 1.2 * at_once.period_s


def test_hysteresis_delays_the_switching() -> None:
    model = plant([1.0], [10.0, 1.0], 2.0)
    plain = relay_test(model, settings(1.0), 0.05)
    wide = relay_test(model, settings(1.0), 0.05, hysteresis=0.5 * plain.high)
    assert wide.period_s > 1.4 * plain.period_s
    assert wide.high > plain.high
    # the gain at the switching point belongs to a lower frequency: it is not the ultimate gain
    assert wide.gain_error < plain.gain_error
    assert math.isclose(wide.exact.gain, plain.exact.gain)


def test_no_swing_is_said_so() -> None:
    with pytest.raises(Infeasible, match="no steady swing"):
        relay_test(plant([1.0], [10.0, 1.0], 1.0), settings(1.0), 0.05, bias=0.2)
    with pytest.raises(Infeasible, match="no steady swing"):
        relay_test(plant([1.0], [5.0, 1.0], 1.0), settings(1.0, scan_time_s=0.5), 0.05, bias=0.2)
