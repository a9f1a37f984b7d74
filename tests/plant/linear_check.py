"""The linear model against python-control and closed sensitivities, for tests of plants."""

from __future__ import annotations

import numpy as np
import pytest

from chamberctl.plant.chain import build_chain, gauge_node
from chamberctl.plant.gauge import reading
from chamberctl.plant.linearize import linearize
from chamberctl.plant.operating import point_at
from chamberctl.plant.point import OperatingPoint
from chamberctl.plant.sensitivity import jacobian, slowest_time_constant, speed_authority
from chamberctl.plant.survey import survey
from chamberctl.study import Gauge, System
from tests.plant.library_plant import library_plant

TOLERANCE = 1e-6
LIBRARY_TOLERANCE = 2e-5


def check_against_library(system: System, point: OperatingPoint, gauge: Gauge) -> None:
    """Frequency response of both inputs to both outputs."""
    model = linearize(system, point, gauge)
    library = library_plant(system, point, gauge, model.load_scale_pa_m3_s)
    for omega in (1e-4, 0.02, 1.0, 30.0):
        expected, found = library(1j * omega), model.plant(1j * omega)
        np.testing.assert_allclose(found, expected, rtol=LIBRARY_TOLERANCE, atol=1e-12)


def check_against_complex_step(
    system: System, speeds: np.ndarray, loads: np.ndarray, gauge: Gauge | None = None
) -> None:
    """Static gain of reading and pressure, and slowest pole, at pairs of speed and load."""
    gauge = gauge if gauge is not None else system.gauges[0]
    chain = build_chain(system)
    node = gauge_node(chain, gauge)
    found = survey(chain, system, gauge, speeds, loads)
    assert np.all(found.feasible)
    by_pressure, by_speed = jacobian(chain, found.pressures_pa, speeds, loads)
    authority = speed_authority(by_pressure, by_speed, speeds)
    slowest = slowest_time_constant(chain, by_pressure, found.pressures_pa)
    shown = reading(system, gauge, found.pressures_pa[node] * (1.0 + 1e-30j))
    steepness = np.imag(shown) / np.real(shown) / 1e-30
    for index in range(speeds.size):
        point = point_at(found, index, chain, system, "")
        check_against_library(system, point, gauge)
        model = linearize(system, point, gauge)
        gain = model.plant.dcgain()
        expected = -authority[:, index] / speeds[index]
        assert gain[0, 0] == pytest.approx(expected[node] * steepness[index], rel=TOLERANCE)
        assert gain[1, 0] == pytest.approx(expected[0], rel=TOLERANCE)
        lags = -1.0 / np.real(model.plant.poles())
        nearest = lags[np.argmin(np.abs(lags - slowest[index]))]
        assert nearest == pytest.approx(slowest[index], rel=TOLERANCE)
