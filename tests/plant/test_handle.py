"""The verdict on speed as a handle, and its alternatives, on plants that are computed by hand."""

from __future__ import annotations

import math

import pytest

from chamberctl.cautions import GAS_ADVICE
from chamberctl.plant.handle import HandleVerdict, handle_verdict
from chamberctl.plant.handle_options import Handle
from chamberctl.plant.window import duty_points
from chamberctl.study import Study, load, loads
from tests import studies
from tests.plant.test_comparison import LINE


def study(*holds: tuple[str, tuple[str, ...]], line: str = "") -> Study:
    text = studies.reference_text(holds)
    if line:
        text = text.replace("[system.backing]", LINE.format(line) + "[system.backing]")
    return loads(text)


def option(found: HandleVerdict, name: str) -> Handle:
    return next(handle for handle in found.handles if name in handle.name)


def reason(found: HandleVerdict, subject: str) -> str:
    return next(finding.text for finding in found.reasons if finding.subject.startswith(subject))


def test_in_the_middle_of_an_ideal_pump_speed_is_good() -> None:
    found = handle_verdict(study(("5 mbar", ("250 mbar L/s",))))
    assert found.verdict == "good"
    assert found.failing == ()
    assert "holds and moves all 1 duty points" in found.sentence
    assert {finding.severity for finding in found.reasons} == {"note"}
    # n = 0.5: room for as much gas again, and for 60 % less; 10 % of rise V dp/(q - S min p)
    assert "at least 100 % more gas" in reason(found, "reserve for more")
    assert "at least 60 % less gas" in reason(found, "reserve for less")
    assert "takes at least 1.7 s" in reason(found, "recovery")
    # the ramp: 20 % of n = 0.5 in 30 s from 0 to rated
    assert "takes 3 s at point 1" in reason(found, "drive")


def test_speed_as_it_is_has_the_numbers_of_the_window() -> None:
    plant = load("preset:reference-plant")
    points = duty_points(plant)
    own = handle_verdict(plant, points).handles[0]
    assert own.held == (1, 2, 3, 4, 5, 6)
    assert own.turndown == pytest.approx(5.0)
    assert own.time_constant_s == pytest.approx(max(p.time_constant_s for p in points))
    assert own.fall_per_s == pytest.approx(min(p.slew_down_pa_s / p.pressure_pa for p in points))
    assert own.rise_per_s == pytest.approx(min(p.slew_up_pa_s / p.pressure_pa for p in points))


def test_behind_a_narrow_line_speed_is_wrong_and_a_wider_line_helps() -> None:
    """C = 0.2 S: authority 0.2/(0.2 + n), 0.167 at full speed; twice as wide 0.4/(0.4 + n)."""
    pressure = 2.5 * (1.0 + 1.0 / 0.2) * 1.001  # just below full speed at 250 mbar L/s
    found = handle_verdict(study((f"{pressure} mbar", ("250 mbar L/s",)), line="20 L/s"))
    assert found.verdict == "wrong"
    assert found.failing == (1,)
    speed = 1.0 / (pressure / 2.5 - 1.0 / 0.2)
    assert found.handles[0].lowest_authority == pytest.approx(0.2 / (0.2 + speed), rel=1e-6)
    assert "wrong handle" in reason(found, "authority")
    wider = option(found, "wider line")
    there = 1.0 / (pressure / 2.5 - 1.0 / 0.4)
    assert wider.lowest_authority == pytest.approx(0.4 / (0.4 + there), rel=1e-6)
    larger = option(found, "larger pumps")
    assert larger.lowest_authority == pytest.approx(found.handles[0].lowest_authority, rel=0.01)
    assert "wider line" in found.sentence
    assert "larger pumps" not in found.sentence


