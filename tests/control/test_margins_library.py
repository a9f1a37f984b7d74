"""Own margins against python-control, on loops that it can describe: rational, no dead time."""

from __future__ import annotations

import math
import warnings
from dataclasses import replace

import control
import numpy as np
import pytest

from chamberctl.control.margins import LoopMargins, margins
from tests.control.loops import RandomLoop, plant, random_loop, settings

#: The one warning of the library that is allowed: it takes its other method for sampled loops.
ALLOWED = "stability_margins: Falling back to 'frd' method"


def _library_loop(loop: RandomLoop) -> control.StateSpace:
    """Return L as the library's own interconnection of controller and sampled plant."""
    a, b, c, d = loop.model.siso("linear")
    law, ts = loop.settings, loop.settings.scan_time_s
    process = control.ss(a, b, -c, -d)
    kc, ti, td, tfd, tf = law.kc, law.ti_s, law.td_s, law.tfd_s, law.tf_s

    def part(num: list[float], den: list[float]) -> control.StateSpace:
        return control.ss(control.tf(num, den, ts or 0))

    law_parts = part([kc], [1.0])
    if ts is None:
        law_parts += part([kc], [ti, 0.0]) if math.isfinite(ti) else 0
        law_parts += part([kc * td, 0.0], [tfd, 1.0]) if td else 0
        return process * law_parts * part([1.0], [tf, 1.0])
    process = control.sample_system(process, ts, "zoh")
    top = [kc * ts / ti, 0.0] if law.integral == "before" else [kc * ts / ti]
    af, ad = ts / (tf + ts), ts / (tfd + ts)
    law_parts += part(top, [1.0, -1.0]) if math.isfinite(ti) else 0
    law_parts += part([kc * td / ts * ad, -kc * td / ts * ad], [1.0, ad - 1.0]) if td else 0
    reading = part([af, 0.0], [1.0, af - 1.0])
    scans = round(law.delay_s / ts)
    return process * part([1.0], [1.0, *([0.0] * scans)]) * law_parts * reading


def _candidates(sampled: bool, count: int) -> list[tuple[RandomLoop, LoopMargins]]:
    rng = np.random.default_rng(5)
    found = []
    while len(found) < count:
        loop = random_loop(rng, sampled)
        loop = replace(loop, model=replace(loop.model, dead_time_s=0.0))
        law = loop.settings
        if law.td_s and not law.tfd_s:
            loop = replace(loop, settings=replace(law, tfd_s=0.2 * law.td_s))
        own = margins(loop.model, loop.settings)
        if own.stable and not own.reason and own.ms < 20.0 and own.crossover_rad_s > 0.01:
            found.append((loop, own))
    return found


@pytest.mark.parametrize("sampled", [True, False], ids=["sampled", "continuous"])
def test_random_rational_loops_equal_the_library(sampled: bool) -> None:
    _compare(sampled, 6)


@pytest.mark.thorough
@pytest.mark.parametrize("sampled", [True, False], ids=["sampled", "continuous"])
def test_more_random_rational_loops_equal_the_library(sampled: bool) -> None:
    _compare(sampled, 60)


def _compare(sampled: bool, count: int) -> None:
    for loop, own in _candidates(sampled, count):
        system = _library_loop(loop)
        high = math.pi / loop.settings.scan_time_s if sampled else 1e6
        omega = np.geomspace(1e-5, high, 5000)
        response = system(np.exp(1j * omega * loop.settings.scan_time_s) if sampled else 1j * omega)
        if sampled:  # from the response: the library's polynomials are badly conditioned here
            data = control.frd(response, omega)
            gains, phases = control.stability_margins(data, returnall=True)[:2]
        else:
            gains, phases = control.stability_margins(system, returnall=True)[:2]
        phase = min(np.abs(phases), default=math.inf)
        upward = min((gain for gain in gains if gain > 1.0), default=math.inf)
        # the library's upward margin is missing at z = -1 and at infinite frequency
        if own.phase_crossover_rad_s < 0.999 * high:
            assert own.gain_margin == pytest.approx(upward, rel=1e-3)
        if own.gain_crossings:
            assert own.phase_margin_deg == pytest.approx(phase, rel=1e-3, abs=1e-3)
        sensitivity = 1.0 / (1.0 + response)
        assert own.ms == pytest.approx(_supremum(np.abs(sensitivity), own.ms), rel=1e-3)
        assert own.mt == pytest.approx(_supremum(np.abs(1 - sensitivity), own.mt), rel=1e-3)
        half = np.abs(sensitivity - 0.5)
        assert 1 / own.disk_margin == pytest.approx(_supremum(half, 1 / own.disk_margin), rel=1e-3)


def _supremum(values: np.ndarray, claimed: float) -> float:
    """Return the largest value on the library's points; own peaks may only be a little higher."""
    assert values.max() <= claimed * (1 + 1e-9)
    return float(values.max())


@pytest.mark.parametrize("scan_time_s", [None, 0.05])
def test_disk_margin_equals_the_library(scan_time_s: float | None) -> None:
    for num, den in (
        ([25.0], [1.0, 10.0, 10.0, 10.0]),
        ([2.0], [1.0, 3.0, 2.0, 0.0]),
        ([6.25, 50.0, 93.75], [1.0, 2.18, 101.36, 200.18, 100.0, 0.0]),
    ):
        model = plant(num, den)
        own = margins(model, settings(1.0, scan_time_s=scan_time_s))
        a, b, c, d = model.siso("linear")
        system = control.ss(a, b, -c, -d)
        if scan_time_s is not None:
            system = control.sample_system(system, scan_time_s, "zoh")
        omega = np.geomspace(1e-2, 60.0, 4000)
        library, _, _ = control.disk_margins(system, omega, skew=0.0)
        assert own.disk_margin == pytest.approx(library, rel=1e-3)


def test_the_library_misses_the_gain_margin_at_the_end_of_the_frequencies() -> None:
    """k/(s + 1) sampled without delay: |L| is real and negative at z = -1 only."""
    system = control.sample_system(control.ss(-1.0, 1.0, 1.0, 0.0), 0.5, "zoh")
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", message=ALLOWED)
        library = control.stability_margins(system)[0]
    own = margins(plant([1.0], [1.0, 1.0]), settings(1.0, scan_time_s=0.5)).gain_margin
    a = math.exp(-0.5)
    assert own == pytest.approx((1 + a) / (1 - a), rel=1e-9)
    assert math.isinf(library) or library == pytest.approx(own, rel=1e-6)
