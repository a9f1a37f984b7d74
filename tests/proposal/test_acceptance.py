"""Acceptance scenarios of tuning over a whole duty, on the reference plant, by their numbers."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest

import chamberctl as cc
from chamberctl.control.controller import PidSettings
from chamberctl.simulation.scenarios import simulate

#: Lambda tuning at 5 mbar and half speed: tau 10 s, delay 1 s, closed loop 4 s, b 0, Tt 0.2 Ti.
#: There the reading falls by 10 mbar, or by 1/(0.5 ln 10) decades, per speed fraction.
LOG = PidSettings(
    kc=10.0 / 5.0 * 0.5 * math.log(10.0), ti_s=10.0, b=0.0, tt_s=2.0, scan_time_s=0.1,
    output_min=0.2, output_max=1.0,
)  # fmt: skip
LINEAR = replace(LOG, kc=10.0 / 5.0 / 1000.0, reading="linear")


def plant(holds: Sequence[tuple[str, Sequence[str]]], **changes: str) -> cc.Study:
    """The reference plant with one duty; a fast drive, so that the loop alone is looked at."""
    study = cc.load("preset:reference-plant")
    fields: dict[str, object] = {
        "system.drive.rise_time": "0.1 s",
        "system.drive.fall_time": "0.1 s",
        "system.gauge[0].range_high": "1000 mbar",
    }
    for index in range(len(study.duty.holds)):
        setpoint, loads = holds[min(index, len(holds) - 1)]
        fields[f"duty.hold[{index}].setpoint"] = setpoint
        fields[f"duty.hold[{index}].gas_loads"] = list(loads)
    return study.with_text({**fields, **changes})


def half_speed(setpoint_mbar: float) -> cc.Study:
    return plant([(f"{setpoint_mbar} mbar", [f"{50.0 * setpoint_mbar} mbar L/s"])],
                 **{"controller.reading_high": "1000 mbar"})  # fmt: skip


def test_a05_gains_tuned_at_one_setpoint_are_a_no_at_ten_times_the_pressure() -> None:
    """Linear reading: right at 5 mbar; at 50 mbar with the same speed the loop gain is tenfold."""
    linear = {"controller.reading": "linear"}
    good = cc.assess(half_speed(5.0).with_text(linear), LINEAR)
    assert good.holds
    bad = cc.assess(half_speed(50.0).with_text(linear), LINEAR)
    assert not bad.holds
    assert not bad.points[0].margins.stable
    assert [f.text for f in bad.findings if f.subject == "stability"]
    run = simulate(bad.study, bad, "setpoint-step-down")
    assert run.metrics.limit_cycle is not None
    assert run.metrics.settling_s == math.inf


def test_a06_with_a_log_reading_settling_is_the_same_at_every_setpoint() -> None:
    """Within 2 %. The step is small, as of the setpoint's logarithm; 0.5, 5 and 50 mbar."""
    settled, margins = [], []
    for setpoint in (0.5, 5.0, 50.0):
        study = half_speed(setpoint).with_text({"duty.setpoint_step": "10 %"})
        tuning = cc.assess(study, LOG)
        run = simulate(study, tuning, "setpoint-step-down", point=tuning.points[0].point)
        settled.append(run.metrics.settling_s)
        margins.append(tuning.points[0].margins.ms)
    assert np.ptp(settled) <= 0.02 * min(settled)
    assert np.ptp(margins) <= 1e-6 * min(margins)


def test_a07_over_a_range_of_loads_the_worst_point_is_named() -> None:
    """Ti of the middle, 5 mbar: at n 0.25 the plant is twice as slow, at 0.8 faster than Ti."""
    loads = [f"{500.0 * n:g} mbar L/s" for n in (0.25, 0.5, 0.8)]
    study = plant([("5 mbar", loads)])
    tuning = cc.assess(study, replace(LOG, b=1.0))
    peaks = {point.where: point.margins.ms for point in tuning.points}
    value, index = tuning.worst["ms"]
    assert tuning.points[index].where == max(peaks, key=peaks.__getitem__)
    assert value == max(peaks.values())
    runs = [
        simulate(study, tuning, "gas-step", point=point.point).metrics
        for point in tuning.points[:3]
    ]
    # the slower the plant against Ti, the more it swings past the setpoint
    assert runs[0].undershoot > runs[1].undershoot > runs[2].undershoot - 1e-12


@pytest.mark.parametrize(
    ("pace", "ms"),
    [
        pytest.param("calm", 1.4, marks=pytest.mark.slow),
        ("balanced", 1.6),
        pytest.param("brisk", 2.0, marks=pytest.mark.slow),
    ],
)
def test_the_pace_is_kept_at_every_duty_point_as_typed_in(pace: str, ms: float) -> None:
    tuning = cc.tune(cc.load("preset:reference-plant").with_text({"controller.pace": pace}))
    assert max(point.margins.ms for point in tuning.points) <= ms * 1.005  # decimals as typed
    assert tuning.design.optimum is not None
    assert tuning.design.optimum.limits.ms == ms
