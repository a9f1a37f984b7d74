"""Bracketed roots against the library's, closed forms and what no bracket holds."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import elementwise

from chamberctl.plant.bracketed import bracketed_root


def cubic(x: Any, wanted: Any, steepness: Any) -> Any:
    return np.sinh(steepness * x) + x - wanted


@given(st.lists(st.tuples(st.floats(-50.0, 50.0), st.floats(0.01, 8.0)), min_size=1, max_size=20))
def test_roots_are_those_of_the_library(cases: list[tuple[float, float]]) -> None:
    wanted, steepness = np.array(cases).T
    low, high = np.full(wanted.shape, -60.0), np.full(wanted.shape, 60.0)
    found = bracketed_root(cubic, low, high, (wanted, steepness))
    # Unless it is told, the library halves a root at zero down to the smallest float there is.
    library = elementwise.find_root(
        cubic, (low, high), args=(wanted, steepness), tolerances={"xatol": 1e-15}
    )
    assert np.all(library.success)
    assert found == pytest.approx(library.x, rel=1e-12, abs=1e-12)


def test_a_root_at_an_end_or_in_a_jump_is_found() -> None:
    low, high = np.array([0.0, 0.0, -1.0]), np.array([1.0, 1.0, 2.0])
    root = np.array([0.0, 1.0, 0.3])

    def step(x: Any, at: Any) -> Any:
        return np.where(x == at, 0.0, np.sign(x - at))

    assert bracketed_root(step, low, high, (root,)) == pytest.approx(root, abs=1e-15)


def test_no_root_and_no_number_give_no_number() -> None:
    low, high = np.zeros(3), np.ones(3)

    def shifted(x: Any, by: Any) -> Any:
        return x - by

    found = bracketed_root(shifted, low, high, (np.array([2.0, np.nan, 0.25]),))
    assert np.isnan(found[:2]).all()
    assert found[2] == pytest.approx(0.25)


def test_a_function_without_a_number_inside_the_bracket_gives_none() -> None:
    def broken(x: Any) -> Any:
        return np.where(np.abs(x) < 0.9, np.nan, x)

    assert np.isnan(bracketed_root(broken, np.array([-1.0]), np.array([1.0]))).all()
