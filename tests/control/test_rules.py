"""Half rule and SIMC against the paper's examples, and their limits."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st

from chamberctl.control.controller import PidSettings
from chamberctl.control.margins import margins
from chamberctl.control.rules import (
    ReducedModel,
    half_rule,
    reduce_loop,
    simc,
    simc_settings,
    time_constants,
)
from chamberctl.errors import Infeasible, InputError
from tests import reference
from tests.control.loops import plant, settings
from tests.validation import Validation

HALF = reference.load("control/simc_half_rule")
EXAMPLES = reference.load("control/simc_examples")


def listed(cell: float | str | None) -> list[float]:
    return [] if cell is None else reference.numbers(cell)


@pytest.mark.parametrize("row", HALF.rows, ids=reference.row_id)
def test_half_rule_examples(row: dict[str, Any], validation: Validation) -> None:
    rel = 6e-3 if row["case"] == "E6" else 1e-9
    for order, prefix in ((1, "fo"), (2, "so")):
        if row[f"{prefix}_k"] is None:
            continue
        found = half_rule(
            row["gain"],
            listed(row["lags"]),
            listed(row["zero_time_constants"]),
            row["delay"],
            integrating=bool(row["integrating"]),
            order=order,
        )
        pairs = [("k", found.gain), ("theta", found.dead_time_s)]
        if row[f"{prefix}_tau1"] == "int":
            assert found.integrating
        else:
            pairs.append(("tau1", found.lag1_s))
        if order == 2:
            pairs.append(("tau2", found.lag2_s))
        for name, value in pairs:
            expected = row[f"{prefix}_{name}"]
            # an absolute tolerance where the paper's dead time is zero
            limit = {"rel": rel} if expected else {"abs": 1e-12}
            validation.check(HALF, f"half rule: {name}", expected, value, **limit)


@pytest.mark.parametrize("row", EXAMPLES.rows, ids=lambda row: f"{row['case']}-{row['form']}")
def test_simc_settings_of_the_examples(row: dict[str, Any], validation: Validation) -> None:
    lag1 = math.inf if row["tau1"] == "int" else row["tau1"]
    theta = row["theta"]
    if theta == 0.0:
        pytest.fail("the rule needs a dead time")
    found = simc(ReducedModel(-row["k"], theta, lag1, row["tau2"] or 0.0))
    share = 1.0 + row["tauD"] / row["tauI"]
    for name, expected, value in (
        ("Kc", row["Kc"] * share, found.kc),
        ("Ti", row["tauI"] + row["tauD"], found.ti_s),
        ("Td", row["tauD"] / share, found.td_s),
    ):
        # printed digits: E8 gives its gain with two
        limit = {"rel": 0.011 if row["case"] == "E8" else 0.006} if expected else {"abs": 1e-12}
        validation.check(EXAMPLES, f"SIMC settings: {name}", expected, value, **limit)


def test_simc_formulas() -> None:
    """tau1/(k (tau_c + theta)), min(tau1, 4 (tau_c + theta)); series turned into ideal."""
    found = simc(ReducedModel(-2.0, 1.0, 10.0), 3.0)
    assert (found.kc, found.ti_s, found.td_s) == pytest.approx((10 / 8, 10.0, 0.0))
    found = simc(ReducedModel(-2.0, 1.0, 100.0, 4.0))
    assert (found.kc, found.ti_s, found.td_s) == pytest.approx((25 * 1.5, 12.0, 4 / 1.5))
    found = simc(ReducedModel(-0.1, 2.0, math.inf))
    assert (found.kc, found.ti_s) == pytest.approx((2.5, 16.0))
    assert found.tau_c_s == 2.0


@pytest.mark.parametrize(
    "lags,zero,delay,gain,left",
    [
        ([4.0, 3.0], 5.0, 1.0, 5.0 / 4.0, 3.0),  # T1: zero over the lag below it
        ([2.0, 1.0], 5.0, 3.0, 5.0 / 3.0, 1.0),  # T1a: zero over the dead time
        ([1.5, 1.0], 2.0, 4.0, 1.0, 1.0),  # T1b: the zero takes the lag away
        ([20.0, 3.0], 15.0, 1.0, 15.0 / 20.0, 3.0),  # T2: slow zero, lag above it
        ([20.0], 2.0, 1.0, 5.0 / 20.0, 3.0),  # T3: the lag shortened to 5 dead times, less the zero
        ([2.5], 2.0, 1.0, 1.0, 0.5),  # T3: or to itself
    ],
)
def test_rules_for_zeros(
    lags: list[float], zero: float, delay: float, gain: float, left: float
) -> None:
    found = half_rule(1.0, lags, [zero], delay)
    assert (found.gain, found.lag1_s) == pytest.approx((gain, left), rel=1e-12)
    assert found.dead_time_s == pytest.approx(delay, rel=1e-12)


def test_zeros_beside_an_integrator() -> None:
    """(T s + 1)/s is a gain T for a slow zero, a lag for a fast one."""
    slow = half_rule(2.0, [0.5], [30.0], 1.0, integrating=True)
    assert (slow.gain, slow.lag1_s, slow.integrating) == (pytest.approx(60.0), 0.5, False)
    fast = half_rule(2.0, [], [2.0], 1.0, integrating=True)
    assert (fast.gain, fast.lag1_s) == pytest.approx((10.0, 3.0))


def test_state_space_gives_lags_zeros_and_gain() -> None:
    model = plant([3.0 * 0.08, 3.0], np.polymul([2.0, 1.0], [0.4, 1.0]).tolist(), 0.7)
    gain, lags, zeros, integrating = time_constants(model, "linear")
    assert gain == pytest.approx(-3.0, rel=1e-9)
    assert lags == pytest.approx([2.0, 0.4], rel=1e-9)
    assert zeros == pytest.approx([0.08], rel=1e-9)
    assert not integrating
    assert time_constants(model, "log10")[0] == pytest.approx(-3.0 / math.log(10.0), rel=1e-9)
    gain, lags, zeros, integrating = time_constants(plant([0.2], [5.0, 1.0, 0.0]), "linear")
    assert (gain, integrating, zeros) == (pytest.approx(-0.2, rel=1e-9), True, [])
    assert lags == pytest.approx([5.0], rel=1e-9)


def test_a_resonance_counts_as_two_lags() -> None:
    _, lags, _, _ = time_constants(plant([1.0], [4.0, 1.2, 1.0]), "linear")
    assert lags == pytest.approx([0.6, 0.6], rel=1e-9)


def test_all_delays_count() -> None:
    """Dead time, computation delay, half a scan; the filter as a lag."""
    model = plant([1.0], [40.0, 22.0, 1.0], 1.0)
    law = settings(0.0, tf_s=0.6, scan_time_s=0.4, computation_delay_s=None)
    found = reduce_loop(model, law)
    assert found.dead_time_s == pytest.approx(1.0 + 0.4 + 0.2 + 1.0 + 0.6, rel=1e-9)
    assert found.lag1_s == pytest.approx(21.0, rel=1e-9)
    assert reduce_loop(model, law, order=2).lag2_s == pytest.approx(2.3, rel=1e-9)


@given(
    lag=st.floats(0.1, 1e3),
    share=st.floats(0.02, 3.0),
    gain=st.floats(0.01, 100.0),
    derivative=st.booleans(),
)
@hypothesis_settings(max_examples=25, derandomize=True, deadline=None)
def test_simc_loops_are_robust(lag: float, share: float, gain: float, derivative: bool) -> None:
    """A lag with dead time, sampled quickly: Ms near 1.6 and the right sign."""
    theta = share * lag
    model = plant([gain], [lag, 1.0], theta)
    law = settings(0.0, scan_time_s=0.05 * theta, computation_delay_s=None)
    found, reduced, gains = simc_settings(model, law, derivative=derivative)
    assert found.kc > 0.0
    assert reduced.gain == pytest.approx(-gain, rel=1e-6)
    assert found.kc == gains.kc
    assert 1.4 < margins(model, found).ms < 1.75


def test_what_cannot_be_tuned() -> None:
    with pytest.raises(Infeasible, match="dead time or a closed-loop time constant"):
        simc(ReducedModel(-1.0, 0.0, 5.0))
    with pytest.raises(Infeasible, match="no gains exist"):
        simc(ReducedModel(0.0, 1.0, 5.0))
    with pytest.raises(Infeasible, match="not stable"):
        time_constants(plant([1.0], [1.0, -1.0]), "linear")
    with pytest.raises(Infeasible, match="not stable"):
        time_constants(plant([1.0], [1.0, 0.0, 0.0]), "linear")
    with pytest.raises(InputError, match="one or two lags"):
        half_rule(1.0, [1.0], order=3)
    with pytest.raises(InputError, match="not negative"):
        half_rule(1.0, [-1.0])
    with pytest.raises(InputError, match="as many lags as zeros"):
        half_rule(1.0, [], [1.0], 0.5)


def test_settings_keep_everything_else() -> None:
    model = plant([1.0], [10.0, 1.0], 1.0)
    law = PidSettings(kc=0.0, b=0.3, reading="linear", scan_time_s=0.2, output_max=0.9)
    found, _, _ = simc_settings(model, law, 4.0)
    assert (found.b, found.output_max, found.scan_time_s) == (0.3, 0.9, 0.2)
    theta = 1.0 + 0.2 + 0.1
    assert found.kc == pytest.approx(10.0 / (4.0 + theta), rel=1e-9)
