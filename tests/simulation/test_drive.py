"""The drive: ramps and lag against integration; resolution, second ramp and bands."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from chamberctl.simulation.drive import (
    DriveNumbers,
    given_command,
    ramp_ends_after,
    risen,
    speed_after,
)

FRACTION = st.floats(0.0, 1.0)
NO_BANDS = np.empty((0, 2))


def drive(rise: float = 0.05, fall: float = 0.025, lag: float = 0.5, **more: float) -> DriveNumbers:
    bands = more.pop("bands", NO_BANDS)
    return DriveNumbers(
        rise, fall, more.get("second", math.inf), lag, more.get("resolution", 0.0),
        more.get("minimum", 0.0), more.get("maximum", 1.0), bands,
    )  # fmt: skip


@pytest.mark.parametrize("start", [0.2, 0.5, 0.999])
@pytest.mark.parametrize("target", [0.25, 0.51, 1.0])
@pytest.mark.parametrize(("rise", "fall", "lag"), [(0.05, 0.025, 0.5), (0.05, 0.1, 3.0),
                                                  (math.inf, math.inf, 0.7),
                                                  (0.2, math.inf, 0.1)])  # fmt: skip
def test_ramps_and_lag_equal_the_integrated_law(
    start: float, target: float, rise: float, fall: float, lag: float
) -> None:
    """n' = (target - n)/lag, held between -fall and +rise."""
    times = np.linspace(0.0, 40.0, 81)
    numbers = drive(rise, fall, lag)
    found = solve_ivp(
        lambda _, n: np.clip((target - n) / lag, -fall, rise), (0.0, 40.0), [start],
        rtol=1e-10, atol=1e-12, t_eval=times, max_step=0.05,
    )  # fmt: skip
    ours = [speed_after(start, target, numbers, float(t)) for t in times]
    assert ours == pytest.approx(found.y[0], abs=2e-7)


def test_without_lag_the_ramp_is_straight_and_without_ramp_the_speed_jumps() -> None:
    straight = drive(0.05, 0.025, 0.0)
    assert speed_after(0.2, 0.6, straight, 4.0) == pytest.approx(0.4)
    assert speed_after(0.6, 0.2, straight, 4.0) == pytest.approx(0.5)
    assert speed_after(0.2, 0.6, straight, 100.0) == 0.6
    assert speed_after(0.2, 0.6, drive(math.inf, math.inf, 0.0), 0.0) == 0.6


@given(FRACTION, FRACTION, st.floats(0.0, 100.0), st.floats(0.0, 10.0), st.floats(0.0, 5.0))
def test_going_on_from_the_middle_is_the_same_as_going_all_the_way(
    start: float, target: float, first: float, then: float, lag: float
) -> None:
    numbers = drive(lag=lag)
    middle = speed_after(start, target, numbers, first)
    whole = speed_after(start, target, numbers, first + then)
    assert speed_after(middle, target, numbers, then) == pytest.approx(whole, abs=1e-9)


@given(FRACTION, FRACTION, st.floats(0.0, 5.0), st.floats(0.001, 5.0))
def test_the_ramp_is_never_exceeded_nor_the_target_passed(
    start: float, target: float, lag: float, step_s: float
) -> None:
    numbers = drive(lag=lag)
    before = start
    for k in range(1, 30):
        now = speed_after(start, target, numbers, k * step_s)
        assert -0.025 * step_s - 1e-12 <= now - before <= 0.05 * step_s + 1e-12
        assert min(start, target) - 1e-12 <= now <= max(start, target) + 1e-12
        before = now


@given(FRACTION, FRACTION, st.floats(0.0, 3.0))
def test_the_end_of_the_ramp_is_where_the_lag_takes_over(
    start: float, target: float, lag: float
) -> None:
    numbers = drive(lag=lag)
    end = ramp_ends_after(start, target, numbers)
    rate = 0.05 if target > start else -0.025
    at_end = speed_after(start, target, numbers, end)
    if end > 0.0:
        assert at_end == pytest.approx(start + rate * end, abs=1e-9)
        assert abs(target - at_end) == pytest.approx(abs(rate) * lag, abs=1e-9)
    else:
        assert abs(target - start) <= abs(rate) * lag + 1e-12


def test_ramps_that_are_none_or_never_end() -> None:
    assert ramp_ends_after(0.2, 0.8, drive(math.inf, math.inf, 0.5)) == 0.0
    assert ramp_ends_after(0.8, 0.2, drive(0.05, 0.0, 0.0)) == math.inf


def test_a_share_rises_straight_to_one() -> None:
    assert risen(0.3, 0.05, -1.0) == 0.3
    assert risen(0.3, 0.05, 4.0) == pytest.approx(0.5)
    assert risen(0.3, 0.05, 1e3) == 1.0
    assert risen(0.3, math.inf, 0.0) == 1.0
    assert risen(0.3, math.inf, -1e-9) == 0.3


@given(FRACTION, FRACTION, st.sampled_from([0.0002, 0.002, 0.01]))
def test_commands_are_whole_counts_within_the_limits(
    output: float, before: float, resolution: float
) -> None:
    numbers = drive(resolution=resolution, minimum=0.2, maximum=0.9)
    command = given_command(output, before, numbers, 0.1)
    assert 0.2 <= command <= 0.9
    if 0.2 < command < 0.9:
        assert abs(command / resolution - round(command / resolution)) < 1e-9
        assert abs(command - output) <= 0.5 * resolution + 1e-12


@given(FRACTION, FRACTION)
def test_a_second_ramp_holds_the_command_back(output: float, before: float) -> None:
    command = given_command(output, before, drive(second=0.1), 0.2)
    assert abs(command - before) <= 0.02 + 1e-12
    if abs(output - before) <= 0.02:
        assert command == output


def test_bands_are_crossed_only_from_edge_to_edge() -> None:
    """On the way up the lower edge holds until the output is past the band; down likewise."""
    numbers = drive(bands=np.array([[0.4, 0.5], [0.7, 0.72]]))
    assert given_command(0.45, 0.3, numbers, 0.1) == 0.4
    assert given_command(0.45, 0.4, numbers, 0.1) == 0.4
    assert given_command(0.501, 0.4, numbers, 0.1) == 0.501
    assert given_command(0.45, 0.6, numbers, 0.1) == 0.5
    assert given_command(0.399, 0.5, numbers, 0.1) == 0.399
    assert given_command(0.71, 0.5, numbers, 0.1) == 0.7
