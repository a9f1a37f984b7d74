"""Every crossing that is listed is one: what it says takes the loop to -1."""

from __future__ import annotations

import numpy as np
import pytest

from chamberctl.control.margins import margins, scan_time_finding
from tests.control.loops import plant, settings


def response(num: list[float], den: list[float], dead_time_s: float, omega: float) -> complex:
    s = 1j * omega
    return complex(np.polyval(num, s) / np.polyval(den, s) * np.exp(-s * dead_time_s))


@pytest.mark.parametrize(
    "num, den, dead_time_s, gain",
    [
        ([1.0], [1.0, 0.0], 1.0, 0.4),
        ([1.0], [1.0, 0.02, 1.0], 0.0, 0.5),
        ([1.0, 0.1, 4.0], [1.0, 1.0, 4.0, 0.0], 0.3, 0.3),
        ([1.0], [1.0, 0.1, 1.0], 5.5, 0.3),
        ([25.0], [1.0, 0.2, 25.0, 0.0], 0.05, 0.1),
    ],
    ids=["dead time", "resonance", "notch", "past -1", "integrator with resonance"],
)
def test_crossings_lead_to_minus_one(num, den, dead_time_s, gain):
    found = margins(plant(num, den, dead_time_s), settings(gain))
    assert found.stable
    assert found.gain_crossings
    # One angle may be negative: L has passed -1, and only the next turn takes it there.
    for crossing in found.gain_crossings:
        loop = gain * response(num, den, dead_time_s, crossing.omega_rad_s)
        assert abs(loop) == pytest.approx(1.0, rel=1e-8)
        later = loop * np.exp(-1j * crossing.omega_rad_s * crossing.delay_s)
        assert later == pytest.approx(-1.0, abs=1e-6)
        assert 0.0 <= crossing.delay_s <= 2.0 * np.pi / crossing.omega_rad_s
        turned = loop * np.exp(-1j * np.radians(crossing.angle_deg))
        assert turned == pytest.approx(-1.0, abs=1e-6)
    audible = [crossing for crossing in found.phase_crossings if crossing.factor < 300.0]
    for crossing in audible:
        loop = gain * response(num, den, dead_time_s, crossing.omega_rad_s)
        assert crossing.factor * loop == pytest.approx(-1.0, abs=1e-6)
    smallest = min(crossing.delay_s for crossing in found.gain_crossings)
    assert found.delay_margin_s == pytest.approx(smallest, rel=1e-12)


def test_scan_is_slow_above_a_tenth_of_the_closed_loop():
    assert scan_time_finding(0.99, 10.0) is None
    finding = scan_time_finding(1.01, 10.0)
    assert finding is not None
    assert finding.severity == "caution"
    assert "1.01 s is more than a tenth" in finding.text
