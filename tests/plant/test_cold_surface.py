"""Steady states with a cold surface in the middle of a line, in front of leaking pumps."""

from __future__ import annotations

import numpy as np
import pytest

from chamberctl.plant.chain import build_chain
from chamberctl.plant.steady import steady_pressures
from tests.plant.plants import booster_plant, conductance, plant

SURFACE = {"kind": "condenser", "conductance_m3_s": 3.0, "vapor_pressure_pa": 5.0}
VAPOR = {"vapor_conductance_m3_s": 0.5, "vapor_saturation_pa": 60.0}


@pytest.mark.parametrize("vapor", [{}, VAPOR], ids=["no vapor load", "vapor load"])
@pytest.mark.parametrize("line_behind", [(), (conductance(0.8),)], ids=["at the pump", "before"])
def test_what_leaves_a_cold_surface_reaches_the_pumps(vapor, line_behind):
    """Every balance closes, whatever stands behind the surface."""
    system = booster_plant(line=(SURFACE, *line_behind), gas_load=vapor)
    chain = build_chain(system)
    speed, load = (grid.ravel() for grid in np.meshgrid([0.3, 0.7, 1.0], [0.01, 0.3, 5.0]))
    pressures = steady_pressures(chain, speed, load)
    assert np.all(np.isfinite(pressures))
    flows = chain.net_flows(pressures, speed, load)
    assert np.max(np.abs(flows) / (load + 30.0)) < 1e-10
    assert np.max(np.abs(flows[1:]) / load) < 1e-9


def test_the_pump_carries_gas_and_vapor_of_the_surface():
    """Ideal pump behind a wide line: p = p_v + q/S at the surface, and S p passes the pump."""
    line = (SURFACE | {"conductance_m3_s": 1e3}, conductance(1e3))
    _, surface, inlet = steady_pressures(build_chain(plant(line=line)), 0.5, 2.0)
    assert surface == pytest.approx(5.0 + 2.0 / 0.05, rel=1e-3)
    assert 0.05 * inlet == pytest.approx(2.0 / (1.0 - 5.0 / surface), rel=1e-3)
