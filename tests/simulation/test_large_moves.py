"""The largest steps that stay clear of ramps and limits, tried on the nonlinear plant."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from chamberctl.control.controller import PidSettings
from chamberctl.control.designs import simc_design
from chamberctl.control.duty_loops import duty_loops
from chamberctl.control.large_moves import WAYS, LargestStep, PointMoves, large_moves
from chamberctl.control.margins import margins
from chamberctl.control.move_findings import move_findings
from chamberctl.control.room import Room
from chamberctl.control.tuned import Tuning
from chamberctl.control.tuning import assessed
from chamberctl.plant.point import OperatingPoint
from chamberctl.report import moves_text
from chamberctl.simulation.engine import Trace
from chamberctl.simulation.metrics import at_limits, ramp_share
from chamberctl.simulation.scenarios import build
from chamberctl.study import Study, load


@cache
def tuned(name: str) -> tuple[Study, Tuning]:
    """A preset with its SIMC settings."""
    study = load(f"preset:{name}")
    loops = duty_loops(study)
    return study, assessed(loops, simc_design(loops))


def moves_of(name: str, **changes: object) -> tuple[Study, PidSettings, tuple[PointMoves, ...]]:
    study, tuning = tuned(name)
    settings = replace(tuning.settings, **changes)
    return study, settings, large_moves(study, settings, tuning.points)


def run(study: Study, law: PidSettings, point: OperatingPoint, way: str, size: float) -> Trace:
    """The loop on the nonlinear plant after a step of gas flow or setpoint."""
    kind, _, direction = way.partition("_")
    percent = f"{100 * size!r} %"
    if kind == "setpoint":
        changed = study.with_text({"duty.setpoint_step": percent})
        return build(changed, law, point, f"setpoint-step-{direction}").run()
    prepared = build(study.with_text({"duty.gas_load_step": percent}), law, point, "gas-step")
    happenings = prepared.happenings
    if direction == "down":
        corners = happenings.load.copy()
        corners[:, 1] = 2.0 * corners[0, 1] - corners[:, 1]
        happenings = replace(happenings, load=corners)
    return replace(prepared, happenings=happenings).run()


def touches(study: Study, law: PidSettings, point: OperatingPoint, way: str, size: float) -> bool:
    """Whether a ramp holds the drive back, or the output comes to a limit.

    A drive without lag is always on its ramp for a while; it is held back where it does not arrive
    within the scan. One with lag is held back where it moves otherwise than one without ramps.
    """
    trace, drive = run(study, law, point, way, size), study.system.drive
    if any(np.any(side) for side in at_limits(trace, drive)):
        return True
    if drive.lag_s == 0.0:
        return bool(ramp_share(trace, drive).max() >= 1.0 - 1e-9)
    free = study.with_text({"system.drive.rise_time": "0 s", "system.drive.fall_time": "0 s"})
    other = run(free, law, point, way, size)
    return bool(np.abs(trace.columns["speed"] - other.columns["speed"]).max() > 1e-9)


def hold_to_the_plant(
    name: str, index: int, ways: Sequence[str], **changes: object
) -> dict[str, LargestStep]:
    study, law, moves = moves_of(name, **changes)
    point = tuned(name)[1].points[index].point
    assert moves[index].where == point.where
    for way in ways:
        step: LargestStep = getattr(moves[index], way)
        assert math.isfinite(step.size), way
        assert not touches(study, law, point, way, 0.9 * step.size), way
        assert touches(study, law, point, way, 1.2 * step.size), way
    return {way: getattr(moves[index], way) for way in WAYS}


def test_on_the_reference_plant_a_little_less_stays_clear_and_a_little_more_does_not() -> None:
    """0.9 of the largest step never touches ramp or limit, 1.2 of it does."""
    found = hold_to_the_plant("reference-plant", 4, WAYS)
    assert found["gas_up"].bound == "rise ramp"
    assert found["gas_down"].bound == "fall ramp"
    # the law's first move, kc b log10(1 + x), against a scan's share of the 30 s ramp
    law = tuned("reference-plant")[1].settings
    by_hand = 10.0 ** (0.1 / 30.0 / law.kc) - 1.0
    assert found["setpoint_up"].size == pytest.approx(by_hand, rel=1e-6)
    assert found["setpoint_up"].at_once
    assert not found["gas_up"].at_once


def test_without_the_first_move_a_setpoint_may_step_a_hundred_times_as_far() -> None:
    found = hold_to_the_plant("reference-plant", 0, ("setpoint_up", "setpoint_down"), b=0.0)
    assert found["setpoint_up"].size > 0.1
    assert not found["setpoint_up"].at_once


def test_limits_of_the_output_count_as_well() -> None:
    """5 mbar at 120 mbar L/s runs at 24 % of speed, near the lowest output of 20 %."""
    found = hold_to_the_plant("reference-plant", 3, ("gas_down",))
    assert found["gas_down"].bound == "lowest output"
    study, tuning = tuned("reference-plant")
    narrow = replace(tuning.settings, output_max=0.26)
    moves = large_moves(study, narrow, tuning.points)[3]
    assert moves.gas_up.bound == "highest output"
    point = tuning.points[3].point
    assert not touches(study, narrow, point, "gas_up", 0.9 * moves.gas_up.size)
    assert touches(study, narrow, point, "gas_up", 1.2 * moves.gas_up.size)


@pytest.mark.slow
@pytest.mark.parametrize("index", [0, 2, 4])
@pytest.mark.parametrize("b", [0.0, 1.0])
def test_on_the_crystal_furnace_with_its_lagging_drive(index: int, b: float) -> None:
    hold_to_the_plant("crystal-furnace", index, WAYS, b=b)


@pytest.mark.slow
def test_on_the_furnace_down_to_its_lowest_output() -> None:
    found = hold_to_the_plant("heat-treatment-furnace", 4, WAYS)
    assert found["gas_down"].bound == "lowest output"


def test_a_ramp_of_the_setpoint_lets_it_step_further() -> None:
    study, law, plain = moves_of("reference-plant")
    slow = moves_of("reference-plant", setpoint_ramp_per_s=0.004)[2]
    assert slow[4].setpoint_down.size > 20.0 * plain[4].setpoint_down.size
    assert slow[4].gas_up.size == plain[4].gas_up.size
    point = tuned("reference-plant")[1].points[4].point
    law = replace(law, setpoint_ramp_per_s=0.004)
    step = slow[4].setpoint_down
    assert step.bound == "highest output"
    assert 0.4 < step.size < 0.5  # half the pressure at twice the speed of 50 %
    assert not touches(study, law, point, "setpoint_down", 0.9 * step.size)
    assert touches(study, law, point, "setpoint_down", 1.2 * step.size)


def test_a_second_ramp_and_a_limit_of_the_outputs_rate_bind_too() -> None:
    study, tuning = tuned("reference-plant")
    double = study.with_text({"system.drive.second_ramp": "60 s"})
    found = large_moves(double, tuning.settings, tuning.points)[4]
    plain = large_moves(study, tuning.settings, tuning.points)[4]
    assert found.gas_up.bound == "second ramp"
    assert found.gas_up.size == pytest.approx(0.5 * plain.gas_up.size, rel=1e-6)
    limited = replace(tuning.settings, output_rate_per_s=1.0 / 90.0)
    found = large_moves(study, limited, tuning.points)[4]
    assert found.gas_down.bound == "output rate"
    assert found.gas_down.size == pytest.approx(plain.gas_down.size / 3.0, rel=1e-6)


def test_a02_how_fast_gas_alone_lifts_the_pressure() -> None:
    """(q - S n_min p)/V: 0.30 mbar/s at 5 mbar and 250 mbar L/s; and where it is too slow."""
    _, _, moves = moves_of("reference-plant")
    at = {point.where: point for point in moves}
    fast = at["5 mbar at 250 mbar L/s"]
    assert fast.rise_per_s == pytest.approx(0.30 / 5.0, rel=1e-6)
    assert not fast.gas_limited
    slow = at["5 mbar at 120 mbar L/s"]
    # p' = (q - S p)/V with S = 20 L/s: from 5 to 5.5 mbar towards 6 mbar, V/S = 25 s
    assert slow.rise_time_s == pytest.approx(25.0 * math.log(1.0 / 0.5), rel=5e-3)
    assert slow.gas_limited
    assert slow.asked_rise_per_s > slow.rise_per_s


def test_where_the_pressure_cannot_rise_it_is_said() -> None:
    """At the lowest output the pumps still carry more than enters after the step up."""
    study, tuning = tuned("reference-plant")
    fast = study.with_text({"system.drive.minimum_speed": "11.8 Hz"})
    law = replace(tuning.settings, output_min=0.236)
    moves = large_moves(fast, law, tuning.points)
    at = {point.where: point for point in moves}["5 mbar at 120 mbar L/s"]
    assert math.isinf(at.rise_time_s)
    said = [finding.text for finding in move_findings(fast, moves)]
    assert any("cannot rise by the duty's setpoint step of 10 %" in text for text in said)
    assert any("never air where vapor, hydrogen, dust or hot parts may ignite" in x for x in said)
    shown = moves_text.table(fast, moves)
    row = next(row for row in shown.rows if row.cells[0] == at.where)
    assert row.cells[-1] == "for ever"


def test_findings_name_the_point_the_bound_and_the_remedy() -> None:
    study, _, moves = moves_of("reference-plant")
    gas, setpoint, rise = move_findings(study, moves)
    assert [f.severity for f in (gas, setpoint, rise)] == ["caution"] * 3
    assert "The duty's step of 20 % of the gas flow meets a ramp or a limit at 5 of 6" in gas.text
    assert "up to 12.9 % stay clear" in gas.text
    assert "meets the drive's ramp" in gas.text
    assert "a smaller setpoint weight or a setpoint ramp takes it away" in setpoint.text
    assert "At 5 mbar at 120 mbar L/s the loop asks for 4.4 %/s" in rise.text
    small = study.with_text({"duty.gas_load_step": "5 %"})
    calm = next(iter(move_findings(small, moves)))
    assert calm.severity == "note"
    assert calm.text.startswith("Steps of the gas flow up to 12.9 % stay clear")
    assert list(move_findings(study, ())) == []


def test_table_and_numbers_for_machines() -> None:
    study, _, moves = moves_of("reference-plant")
    shown = moves_text.table(study, moves, [str(i) for i in range(1, 7)])
    assert [row.cells[0] for row in shown.rows] == ["1", "2", "3", "4", "5", "6"]
    assert shown.rows[3].cells[3:5] == ["14.4", "the lowest output"]
    assert all(row.kind == "strong" for row in shown.rows)
    answer = moves_text.as_json(moves)
    assert answer[3]["gas_down"]["then_meets"] == "lowest output"
    assert answer[0]["rise_per_s"] == moves[0].rise_per_s
    nothing = replace(moves[0], gas_up=LargestStep(math.inf, ""))
    assert moves_text.table(study, [nothing]).rows[0].cells[1:3] == ["any", ""]
    free = [replace(nothing, gas_down=LargestStep(math.inf, ""))]
    assert "No step of the gas flow" in next(iter(move_findings(study, free))).text


def test_unstable_loops_have_no_largest_steps() -> None:
    study, tuning = tuned("reference-plant")
    wild = replace(tuning.settings, kc=20.0 * tuning.settings.kc)
    points = [replace(p, margins=margins(p.model, wild)) for p in tuning.points]
    assert large_moves(study, wild, points) == ()


def test_a_lagging_drive_is_asked_for_what_the_command_is_ahead() -> None:
    """A command that jumps by 0.1 asks a lag of 0.5 s for 0.2 per s at once, less a scan later."""
    room = Room(0.5, 0.2, 1.0, 0.1, 0.05, math.inf, math.inf, 0.5)
    output = np.array([0.1, 0.1, 0.0, 0.0])
    used = room.used(output, output, 0.1)
    assert used["rise ramp"] == pytest.approx(0.2 / 0.1)
    ahead = 0.1 * math.exp(-0.4)
    assert used["fall ramp"] == pytest.approx((0.1 - ahead) / 0.5 / 0.05)
    assert used["highest output"] == pytest.approx(0.1 / 0.5)
    assert used["lowest output"] == 0.0
