"""Inlet pressures that are stepped to pass what is asked, as those found by bracketing do."""

import numpy as np
import pytest
from scipy.optimize import brentq

import chamberctl as cc
from chamberctl.plant import inlet
from chamberctl.plant.chain import build_chain

PRESETS = tuple(cc.presets())


@pytest.mark.parametrize("name", PRESETS)
def test_every_element_passes_what_was_asked_for(name: str) -> None:
    chain = build_chain(cc.load(f"preset:{name}").system)
    speed = np.repeat([0.25, 0.6, 1.0], 40)
    target = np.tile(np.geomspace(1e-6, 1e3, 40), 3)
    for element in range(chain.size):
        for behind in (1e-3, 5.0, 2e3):
            outlet = np.full(speed.size, behind)
            found = inlet.inlet_pressure(chain, element, outlet, speed, target)
            for i in np.flatnonzero(np.isfinite(found))[::7]:
                expected = _bracketed(chain, element, behind, float(speed[i]), float(target[i]))
                assert found[i] == pytest.approx(expected, rel=1e-12)


def test_hardly_any_search_is_left_to_bracketing(monkeypatch: pytest.MonkeyPatch) -> None:
    left = []
    searched = inlet._searched
    monkeypatch.setattr(inlet, "_searched", lambda *a: left.append(len(a[2])) or searched(*a))
    for name in PRESETS:
        chain = build_chain(cc.load(f"preset:{name}").system)
        target = np.geomspace(1e-4, 1e2, 60)
        for element in range(chain.size):
            inlet.inlet_pressure(chain, element, np.full(60, 1.0), np.full(60, 0.7), target)
    assert sum(left) == 0


def test_without_flow_both_ends_are_alike_and_too_much_flow_has_no_pressure() -> None:
    chain = build_chain(cc.load("preset:freeze-dryer").system)
    target = np.array([0.0, 1e9])
    still, lost = inlet.inlet_pressure(chain, 0, np.ones(2), np.ones(2), target)
    assert still == pytest.approx(1.0, rel=1e-12)
    assert np.isnan(lost)


def _bracketed(chain, element: int, outlet: float, speed: float, target: float) -> float:
    def excess(x: float) -> float:
        args = (np.array([np.exp(x)]), np.array([outlet]), np.array([speed]))
        return float(chain.throughput(element, *args)[0]) - target

    ends = np.log([inlet.LOWEST_NODE_PRESSURE_PA, inlet.HIGHEST_PRESSURE_PA])
    return float(np.exp(brentq(excess, *ends, xtol=1e-15, rtol=1e-14)))