def test_points_out_of_reach_make_it_conditional_and_say_what_would_hold_them() -> None:
    found = handle_verdict(
        study(
            ("5 mbar", ("120 mbar L/s", "250 mbar L/s")),
            ("9 mbar", ("60 mbar L/s",)),
            ("1 mbar", ("250 mbar L/s",)),
            ("2 mbar", ("60 mbar L/s",)),
        )
    )
    assert found.verdict == "conditional"
    assert found.failing == (3, 4)
    assert "not reachable" in reason(found, "window")
    # 9 mbar at minimum speed takes 180 mbar L/s: 120 more, and 5 % to have room
    bleed = option(found, "constant bleed")
    assert bleed.gas_pa_m3_s == pytest.approx(12.6)
    assert 3 in bleed.held
    assert option(found, "throttle").held == (1, 2, 3, 5)
    assert option(found, "larger pumps").held == (2,)  # 1 mbar would take 2.5 times
    assert "throttle" in found.sentence


def test_throttle_and_bleed_at_full_speed_in_closed_form() -> None:
    """p_low = q/S, so that both have the authority 1 - p_low/p = 1 - n; bleed q(1/n - 1)."""
    plant = load("preset:reference-plant")
    points = duty_points(plant)
    found = handle_verdict(plant, points)
    for name in ("throttle", "bleed into"):
        handle = option(found, name)
        assert handle.held == (1, 2, 3, 4, 5, 6)
        assert handle.lowest_authority == pytest.approx(1.0 - max(p.speed for p in points))
        assert handle.highest_authority == pytest.approx(1.0 - min(p.speed for p in points))
        assert handle.fall_per_s == pytest.approx(0.08)  # (S - S n)/V at n = 0.6
        assert math.isinf(handle.turndown)
    throttle, bleed = option(found, "throttle"), option(found, "bleed into")
    assert throttle.time_constant_s == pytest.approx(500.0 / 24.0)  # V p/q at n = 0.24
    assert throttle.rise_per_s == pytest.approx(0.048)
    assert bleed.time_constant_s == pytest.approx(5.0)
    assert bleed.gas_pa_m3_s == pytest.approx(75.0)  # 250 mbar L/s (1/0.25 - 1)


def test_every_advice_to_add_gas_carries_its_caution() -> None:
    found = handle_verdict(load("preset:reference-plant"))
    adding = [handle for handle in found.handles if handle.gas_pa_m3_s > 0.0]
    assert len(adding) == 2
    assert all(GAS_ADVICE in handle.advice for handle in adding)


def test_near_minimum_speed_recovery_is_limited_by_gas() -> None:
    found = handle_verdict(study(("12.4 mbar", ("250 mbar L/s",))))
    assert found.verdict == "conditional"
    assert reason(found, "recovery limited by gas").startswith("Only gas lifts pressure")
    assert "room for 0.8 %" in reason(found, "reserve for less")


def test_at_the_very_end_of_the_window_it_cannot_rise() -> None:
    found = handle_verdict(study(("12.5 mbar", ("250 mbar L/s",))))
    assert "cannot rise at all" in reason(found, "recovery limited by gas")


def test_a_ramp_slower_than_the_chamber_is_said() -> None:
    slow = study(("5 mbar", ("250 mbar L/s",))).with_text({"system.drive.rise_time": "300 s"})
    found = handle_verdict(slow)
    assert found.verdict == "conditional"
    assert "takes 30 s at point 1" in reason(found, "drive")
    assert "a throttle or bleed would be faster" in reason(found, "drive")


def test_where_the_gauge_is_not_in_the_chamber_the_throttle_is_not_computed() -> None:
    moved = study(("5 mbar", ("120 mbar L/s",)), line="500 L/s").with_text(
        {"system.gauge[0].position": "pump inlet"}
    )
    found = handle_verdict(moved)
    assert not option(found, "throttle").computed
    assert "pump inlet" in option(found, "throttle").what


def test_an_open_overflow_valve_makes_speed_the_wrong_handle() -> None:
    furnace = load("preset:crystal-furnace").with_text(
        {"system.booster.overflow_difference": "5 mbar"}
    )
    found = handle_verdict(furnace)
    assert found.verdict == "wrong"
    assert "overflow valve rules" in reason(found, "limiter")
    for name in ("throttle", "bleed into"):
        assert "the booster's overflow valve or torque limit rules" in option(found, name).what
