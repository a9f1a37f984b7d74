"""One law, four ways to run it: numbers, arrays, complex arguments, compiled."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache, partial
from typing import Any

import numpy as np
import pytest

from chamberctl.physics.boosters import (
    booster_throughput,
    overflow_throughput,
    zero_flow_compression,
)
from chamberctl.physics.choked import isentropic_throughput_squared
from chamberctl.physics.gases import mean_free_path, most_probable_speed, viscosity
from chamberctl.physics.instruments import indicated_pressure, pump_speed
from chamberctl.physics.passages import kinetic_throughput, passage_lengths, passage_throughput
from chamberctl.physics.pumps import backing_curves_throughput, backing_throughput, curve_table
from chamberctl.plant.compiled import compile_function
from tests.physics.support import difference_quotient, slope

TUBE = (0.02, *(float(x) for x in passage_lengths(0.02, 0.8)), 420.0, 1.75e-5)
CURVE = curve_table([1.0, 10.0, 100.0, 1e4, 1e5], [0.005, 0.05, 0.09, 0.1, 0.06])
MAP = (np.array([0.0, 0.4, 1.0]), np.array([0.2, 0.9, 1.0]))

#: Function, the arguments behind the one that varies, and where the law has no corner.
LAWS: dict[str, tuple[Callable[..., Any], tuple[Any, ...], list[float]]] = {
    "viscosity": (viscosity, (1.755952e-5, 119.9), [250.0, 293.15, 900.0]),
    "most probable speed": (most_probable_speed, (0.028,), [250.0, 900.0]),
    "mean free path": (mean_free_path, (293.15, 0.028, 1.75e-5), [1e-3, 1.0, 1e4]),
    "isentropic flow": (
        isentropic_throughput_squared,
        (50.0, 1e-4, 410.0, 1.4),
        [10.0, 40.0, 60.0, 500.0],
    ),
    "kinetic flow": (kinetic_throughput, (50.0, *TUBE), [1e-3, 49.0, 51.0, 1e4]),
    "passage": (passage_throughput, (50.0, *TUBE, 1.4, 1.0), [1e-3, 49.0, 51.0, 1e4]),
    "orifice": (
        passage_throughput,
        (1e-3, 0.005, 0.006, 0.0134, 420.0, 1.75e-5, 1.4, 0.85),
        [1e-4, 1e-2, 1.0, 1e2, 1e5],
    ),
    "backing pump": (backing_throughput, (0.6, 0.1, 1.0, 0.01, 1.5), [0.1, 1.0, 1e4]),
    "backing pump curve": (
        backing_curves_throughput,
        (0.6, 1.5, 0.95, CURVE[None]),
        [0.1, 3.0, 30.0, 1e3, 5e4, 2e5],
    ),
    "booster": (booster_throughput, (100.0, 0.7, 0.2, 0.004, 1e-6, 0.001), [1.0, 50.0, 1e3]),
    "overflow valve": (overflow_throughput, (9e3, 5e3, 2.0), [1e3, 3e3, 5e3]),
    "zero-flow compression": (zero_flow_compression, (0.2, 0.004, 0.001), [0.2, 1.0]),
    "reading": (indicated_pressure, (1.7,), [1e-2, 1e3]),
    "pump speed": (pump_speed, MAP, [0.1, 0.7, 1.1]),
}


@pytest.mark.parametrize("name", LAWS)
def test_numbers_arrays_complex_and_compiled_agree(name):
    function, others, places = LAWS[name]
    law = partial(_call, function, others)
    plain = [float(law(at)) for at in places]
    assert np.all(np.isfinite(plain))
    assert law(np.array(places)) == pytest.approx(plain, rel=1e-14)
    stacked = law(np.array([places, places]))
    assert stacked.shape == (2, len(places))
    assert np.real(law(np.array(places) + 1e-30j)) == pytest.approx(plain, rel=1e-14)
    compiled = partial(_call, _compiled(function), others)
    assert [compiled(at) for at in places] == pytest.approx(plain, rel=1e-13)
    for at in places:
        scale = abs(float(law(at))) / at
        exact = slope(law, at)
        assert exact == pytest.approx(difference_quotient(law, at), rel=1e-6, abs=1e-9 * scale)
        assert slope(compiled, at) == pytest.approx(exact, rel=1e-12, abs=1e-14 * scale)


@cache
def _compiled(function: Callable[..., Any]) -> Callable[..., Any]:
    return compile_function(function)


def _call(function: Callable[..., Any], others: tuple[Any, ...], at: Any) -> Any:
    return function(at, *others)
