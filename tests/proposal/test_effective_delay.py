"""What makes a loop late, added up by hand."""

from __future__ import annotations

import pytest

import chamberctl as cc
from chamberctl.control.controller import PidSettings
from chamberctl.proposal.effective_delay import effective_delay


def test_the_furnace_by_hand() -> None:
    """0.4 s + 0.5 s in the drive, 0.1 s + 0.05 s in the gauge, 0.2 s and half of 0.2 s."""
    study = cc.load("preset:crystal-furnace")
    point = cc.operating_point(study.system, indicated_pa=2000.0, gas_load_pa_m3_s=80.0)
    law = PidSettings(kc=1.0, ti_s=9.0, scan_time_s=0.2)
    found = effective_delay(study, law, point)
    assert found.total_s == pytest.approx(1.35)
    move = point.speed * 0.2 / point.authority_chamber
    assert found.ramp_s == pytest.approx(0.5 * move * 40.0)
    assert found.text.startswith("The loop is late by 1.35 s: dead time of the drive 0.4 s")
    assert "dead time of the gauge" not in found.text


def test_without_ramps_nothing_is_said_of_them() -> None:
    study = cc.load("preset:reference-plant").with_text(
        {"system.drive.rise_time": "0 s", "system.drive.fall_time": "0 s"}
    )
    point = cc.operating_point(study.system, indicated_pa=500.0, gas_load_pa_m3_s=25.0)
    found = effective_delay(study, PidSettings(kc=1.0, scan_time_s=0.1), point)
    assert found.ramp_s == 0.0
    assert "ramp" not in found.text
    assert found.total_s == pytest.approx(1.0 + 0.1 + 0.05)
