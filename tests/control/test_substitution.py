"""Responses of many plants at once, and the lists of frequencies they stand in."""

from __future__ import annotations

import numpy as np
import pytest

from chamberctl.control.controller import PidSettings
from chamberctl.control.frequency import stack
from chamberctl.control.loop_grid import Shape, loop_grid
from chamberctl.plant.linear import LoopModel

LAGS = ([-1.0, 0.3, 0.0], [0.2, -0.5, 0.1], [0.0, 0.4, -20.0])
RINGING = ([0.0, 1.0, 0.0], [-4.0, -0.4, 0.0], [0.0, 1.0, -3.0])


def _model(a: tuple[list[float], ...], dead_time_s: float = 0.3, direct: float = 0.0) -> LoopModel:
    b = np.array([[0.0, 0.0], [-1.0, 0.0], [-0.5, 0.0]])
    c = np.array([[1.0, 0.2, 0.1], [1.0, 0.0, 0.0]])
    d = np.array([[direct, 0.0], [0.0, 0.0]])
    return LoopModel(np.array(a), b, c, d, dead_time_s)


@pytest.mark.parametrize("direct", [0.0, -0.2])
@pytest.mark.parametrize("plants", [(LAGS, LAGS), (LAGS, RINGING)], ids=["real", "ringing"])
def test_responses_are_those_of_the_states(
    plants: tuple[tuple[list[float], ...], ...], direct: float
) -> None:
    models = [_model(a, 0.1 * (k + 1), direct) for k, a in enumerate(plants)]
    settings = PidSettings(kc=1.0, ti_s=5.0, reading="linear")
    loops = stack(models, [settings] * len(models))
    omega = np.geomspace(1e-3, 1e3, 3000)
    every = loops.plant_response(np.tile(omega, (len(models), 1)))
    for k, model in enumerate(models):
        inverse = np.linalg.inv(1j * omega[:, None, None] * np.eye(3) - model.a)
        expected = (model.c[0] @ inverse @ model.b[:, 0] + direct) * np.exp(
            -1j * omega * model.dead_time_s
        )
        scale = np.abs(expected)
        assert np.max(np.abs(every[k] - expected) / scale) < 1e-9
        some = loops.plant_response(omega[:7], np.full(7, k))
        assert np.max(np.abs(some - expected[:7]) / scale[:7]) < 1e-9
        assert np.allclose(
            loops.response(omega, np.full(omega.size, k)),
            -expected * settings.frequency_response(omega),
            rtol=1e-9,
        )


@pytest.mark.parametrize("scan_time_s", [None, 0.1])
@pytest.mark.parametrize("tf_s", [0.0, 0.4])
def test_a_grid_holds_plants_and_laws_at_its_frequencies(
    scan_time_s: float | None, tf_s: float
) -> None:
    frame = PidSettings(kc=1.0, tf_s=tf_s, scan_time_s=scan_time_s, reading="linear")
    models = [_model(LAGS, 0.3), _model(RINGING, 2.0), _model(LAGS, 0.05)]
    orders = ("before", "after")
    grid = loop_grid(models, frame, orders)
    grid = grid.with_points(np.array([4, 0, 4]), np.array([2.0, 1.0, 0.7]))
    assert np.array_equal(grid.row, np.repeat(np.arange(6), np.diff(grid.start)))
    assert np.all(np.diff(grid.omega)[grid.inner] >= 0.0)
    assert np.allclose(-grid.plant, grid.loops.plant_response(grid.omega, grid.row), rtol=1e-12)
    law = grid.law(Shape(3.0, 0.5, 0.1))
    for row in range(6):
        own = slice(grid.start[row], grid.start[row + 1])
        settings = PidSettings(
            kc=1.0, ti_s=3.0, td_s=0.5, tfd_s=0.1, tf_s=tf_s, scan_time_s=scan_time_s,
            integral=orders[row // 3],
        )  # fmt: skip
        expected = settings.frequency_response(grid.omega[own])
        assert np.allclose(law[own], expected, rtol=1e-11)


def test_a_grid_takes_the_entries_of_some_plants_from_another() -> None:
    frame = PidSettings(kc=1.0, scan_time_s=0.1, reading="linear")
    grid = loop_grid([_model(LAGS, 0.1 * k) for k in range(4)], frame, ("after",))
    rows = np.array([1, 3])
    part = grid.subset(rows).with_points(np.array([0, 1, 1]), np.array([0.5, 0.4, 0.6]))
    whole = grid.replaced(rows, part)
    direct = grid.with_points(np.array([1, 3, 3]), np.array([0.5, 0.4, 0.6]))
    for name in ("row", "omega", "plant", "straight", "integral", "start"):
        assert np.array_equal(getattr(whole, name), getattr(direct, name)), name
