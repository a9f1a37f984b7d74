"""Gases, line parts, loads, pumps and gauges of a study: what is read and what follows from it."""

from __future__ import annotations

import pytest
from pydantic import ValidationError

from chamberctl.study import (
    Booster,
    Gas,
    GasLoad,
    GasShare,
    Gauge,
    SpeedCurve,
    Study,
    field_at,
    load,
    loads,
    with_value,
)
from tests.test_malformed_parts import (
    DUTY,
    FULL,
    GAS,
    HALF,
    K0,
    OWN,
    POSITION,
    TRAP,
    blend,
    booster,
    curves,
)
from tests.test_malformed_studies import GOOD


def changed(*changes: tuple[str, str]) -> Study:
    """Read the good study with changes; written anew it must be read back the same."""
    text = GOOD
    for old, new in changes:
        assert old in text
        text = text.replace(old, new, 1)
    study = loads(text)
    anew = study.model_copy(update={"title": "anew"})
    assert loads(anew.text).system == study.system
    assert loads(anew.text).duty == study.duty
    return study


def test_gases() -> None:
    assert changed().system.gas == Gas(name="N2")
    own = changed((GAS, OWN)).system.gas
    assert own.molar_mass_kg_mol == pytest.approx(0.03995)
    assert own.viscosity_20c_pa_s == pytest.approx(22.3e-6)
    assert (own.sutherland_k, own.heat_capacity_ratio) == (159.0, 1.67)
    mixed = changed(blend(("Ar", "80 %"), ("N2", "20 %"))).system.gas
    assert mixed.parts == (GasShare(name="Ar", fraction=0.8), GasShare(name="N2", fraction=0.2))
    thirds = changed(blend(("Ar", "33.3333 %"), ("N2", "33.3333 %"), ("He", "33.3333 %")))
    assert len(thirds.system.gas.parts) == 3


def test_line_parts_and_a_gauge_behind_one() -> None:
    more = (
        '[[system.line]]\nkind = "elbow"\nname = "bend"\ndiameter = "160 mm"\nleg = "200 mm"\n'
        '[[system.line]]\nkind = "valve"\ndiameter = "160 mm"\nopening_time = "2 s"\n'
        '[[system.line]]\nkind = "valve"\nconductance = "900 L/s"\n'
        + TRAP + 'vapor_pressure = "0.1 mbar"\nvolume = "30 L"\n'
    )  # fmt: skip
    study = changed((DUTY, more + DUTY), (POSITION, 'position = "after bend"'))
    system = study.system
    assert system.line_names == ("tube 1", "bend", "valve 3", "valve 4", "condenser 5")
    assert (system.line[1].leg_m, system.line[2].opening_time_s) == (0.2, 2.0)
    assert system.line[3].conductance_m3_s == pytest.approx(0.9)
    assert system.line[4].vapor_pressure_pa == pytest.approx(10.0)
    assert system.gauges[0].position == "after bend"
    by_number = changed((DUTY, more + DUTY), (POSITION, 'position = "after valve 4"'))
    assert by_number.system.gauges[0].position == "after valve 4"


def test_outgassing_is_added_like_leakage_at_its_age() -> None:
    text = (
        '[system.gas_load]\nleak = "1 mbar L/s"\noutgassing_1h = "40 mbar L/s"\n'
        'outgassing_exponent = 0.5\noutgassing_age = "4 h"\n'
    )
    study = changed((DUTY, text + DUTY))
    assert study.system.gas_load.outgassing_pa_m3_s == pytest.approx(2.0)  # 40/sqrt(4) mbar L/s
    assert study.system.gas_load.unmetered_pa_m3_s == pytest.approx(2.1)
    assert study.duty_points()[0][1] == pytest.approx(27.1)
    assert GasLoad(outgassing_1h_pa_m3_s=3.0).outgassing_pa_m3_s == 3.0


def test_vapor_and_wall_and_floor() -> None:
    text = '[system.gas_load]\nvapor_conductance = "50 L/s"\nvapor_saturation = "6 mbar"\n'
    floor = 'minimum_controllable_pressure = "0.5 mbar"\nminimum_controllable_reason = "tried it"\n'
    wall = ('volume = "500 L"', 'volume = "500 L"\nwall_distance = "40 cm"')
    study = changed((DUTY, text + DUTY + floor), wall)
    assert study.system.gas_load.vapor_conductance_m3_s == pytest.approx(0.05)
    assert study.system.gas_load.vapor_saturation_pa == pytest.approx(600.0)
    assert study.duty_points()[0][1] == 25.0  # the vapor depends on the pressure: not counted here
    assert study.system.chamber.wall_distance_m == pytest.approx(0.4)
    assert study.duty.minimum_controllable_pressure_pa == pytest.approx(50.0)
    assert study.duty.minimum_controllable_reason == "tried it"


def test_booster_by_a_compression_curve() -> None:
    given = changed(booster('gap_conductance = "3 L/s"\nstated_gas = "air"')).system.booster
    assert given is not None
    assert (given.slip_split, given.stated_gas) == ("as given", "air")
    assert given.compression_curve is None
    study = changed(booster(K0 + 'torque_difference = "50 mbar"'))
    curve = study.system.booster
    assert curve is not None
    assert curve.compression_curve == ((10.0, 30.0), (100.0, 50.0))
    assert (curve.slip_split, curve.gap_conductance_m3_s) == ("at peak", None)
    assert curve.torque_difference_pa == pytest.approx(5000.0)
    assert study.provenance["system.booster.slip_split"].basis == "default"
    other = changed(booster(K0 + 'slip_split = "carry-back"')).system.booster
    assert other is not None
    assert other.slip_split == "carry-back"


