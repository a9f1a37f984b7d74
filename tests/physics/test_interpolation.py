"""Slopes of monotone cubics against the library's."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.interpolate import PchipInterpolator

from chamberctl.physics.interpolation import monotone_slopes


@given(
    st.lists(
        st.tuples(st.floats(0.01, 10.0), st.one_of(st.just(0.0), st.floats(-5.0, 5.0))),
        min_size=2, max_size=12,
    )
)  # fmt: skip
def test_inner_slopes_are_those_of_the_library(points: list[tuple[float, float]]) -> None:
    x = np.cumsum([width for width, _ in points])
    values = np.array([value for _, value in points])
    found = monotone_slopes(x, values)
    assert found[0] == found[-1] == 0.0
    with np.errstate(divide="ignore", over="ignore"):  # the library meets level pieces so
        library = PchipInterpolator(x, values).derivative()(x)
    assert found[1:-1] == pytest.approx(library[1:-1], rel=1e-12, abs=1e-300)
