"""Gauges, unmetered gas, and what lies outside the model."""

from __future__ import annotations

import numpy as np
import pytest

from chamberctl.errors import InputError, StudyError
from chamberctl.plant.chain import build_chain
from chamberctl.plant.operating import operating_point
from chamberctl.plant.steady import steady_pressures
from chamberctl.plant.window import operating_window
from chamberctl.study import load, loads
from tests import studies
from tests.plant.linear_check import check_against_complex_step
from tests.plant.plants import conductance, plant
from tests.plant.rigs import boosted, gauge_at


def test_gauges_stand_where_they_are_said_to_stand():
    line = (conductance(0.2) | {"name": "filter"}, conductance(0.3))
    both = {"output": (0.0, 1.0), "booster": (0.0, 1.0), "backing": (0.0, 1.0)}
    system = boosted(line=line, speed_map=both)
    nodes = steady_pressures(build_chain(system), 0.8, 5.0)
    places = ("chamber", "after filter", "pump inlet", "interstage")
    for place, pressure in zip(places, nodes, strict=True):
        gauge = gauge_at(place)
        point = operating_point(system, speed=0.8, gas_load_pa_m3_s=5.0, gauge=gauge)
        assert point.indicated_pa == pytest.approx(pressure, rel=1e-12)
        assert point.gauge_offset_pa == pytest.approx(pressure - nodes[0], abs=1e-9)
        again = operating_point(
            system, indicated_pa=point.indicated_pa, gas_load_pa_m3_s=5.0, gauge=gauge
        )
        assert again.speed == pytest.approx(0.8, rel=1e-9)


def test_a_heated_head_reads_high_at_low_pressure_only():
    """45 degC on 20 degC: sqrt(318.15/293.15) = 1.0418 in molecular flow, 1 in viscous flow."""
    gauge = gauge_at("chamber", head_temperature_k=318.15, range_low_pa=1e-6)
    system = plant()
    low, middle, high = (
        operating_point(system, speed=0.5, gas_load_pa_m3_s=load_, gauge=gauge)
        for load_ in (1e-3 * 0.05, 4.5 * 0.05, 1e4 * 0.05)
    )
    assert low.indicated_pa / low.pressure_pa == pytest.approx((318.15 / 293.15) ** 0.5, rel=1e-3)
    assert middle.indicated_pa / middle.pressure_pa == pytest.approx(1.0206, abs=2e-3)
    assert high.indicated_pa == pytest.approx(high.pressure_pa, rel=1e-5)
    for point in (low, middle, high):
        again = operating_point(
            system, indicated_pa=point.indicated_pa, gas_load_pa_m3_s=point.gas_load_pa_m3_s,
            gauge=gauge,
        )  # fmt: skip
        assert again.pressure_pa == pytest.approx(point.pressure_pa, rel=1e-10)
    model_gauges = system.model_copy(update={"gauges": (gauge,)})
    check_against_complex_step(model_gauges, np.array([0.5, 0.9]), np.array([0.2, 0.5]), gauge)


def test_outgassing_adds_to_every_load():
    """1e-2 Pa m3/s after one hour, falling as 1/t: 1e-3 after ten hours, beside a leak of 2e-3."""
    study = load("preset:reference-plant").with_text(
        {
            "system.gas_load.leak": "0.02 mbar L/s",
            "system.gas_load.outgassing_1h": "0.1 mbar L/s",
            "system.gas_load.outgassing_age": "10 h",
        }
    )
    bare = load("preset:reference-plant")
    added = [
        more[1] - less[1]
        for more, less in zip(study.duty_points(), bare.duty_points(), strict=True)
    ]
    assert added == pytest.approx([3e-3] * len(added), rel=1e-9)


# Thermal gauges in another gas.


def test_a_thermal_gauge_that_ignores_its_gas_is_a_caution():
    text = {"system.gauge[0].kind": "thermal"}
    study = load("preset:reference-plant").with_text(text)

    def cautions(changes):
        window = operating_window(study.with_text(changes), n_speeds=3, n_loads=2)
        return [
            f.text for f in window.findings if f.subject == "gas factor" and f.severity == "caution"
        ]

    assert cautions({}) == []
    (argon,) = cautions({"system.gas.name": "Ar"})
    assert "typically 1.7 times" in argon
    assert cautions({"system.gas.name": "Ar", "system.gauge[0].gas_factor": "1.6"}) == []
    assert cautions({"system.gas.name": "Ar", "system.gauge[0].kind": "capacitance"}) == []


# Outside the model.

OUTSIDE = "outside the model"


@pytest.mark.parametrize(
    "added",
    [
        '[system.turbo]\nspeed = "300 L/s"\n',
        '[system.turbomolecular_pump]\nspeed = "300 L/s"\n',
        '[system.cryopump]\nspeed = "3000 L/s"\n',
        '[system.condensing_pump]\nspeed = "3000 L/s"\n',
        '[system.getter]\nspeed = "30 L/s"\n',
        '[[system.line]]\nkind = "turbo"\n',
        '[[system.line]]\nkind = "diffusion pump"\n',
    ],
)
def test_pumps_that_do_not_displace_gas_are_refused_in_words(added):
    text = load("preset:reference-plant").text
    with pytest.raises(StudyError, match=OUTSIDE) as refusal:
        loads(f"{text}\n{added}")
    assert "displace gas" in str(refusal.value)
    assert "1e-3 Pa" in str(refusal.value)


def test_pressures_below_the_model_are_refused_in_words():
    with pytest.raises(InputError, match=OUTSIDE):
        operating_point(plant(), pressure_pa=5e-4, gas_load_pa_m3_s=1e-6)
    with pytest.raises(InputError, match=OUTSIDE):
        operating_point(plant(), speed=0.5, gas_load_pa_m3_s=1e-6)


def test_a_window_that_reaches_below_the_model_says_so():
    """An ideal pump has no ultimate pressure: 5e-4 mbar L/s at 100 L/s are 5e-6 mbar."""
    held = studies.reference_text([("1.5e-5 mbar", ("5e-4 mbar L/s",))])
    held = held.replace('range_low = { is = "0.01 mbar"', 'range_low = { is = "1e-6 mbar"')
    held = held.replace('reading_low = { is = "0.1 mbar"', 'reading_low = { is = "1e-6 mbar"')
    window = operating_window(loads(held), n_speeds=3)
    (found,) = (f for f in window.findings if f.subject == OUTSIDE)
    assert found.severity == "caution"
    assert "5.0e-6 mbar" in found.text
    usual = operating_window(loads(studies.reference_text([("5 mbar", ("250 mbar L/s",))])))
    assert not any(f.subject == OUTSIDE for f in usual.findings)
    study = load("preset:reference-plant")
    with pytest.raises(StudyError, match=OUTSIDE):
        study.with_text({"duty.hold[0].setpoint": "5e-6 mbar"})