def test_backing_pump_by_several_curves_and_ballast() -> None:
    more = 'ballast = "10 mbar L/s"\nballast_share = "5 %"\nstated_gas = "air"'
    backing = changed(curves(HALF, FULL, more=more)).system.backing
    assert [curve.speed for curve in backing.curves] == [0.5, 1.0]
    full = ((10.0, 50 / 3600), (1000.0, 100 / 3600))
    assert backing.curves[1] == SpeedCurve(speed=1.0, points=full)
    assert (backing.ballast_pa_m3_s, backing.ballast_share) == (1.0, 0.05)
    assert backing.displacement_m3_s is None


def test_a_list_a_curve_and_a_whole_number_keep_their_basis_when_written_anew() -> None:
    details = 'basis = "measured", tolerance = "5 %", note = "own test" }'
    study = loads(
        GOOD.replace('["250 mbar L/s"]', f'{{ is = ["15 slm(0 degC)"], {details}')
        .replace('displacement = "100 L/s"', f"curve = {{ is = [{FULL[1]}], {details}")
        .replace('signal = "linear"', f'signal = "linear"\nbits = {{ is = 16, {details}')
    )  # fmt: skip
    anew = loads(study.model_copy(update={"title": "anew"}).text)
    for path in ("duty.hold[0].gas_loads", "system.backing.curve", "system.gauge[0].bits"):
        assert anew.provenance[path].basis == "measured"
        assert anew.provenance[path].tolerance == 0.05
    backing = study.system.backing.model_copy(update={"curve": ((10.0, 0.01), (20.0, 0.02))})
    system = study.system.model_copy(update={"backing": backing})
    other = loads(study.model_copy(update={"system": system}).text)
    assert other.provenance["system.backing.curve"].basis == "not stated"


def test_gauge_between_booster_and_pump() -> None:
    gap = 'gap_conductance = "3 L/s"'
    study = changed(booster(gap), (POSITION, 'position = "interstage"'))
    assert study.system.gauges[0].position == "interstage"


def test_models_refuse_in_python_what_the_file_may_not_say() -> None:
    with pytest.raises(ValidationError, match="a gas of your own needs molar_mass"):
        Gas(name="own")
    with pytest.raises(ValidationError, match="missing: give gap_conductance"):
        Booster(swept_speed_m3_s=0.1)
    with pytest.raises(ValidationError, match="must be 'chamber', 'pump inlet'"):
        Gauge(tag="P", kind="other", position="roof", range_low_pa=1, range_high_pa=2, signal="log")


def test_presets_of_before_have_no_new_parts() -> None:
    system = load("preset:crystal-furnace").system
    assert system.gas.parts == ()
    assert system.gas_load.unmetered_pa_m3_s == system.gas_load.leak_pa_m3_s
    assert system.booster is not None
    assert system.booster.slip_split == "as given"


def test_a_value_is_found_and_replaced_by_its_path() -> None:
    study = load("preset:crystal-furnace")
    spec, value = field_at(study, "system.chamber.hot_zone[0].temperature")
    assert (spec.dimension, value) == ("temperature", 900.0)
    assert field_at(study, "system.drive.rated")[1] == 50.0
    assert field_at(study, "duty.hold[1].gas_loads")[1] == study.duty.holds[1].gas_loads_pa_m3_s
    changed = with_value(study, "system.line[1].conductance", 0.25)
    assert changed.system.line[1].conductance_m3_s == 0.25
    assert changed.system.line[0] is study.system.line[0]
    assert study.system.line[1].conductance_m3_s == 0.5
    assert changed.provenance == study.provenance
    assert loads(changed.text).system == changed.system


NO_FIELDS = (
    "system.chamber", "system.chamber.volum", "system.line[9].length", "system.line",
    "system.line[0]", "system.drive.lag[0]", "title.x", "title[0]", "a b", "",
)  # fmt: skip


@pytest.mark.parametrize("path", NO_FIELDS)
def test_a_path_to_no_field_is_refused(path: str) -> None:
    with pytest.raises((LookupError, ValueError)):
        with_value(load("preset:crystal-furnace"), path, 1.0)


def test_defaults_that_mean_nothing_for_a_part_are_not_counted() -> None:
    """A tube has no discharge coefficient, an unheated head no tube, a tight chamber no fall."""
    known = load("preset:crystal-furnace").provenance
    for path in (
        "system.line[0].discharge_coefficient",
        "system.line[0].opening_time",
        "system.line[1].vapor_pressure",
        "system.booster.compression_curve",
        "system.backing.curve_known_down_to_speed",
        "system.backing.ballast_share",
        "system.gauge[0].tube_bore",
        "system.gas_load.outgassing_exponent",
        "system.gas_load.vapor_saturation",
    ):
        assert path not in known, path
    parts = [
        {"kind": "orifice", "diameter": "20 mm"},
        {"kind": "valve", "diameter": "80 mm"},
        {"kind": "cold trap", "conductance": "300 L/s"},
    ]
    changed = load("preset:crystal-furnace").with_text(
        {"system.line": parts, "system.gas_load.outgassing_1h": "1 mbar L/s"}
    )
    known = changed.provenance
    for path in (
        "system.line[0].discharge_coefficient",
        "system.line[1].discharge_coefficient",
        "system.line[1].opening_time",
        "system.line[2].vapor_pressure",
        "system.gas_load.outgassing_exponent",
    ):
        assert known[path].basis == "default", path
    assert "system.line[0].opening_time" not in known
