"""Margins of loops whose answers are known in closed form, and the rules every loop obeys."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, reject
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st
from scipy.optimize import brentq

from chamberctl.control.controller import PidSettings
from chamberctl.control.frequency import stack
from chamberctl.control.margins import (
    LoopMargins,
    each_margins,
    margins,
    scan_time_finding,
)
from chamberctl.control.sweep import limit_at_infinity
from chamberctl.display import number
from chamberctl.errors import InputError
from chamberctl.plant.linear import LoopModel
from tests.control.loops import plant, random_loop, sampled_poles, settings

CLOSED = 1e-9


def two_lags(kc: float = 2.0, **more: object) -> tuple[LoopModel, PidSettings]:
    """Gain 1, lags 20 s and 2 s, dead time 3 s, Ti 20 s."""
    return plant([1.0], [40.0, 22.0, 1.0], 3.0), settings(kc, 20.0, **more)


# --- closed forms ---------------------------------------------------------------------------------


@pytest.mark.parametrize("k,theta", [(0.5, 1.0), (0.3, 2.0), (4.0, 0.05)])
def test_integral_and_dead_time(k: float, theta: float) -> None:
    """A lag with Ti equal to it: L = k exp(-theta s)/s."""
    found = margins(plant([k], [7.0, 1.0], theta), settings(7.0, 7.0))
    assert found.gain_margin == pytest.approx(math.pi / (2 * k * theta), rel=CLOSED)
    assert found.phase_margin_deg == pytest.approx(90 - math.degrees(k * theta), rel=CLOSED)
    assert found.delay_margin_s == pytest.approx(math.pi / (2 * k) - theta, rel=CLOSED)
    assert found.crossover_rad_s == pytest.approx(k, rel=CLOSED)
    assert found.phase_crossover_rad_s == pytest.approx(math.pi / (2 * theta), rel=CLOSED)
    assert found.gain_margin_low == 0.0
    # S = 1/(1 + k exp(-jw theta)/(jw)): its largest value where d/dw |1 + L|^2 = 0
    x = k * theta
    best = brentq(lambda v: -x / v + np.sin(v) - v * np.cos(v), 1e-3, 1.5 * math.pi / 2)
    peak = 1.0 / abs(1 + x * np.exp(-1j * best) / (1j * best))
    assert found.ms >= peak * (1 - CLOSED)


@pytest.mark.parametrize("k,lag,theta", [(5.0, 3.0, 1.0), (2.0, 1.0, 4.0), (20.0, 10.0, 0.5)])
def test_lag_and_dead_time_with_proportional_action(k: float, lag: float, theta: float) -> None:
    turn = brentq(
        lambda w: w * theta + math.atan(w * lag) - math.pi, 1e-9, math.pi / theta, xtol=1e-15
    )
    ultimate = math.hypot(1.0, turn * lag)
    kc = 0.9 * ultimate / k
    found = margins(plant([k], [lag, 1.0], theta), settings(kc))
    assert found.gain_margin == pytest.approx(1 / 0.9, rel=CLOSED)
    assert found.phase_crossover_rad_s == pytest.approx(turn, rel=CLOSED)
    crossover = math.sqrt((k * kc) ** 2 - 1) / lag
    assert found.crossover_rad_s == pytest.approx(crossover, rel=CLOSED)
    phase = math.pi - crossover * theta - math.atan(crossover * lag)
    assert found.phase_margin_deg == pytest.approx(math.degrees(phase), rel=CLOSED)
    assert found.delay_margin_s == pytest.approx(phase / crossover, rel=CLOSED)


def test_three_equal_lags() -> None:
    """k/(s + 1)^3 has gain margin 8/k at sqrt(3) rad/s."""
    found = margins(plant([2.5], [1.0, 3.0, 3.0, 1.0]), settings(1.0))
    assert found.gain_margin == pytest.approx(3.2, rel=CLOSED)
    assert found.phase_crossover_rad_s == pytest.approx(math.sqrt(3.0), rel=CLOSED)
    assert found.crossover_rad_s == pytest.approx(math.sqrt(2.5 ** (2 / 3) - 1), rel=CLOSED)


@pytest.mark.parametrize("k,ts", [(0.5, 1.0), (1.5, 0.1), (7.0, 0.25)])
def test_sampled_integrator(k: float, ts: float) -> None:
    """L = k Ts/(z - 1): the gain margin 2/(k Ts) is at z = -1, S is largest there."""
    x = k * ts
    found = margins(plant([k], [1.0, 0.0]), settings(1.0, scan_time_s=ts))
    assert found.gain_margin == pytest.approx(2 / x, rel=CLOSED)
    assert found.phase_crossover_rad_s == pytest.approx(math.pi / ts, rel=CLOSED)
    crossover = 2 / ts * math.asin(x / 2)
    assert found.crossover_rad_s == pytest.approx(crossover, rel=CLOSED)
    phase = math.pi / 2 - math.asin(x / 2)
    assert found.phase_margin_deg == pytest.approx(math.degrees(phase), rel=CLOSED)
    assert found.delay_margin_s == pytest.approx(phase / crossover, rel=CLOSED)
    assert found.ms == pytest.approx(1 / (1 - x / 2), rel=CLOSED)


@pytest.mark.parametrize("k,ts", [(0.4, 1.0), (1.5, 0.2)])
def test_sampled_integrator_one_scan_late(k: float, ts: float) -> None:
    """L = k Ts/(z (z - 1)), by computation delay or dead time: gain margin 1/(k Ts) at z^6 = 1."""
    x = k * ts
    late = margins(plant([k], [1.0, 0.0]), settings(1.0, scan_time_s=ts, computation_delay_s=None))
    dead = margins(plant([k], [1.0, 0.0], ts), settings(1.0, scan_time_s=ts))
    for found in (late, dead):
        assert found.gain_margin == pytest.approx(1 / x, rel=CLOSED)
        assert found.phase_crossover_rad_s == pytest.approx(math.pi / (3 * ts), rel=CLOSED)
        crossover = 2 / ts * math.asin(x / 2)
        phase = math.pi / 2 - 1.5 * crossover * ts
        assert found.phase_margin_deg == pytest.approx(math.degrees(phase), rel=CLOSED)


@pytest.mark.parametrize("share", [0.25, 0.5, 0.9])
def test_sampled_integrator_late_by_part_of_a_scan(share: float) -> None:
    """L = k Ts ((1 - f) z + f)/(z (z - 1)): poles from z^2 - z + x ((1 - f) z + f)."""
    k, ts = 0.5, 2.0
    found = margins(plant([k], [1.0, 0.0], share * ts), settings(1.0, scan_time_s=ts))
    x = k * ts
    # the product of a complex pair is x f g, of gain g; or a real pole at -1: 2 = g x (1 - 2 f)
    limits = [1 / (x * share)]
    if share < 0.5:
        limits.append(2 / (x * (1 - 2 * share)))
    assert found.gain_margin == pytest.approx(min(limits), rel=CLOSED)


@pytest.mark.parametrize("lag,ts", [(5.0, 1.0), (10.0, 0.5)])
def test_sampled_lag(lag: float, ts: float) -> None:
    """Gain margin (1 + a)/(k (1 - a)), a = exp(-Ts/lag), at z = -1."""
    a = math.exp(-ts / lag)
    found = margins(plant([3.0], [lag, 1.0]), settings(1.0, scan_time_s=ts))
    assert found.gain_margin == pytest.approx((1 + a) / (3 * (1 - a)), rel=CLOSED)


def test_gain_margin_at_infinite_frequency() -> None:
    """(1 - s)/(s + 1) with PI 0.5 (1 + 1/s): L tends to -1/2, so twice the gain is the limit."""
    found = margins(plant([-1.0, 1.0], [1.0, 1.0]), settings(0.5, 1.0))
    assert found.stable
    assert found.gain_margin == pytest.approx(2.0, rel=CLOSED)
    assert found.phase_crossover_rad_s == math.inf
    assert found.ms == pytest.approx(2.0, rel=CLOSED)
    assert found.phase_margin_deg == pytest.approx(60.0, rel=CLOSED)


def test_reading_in_decades_and_in_pascal() -> None:
    """d ln p scaled by 1/ln 10, or by the indicated pressure."""
    model = LoopModel.from_transfer_function([-1.0], [5.0, 1.0], 1.0, reading_pa=250.0)
    plain = margins(plant([1.0], [5.0, 1.0], 1.0), settings(2.0, 5.0))
    decades = margins(model, settings(2.0 * math.log(10.0), 5.0, reading="log10"))
    pascal = margins(model, settings(2.0 / 250.0, 5.0))
    for found in (decades, pascal):
        assert found.gain_margin == pytest.approx(plain.gain_margin, rel=1e-12)
        assert found.ms == pytest.approx(plain.ms, rel=1e-12)


# --- scenarios ------------------------------------------------------------------------------------


def test_a22_two_lags_with_dead_time() -> None:
    """Exact margins: gain 1, lags 20 s and 2 s, dead time 3 s, Kc 2, Ti 20 s."""
    found = margins(*two_lags())
    assert found.gain_margin == pytest.approx(3.94, abs=0.02)
    assert found.phase_margin_deg == pytest.approx(62.0, abs=0.3)
    assert found.ms == pytest.approx(1.51, abs=0.005)
    assert found.delay_margin_s == pytest.approx(11.0, abs=0.2)


def test_a23_no_pade_approximation_in_the_verdict() -> None:
    """Pade fractions of order 1 to 5 for the dead time come near the margin, not the reverse."""
    import control

    exact = margins(*two_lags())
    model, given_settings = two_lags()
    errors = []
    for order in range(1, 6):
        num, den = control.pade(3.0, order)
        top = np.polymul([1.0], num)
        bottom = np.polymul([40.0, 22.0, 1.0], den)
        approximate = margins(plant(top.tolist(), bottom.tolist()), given_settings)
        errors.append(abs(approximate.gain_margin / exact.gain_margin - 1))
    assert errors[0] > 0.05
    assert errors[4] < 1e-6
    assert margins(model, given_settings) == exact


@pytest.mark.parametrize("scan_time_s", [None, 0.5])
def test_a24_wrong_action(scan_time_s: float | None) -> None:
    """A plant whose pressure falls with speed, and a reverse acting controller: no margins."""
    for kc, ti in ((-2.0, 20.0), (-0.5, math.inf), (-5.0, math.inf)):
        found = margins(two_lags()[0], settings(kc, ti, scan_time_s=scan_time_s))
        assert found.reason == "wrong action: positive feedback"
        for name in ("gain_margin", "gain_margin_low", "phase_margin_deg", "delay_margin_s"):
            assert math.isnan(getattr(found, name))
        assert math.isnan(found.ms)
        assert math.isnan(found.disk_margin)
        assert found.gain_crossings == found.phase_crossings == ()
    assert margins(two_lags()[0], settings(-2.0, 20.0)).stable is False


def test_a25_several_crossings() -> None:
    """A resonance beyond the first crossover: three gain crossings, the smallest margin wins."""
    resonant = np.polymul([1.0, 0.0], [1.0, 0.04, 1.0]).tolist()
    found = margins(plant([0.3, 0.03, 0.3 / 1.2], resonant, 0.2), settings(1.0))
    assert found.stable
    assert len(found.gain_crossings) == 3
    angles = [abs(crossing.angle_deg) for crossing in found.gain_crossings]
    delays = [crossing.delay_s for crossing in found.gain_crossings]
    assert found.phase_margin_deg == pytest.approx(min(angles), rel=1e-12)
    assert found.delay_margin_s == pytest.approx(min(delays), rel=1e-12)
    assert np.argmin(angles) > 0 or np.argmin(delays) > 0
    (finding,) = (one for one in found.findings if one.subject == "gain crossings")
    assert finding.severity == "caution"
    assert finding.text.startswith("The loop gain is 1 at 3 frequencies")
    for crossing in found.gain_crossings:
        assert f"{number(crossing.omega_rad_s)} rad/s" in finding.text
    once = margins(two_lags()[0], settings(2.0, 20.0))
    assert not any(one.subject == "gain crossings" for one in once.findings)


def test_a_conditionally_stable_loop_lists_both_ends() -> None:
    """3 (s + 1)^2 exp(-0.02 s)/s^3: less gain hurts, and so does more."""
    found = margins(plant([1.0, 2.0, 1.0], [1.0, 0.0, 0.0, 0.0], 0.02), settings(3.0))
    assert found.stable
    first, second = found.phase_crossings[:2]
    assert first.factor < 1.0 < second.factor
    assert found.gain_margin_low == pytest.approx(first.factor, rel=1e-12)
    assert found.gain_margin == pytest.approx(second.factor, rel=1e-12)
    # 3 arctan(inf) - 2 arctan(w) + 0.02 w = 180 deg
    for crossing in (first, second):
        w = crossing.omega_rad_s
        assert 1.5 * math.pi - 2 * math.atan(w) + 0.02 * w == pytest.approx(math.pi, rel=1e-9)
        assert crossing.factor == pytest.approx(w**3 / (3.0 * (1.0 + w**2)), rel=1e-9)


@pytest.mark.parametrize(
    "change",
    [
        {},
        {"td_s": 2.0, "tfd_s": 0.5},
        {"td_s": 2.0, "tf_s": 0.4},
        {"tf_s": 0.4},
        {"td_s": 2.0, "tfd_s": 0.5, "tf_s": 0.4},
    ],
    ids=str,
)
@pytest.mark.parametrize("num", [[0.3, 1.0], [1.0]], ids=str)
def test_limit_at_infinite_frequency(change: dict[str, float], num: list[float]) -> None:
    loops = stack([plant(num, [5.0, 1.0])], [settings(0.7, 4.0, **change)])
    at_high = loops.response(np.array([[1e9]]))[0, 0]
    assert limit_at_infinity(loops)[0] == pytest.approx(at_high.real, rel=1e-6, abs=1e-6)


def test_limit_with_ideal_derivative() -> None:
    flat = stack([plant([1.0], [5.0, 1.0])], [settings(0.7, 4.0, td_s=2.0)])
    assert limit_at_infinity(flat)[0] == pytest.approx(0.7 * 2.0 / 5.0, rel=1e-12)
    rising = stack([plant([0.3, 1.0], [5.0, 1.0])], [settings(0.7, 4.0, td_s=2.0)])
    assert limit_at_infinity(rising)[0] == math.inf


def test_a27_a_slow_scan_costs_margin_and_is_said() -> None:
    """Scan 5 s on the two lags: margins drop, and the scan is over a tenth of lambda (7 s)."""
    exact = margins(*two_lags())
    slow = margins(*two_lags(scan_time_s=5.0, computation_delay_s=None))
    assert slow.gain_margin < 0.5 * exact.gain_margin
    assert slow.phase_margin_deg < 0.5 * exact.phase_margin_deg
    assert slow.ms > 2.0 * exact.ms
    (finding,) = slow.findings
    assert finding.severity == "caution"
    assert "scan time of 5 s" in finding.text
    assert scan_time_finding(0.69, 7.0) is None
    assert scan_time_finding(0.71, 7.0) is not None
    assert margins(*two_lags(scan_time_s=0.1, computation_delay_s=None)).findings == ()


def test_no_gain_is_no_feedback() -> None:
    found = margins(two_lags()[0], settings(0.0, 20.0))
    assert (found.stable, found.reason) == (False, "no feedback: the gain is zero")


# --- one or many ----------------------------------------------------------------------------------


def test_many_loops_equal_each_alone() -> None:
    rng = np.random.default_rng(8)
    loops = [random_loop(rng, sampled=True) for _ in range(40)]
    together = margins([loop.model for loop in loops], [loop.settings for loop in loops])
    for i, loop in enumerate(loops):
        alone = margins(loop.model, loop.settings)
        assert together.stable[i] == alone.stable
        assert together.reason[i] == alone.reason
        for name in ("gain_margin", "phase_margin_deg", "delay_margin_s", "ms", "disk_margin"):
            np.testing.assert_allclose(getattr(together, name)[i], getattr(alone, name), rtol=1e-8)


def test_many_loops_are_listed_as_each_alone_would_be() -> None:
    rng = np.random.default_rng(9)
    loops = [random_loop(rng, sampled=True) for _ in range(12)]
    listed = each_margins([loop.model for loop in loops], [loop.settings for loop in loops])
    for loop, found in zip(loops, listed, strict=True):
        alone = margins(loop.model, loop.settings)
        assert (found.stable, found.reason) == (alone.stable, alone.reason)
        assert [f.subject for f in found.findings] == [f.subject for f in alone.findings]
        for kind in ("gain_crossings", "phase_crossings"):
            pairs = zip(getattr(found, kind), getattr(alone, kind), strict=True)
            for one, other in pairs:
                np.testing.assert_allclose(list(vars(one).values()), list(vars(other).values()))


def test_one_setting_for_many_plants() -> None:
    model, one = two_lags()
    found = margins([model, model], one)
    np.testing.assert_allclose(found.gain_margin, [margins(model, one).gain_margin] * 2)


def test_what_cannot_be_asked() -> None:
    model, one = two_lags()
    with pytest.raises(InputError, match="as many sets of settings"):
        margins([model, model], [one])
    with pytest.raises(InputError, match="at least one model"):
        margins([], one)
    with pytest.raises(InputError, match="at least one model"):
        each_margins([], one)
    with pytest.raises(InputError, match="one model needs one set"):
        margins(model, [one])  # type: ignore[call-overload]
    with pytest.raises(InputError, match="either every loop has a scan time"):
        margins([model, model], [one, replace(one, scan_time_s=1.0)])


# --- what every loop obeys ------------------------------------------------------------------------


def _stable_loop(seed: int, sampled: bool) -> tuple[LoopModel, PidSettings, LoopMargins]:
    rng = np.random.default_rng(seed)
    for _ in range(20):
        loop = random_loop(rng, sampled)
        found = margins(loop.model, loop.settings)
        if found.stable and not found.reason:
            return loop.model, loop.settings, found
    return reject()


SEEDS = st.integers(0, 2**32 - 1)


@given(seed=SEEDS, sampled=st.booleans())
@hypothesis_settings(max_examples=25, derandomize=True, deadline=None)
def test_gain_margins_are_where_stability_ends(seed: int, sampled: bool) -> None:
    model, one, found = _stable_loop(seed, sampled)
    assert found.gain_margin_low < 1.0 < found.gain_margin
    for limit in (found.gain_margin_low, found.gain_margin):
        if 0.0 < limit < 1e4:
            inside = one.kc * (1.0 + (limit - 1.0) * (1 - 1e-5))
            outside = one.kc * (1.0 + (limit - 1.0) * (1 + 1e-5))
            assert margins(model, replace(one, kc=inside)).stable
            assert not margins(model, replace(one, kc=outside)).stable


@pytest.mark.slow
@given(seed=SEEDS, dead_time_s=st.floats(0.0, 2.0))
@hypothesis_settings(max_examples=25, derandomize=True, deadline=None)
def test_delay_margin_is_the_extra_dead_time_that_is_borne(seed: int, dead_time_s: float) -> None:
    model, one, _ = _stable_loop(seed, sampled=False)
    model = replace(model, dead_time_s=dead_time_s)
    found = margins(model, one)
    if not found.stable or not math.isfinite(found.delay_margin_s):
        return
    for factor, stable in ((1 - 1e-5, True), (1 + 1e-5, False)):
        later = dead_time_s + factor * found.delay_margin_s
        assert margins(replace(model, dead_time_s=later), one).stable is stable


@pytest.mark.parametrize("scan_time_s", [0.1, 0.5])
def test_delay_margin_of_a_sampled_loop_against_true_dead_time(scan_time_s: float) -> None:
    """Extra dead time in the sampled plant, judged by the poles of the law as it runs."""
    model, one = two_lags(scan_time_s=scan_time_s, computation_delay_s=None)
    found = margins(model, one)
    for factor, stable in ((0.998, True), (1.002, False)):
        later = replace(model, dead_time_s=3.0 + factor * found.delay_margin_s)
        assert (np.abs(sampled_poles(later, one)).max() < 1.0) is np.bool_(stable)


@given(seed=SEEDS, sampled=st.booleans())
@hypothesis_settings(max_examples=25, derandomize=True, deadline=None)
def test_sensitivity_bounds_the_margins(seed: int, sampled: bool) -> None:
    _, _, found = _stable_loop(seed, sampled)
    if found.ms > 1.0:
        assert found.gain_margin >= found.ms / (found.ms - 1.0) * (1 - 1e-9)
    if found.ms > 0.5:  # below, |L| = 1 is nowhere
        assert found.phase_margin_deg >= math.degrees(2 * math.asin(0.5 / found.ms)) * (1 - 1e-9)
    assert found.gain_margin >= (1.0 + 1.0 / found.mt) * (1 - 1e-9)
    # max|S - 1/2| lies within 1/2 of Ms, and of Mt
    assert abs(1.0 / found.disk_margin - found.ms) <= 0.5 + 1e-9
    assert abs(1.0 / found.disk_margin - found.mt) <= 0.5 + 1e-9
