"""The linear model against complex-step derivatives, for tests of plants and presets."""

from __future__ import annotations

import numpy as np
import pytest

from chamberctl.plant.chain import build_chain, gauge_node
from chamberctl.plant.gauge import reading
from chamberctl.plant.linearize import linearize
from chamberctl.plant.operating import point_at
from chamberctl.plant.sensitivity import slowest_time_constant, speed_authority
from chamberctl.plant.survey import survey
from chamberctl.study import Gauge, System

TOLERANCE = 1e-6


def check_against_complex_step(
    system: System, speeds: np.ndarray, loads: np.ndarray, gauge: Gauge | None = None
) -> None:
    """Static gain of reading and pressure, and slowest pole, at pairs of speed and load."""
    gauge = gauge if gauge is not None else system.gauges[0]
    chain = build_chain(system)
    node = gauge_node(chain, gauge)
    found = survey(chain, system, gauge, speeds, loads)
    assert np.all(found.feasible)
    arguments = (found.pressures_pa, speeds, loads)
    authority = speed_authority(chain, *arguments)
    slowest = slowest_time_constant(chain, *arguments)
    shown = reading(system, gauge, found.pressures_pa[node] * (1.0 + 1e-30j))
    steepness = np.imag(shown) / np.real(shown) / 1e-30
    for index in range(speeds.size):
        model = linearize(system, point_at(found, index, chain, system, ""), gauge)
        gain = model.plant.dcgain()
        expected = -authority[:, index] / speeds[index]
        assert gain[0, 0] == pytest.approx(expected[node] * steepness[index], rel=TOLERANCE)
        assert gain[1, 0] == pytest.approx(expected[0], rel=TOLERANCE)
        lags = -1.0 / np.real(model.plant.poles())
        nearest = lags[np.argmin(np.abs(lags - slowest[index]))]
        assert nearest == pytest.approx(slowest[index], rel=TOLERANCE)
