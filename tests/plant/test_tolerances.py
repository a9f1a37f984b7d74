"""Fields known within a tolerance, and envelope cases."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from chamberctl.control.influence import influences
from chamberctl.errors import InputError
from chamberctl.plant.tolerances import (
    ASSUMED_TOLERANCE,
    envelope_cases,
    toleranced_fields,
    vary,
    wall_time,
)
from chamberctl.study import Study, field_at, load, loads
from tests.house import EVERY_PRESET
from tests.test_malformed_parts import FULL, HALF, K0, blend, booster, curves
from tests.test_malformed_studies import DISPLACEMENT, GOOD

CHAMBER = "system.chamber.volume"


def study_of(*changes: tuple[str, str]) -> Study:
    text = GOOD
    for old, new in changes:
        assert old in text
        text = text.replace(old, new, 1)
    return loads(text)


def labels(study: Study) -> list[str]:
    return [case.label for case in envelope_cases(study)]


def test_stated_tolerances_and_what_is_assumed_without_one() -> None:
    found = {field.path: field for field in toleranced_fields(load("preset:crystal-furnace"))}
    assert found[CHAMBER][1:] == (0.10, "measured")
    assert found["system.chamber.hot_zone[0].temperature"][1:] == (0.20, "assumed")
    assert found["system.drive.lag"][1:] == (ASSUMED_TOLERANCE, "assumed")
    assert found["system.line[0].temperature"].tolerance == 0.05  # assumed, without a tolerance
    assert "system.drive.rise_time" not in found  # measured, states none
    assert "system.gauge[1].gas_factor" not in found  # not the gauge the loop reads
    assert "duty.hold_band" not in found


def test_zeros_nameplates_and_plain_numbers_are_left_out() -> None:
    found = {field.path for field in toleranced_fields(load("preset:reference-plant"))}
    assert "system.backing.ultimate_pressure" not in found  # assumed to be 0
    assert not {"system.drive.rated", "system.gauge[0].range_high"} & found
    assert {CHAMBER, "system.drive.dead_time", "system.drive.rise_time"} <= found
    assert toleranced_fields(loads(GOOD)) == ()
    assert not {"system.drive.minimum_speed", "system.drive.maximum_speed"} & found


def test_a_limit_of_speed_counts_where_it_states_a_tolerance() -> None:
    """The student has not decided yet how slow the pump may run: the window's upper end moves."""
    rig = load("preset:student-rig")
    found = {field.path: field for field in toleranced_fields(rig)}
    assert found["system.drive.minimum_speed"][1:] == (0.2, "assumed")
    assert "system.drive.maximum_speed" not in found
    row = next(r for r in influences(rig).rows if r.path == "system.drive.minimum_speed")
    slower, faster = row.effects
    assert slower.highest_change > 0.15
    assert faster.highest_change < -0.1
    assert slower.lowest_change == 0.0


def test_curves_and_gas_loads_that_state_a_tolerance() -> None:
    detailed = f'curve = {{ is = [{FULL[1]}], basis = "data sheet", tolerance = "10 %" }}'
    flow = 'gas_loads = { is = ["250 mbar L/s"], basis = "measured", tolerance = "2 %" }'
    study = study_of((DISPLACEMENT, detailed), ('gas_loads = ["250 mbar L/s"]', flow))
    assert toleranced_fields(study) == (
        ("system.backing.curve", 0.1, "data sheet"),
        ("duty.hold[0].gas_loads", 0.02, "measured"),
    )
    assert vary(study, "duty.hold[0].gas_loads", 1.02).duty_points()[0][1] == pytest.approx(25.5)
    before, after = study.system.backing, vary(study, "system.backing.curve", 1.1).system.backing
    assert after.curve == tuple((p, s * 1.1) for p, s in before.curve or ())


@pytest.mark.parametrize("name", EVERY_PRESET)
def test_every_toleranced_field_of_a_preset_varies_alone(name: str) -> None:
    study = load(f"preset:{name}")
    fields = toleranced_fields(study)
    assert fields
    for path, tolerance, basis in fields:
        assert 0.0 < tolerance <= 1.0
        assert basis in ("measured", "data sheet", "assumed", "not stated")
        for factor in (1.0 - 0.5 * tolerance, 1.0 + tolerance):
            changed = vary(study, path, factor)
            different = [p for p in study.provenance if not _same(study, changed, p)]
            alone = [p for p in different if not p.startswith("system.gas.part")]
            assert alone == ([] if path.startswith("system.gas.part") else [path]) or not different
            assert study.duty_points() == load(f"preset:{name}").duty_points()


def _same(one: Study, other: Study, path: str) -> bool:
    return field_at(one, path)[1] == field_at(other, path)[1]


@given(st.floats(0.1, 10.0))
def test_varied_by_a_factor_and_back(factor: float) -> None:
    study = load("preset:crystal-furnace")
    changed = vary(study, CHAMBER, factor)
    assert changed.system.chamber.volume_m3 == study.system.chamber.volume_m3 * factor
    back = vary(changed, CHAMBER, 1.0 / factor)
    assert back.system.chamber.volume_m3 == pytest.approx(study.system.chamber.volume_m3, rel=1e-14)


def test_a_value_stays_within_its_bounds() -> None:
    study = load("preset:reference-plant")
    assert vary(study, "system.drive.maximum_speed", 1.2).system.drive.maximum_speed == 1.0
    assert vary(study, "system.drive.minimum_speed", 1.2).system.drive.minimum_speed == 0.24


def test_compression_varies_above_one_and_shares_of_a_blend_fill_up() -> None:
    curve = vary(study_of(booster(K0)), "system.booster.compression_curve", 0.5).system.booster
    assert curve is not None
    assert curve.compression_curve == ((10.0, 15.5), (100.0, 25.5))
    mixed = study_of(blend(("Ar", "50 %"), ("N2", "30 %"), ("He", "20 %")))
    parts = vary(mixed, "system.gas.part[0].fraction", 1.2).system.gas.parts
    assert [share.fraction for share in parts] == pytest.approx([0.6, 0.24, 0.16])


@pytest.mark.parametrize("path", ["system.chamber", "system.volume", "title", "system.gas.name",
                                  "system.line[0].conductance", "system.drive.rise_time[0]",
                                  "no path"])  # fmt: skip
def test_what_is_no_number_is_refused(path: str) -> None:
    with pytest.raises(InputError, match=r"no field|no number"):
        vary(loads(GOOD), path, 1.1)


@pytest.mark.parametrize("factor", [0.0, -1.0, float("nan"), float("inf")])
def test_a_factor_that_is_none_is_refused(factor: float) -> None:
    with pytest.raises(InputError, match="above 0 and finite"):
        vary(loads(GOOD), CHAMBER, factor)


def test_an_ideal_pump_has_no_slip_to_decide_about() -> None:
    assert not [label for label in labels(loads(GOOD)) if "slip" in label]


def test_both_splits_of_the_booster_unless_measured() -> None:
    both = 'gap_conductance = "3 L/s"\ncarry_back_speed = "1 L/s"'
    splits = [
        case.study.system.booster.slip_split
        for case in envelope_cases(study_of(booster(both)))
        if case.study.system.booster and "booster" in case.label
    ]
    assert splits == ["gap", "carry-back"]
    only_gap = study_of(booster('gap_conductance = "3 L/s"'))
    assert [label for label in labels(only_gap) if "booster" in label] == [
        "booster's slip all carried back by its rotors"
    ]
    by_curve = study_of(booster(K0 + 'slip_split = "carry-back"'))
    assert "booster's slip all through its gaps" in labels(by_curve)
    by_peak = study_of(booster(K0 + 'slip_split = "at peak"'))
    assert len([label for label in labels(by_peak) if "booster" in label]) == 2
    measured = (
        'gap_conductance = { is = "3 L/s", basis = "measured" }\n'
        'carry_back_speed = { is = "1 L/s", basis = "measured" }'
    )
    assert not [label for label in labels(study_of(booster(measured))) if "booster" in label]
    at_rated = study_of(booster(both), ('booster = ["0 %", "100 %"]', 'booster = ["1", "1"]'))
    assert not [label for label in labels(at_rated) if "booster" in label]


def test_exponent_of_the_backing_slip_unless_known() -> None:
    def exponents(text: str) -> list[float]:
        cases = envelope_cases(study_of((DISPLACEMENT, text)))
        return [c.study.system.backing.slip_exponent for c in cases if "backing" in c.label]

    slips = f'{DISPLACEMENT}\nultimate_pressure = "0.1 mbar"\n'
    assert exponents(slips) == [2.0]
    assert exponents(slips + "slip_exponent = 1") == [0.0, 2.0]
    assert exponents(slips + 'slip_exponent = { is = 1, basis = "measured" }') == []
    assert exponents(curves(FULL, HALF)[1]) == []  # curves at two speeds decide
    assert exponents(f"curve = [{FULL[1]}]") == [2.0]


def test_wall_time_of_nitrogen_by_hand() -> None:
    """R = 0.4 m at 10 mbar: a = 17.6e-6/0.01149 x 1.357 = 2.08e-3 m2/s, 0.16/(5.8 a) = 13.3 s."""
    wall = ('volume = "500 L"', 'volume = "500 L"\nwall_distance = "40 cm"')
    assert wall_time(study_of(wall).system, 1000.0) == pytest.approx(13.3, rel=0.01)
    assert wall_time(study_of(wall).system, 2000.0) == pytest.approx(26.6, rel=0.01)
    cylinder = loads(GOOD).system  # 500 L, 86 cm long and wide
    assert wall_time(cylinder, 1000.0) == pytest.approx(13.3 * (0.430 / 0.4) ** 2, rel=0.01)


def test_diffusivity_of_air_is_that_of_the_tables() -> None:
    """Air at 300 K and 1 atm: 22 mm2/s (heat transfer textbooks, from memory); Eucken holds 5 %."""
    text = 'volume = "500 L"\nwall_distance = "1 m"\ntemperature = "300 K"'
    study = study_of(('"N2"', '"air"'), ('volume = "500 L"', text))
    assert 1.0 / (5.8 * wall_time(study.system, 101325.0)) == pytest.approx(2.2e-5, rel=0.05)


def test_gas_without_heat_from_the_walls_unless_they_are_fast() -> None:
    study = loads(GOOD)
    case = next(case for case in envelope_cases(study) if "walls" in case.label)
    assert case.study.system.chamber.volume_m3 == pytest.approx(0.5 / 1.399569)
    assert "volume/1.4" in case.label
    narrow = study_of(('volume = "500 L"', 'volume = "500 L"\nwall_distance = "5 mm"'))
    assert not [label for label in labels(narrow) if "walls" in label]
    furnace = load("preset:crystal-furnace")
    hot = next(case for case in envelope_cases(furnace) if "walls" in case.label)
    assert hot.study.system.chamber.hot_zones[0].volume_m3 == pytest.approx(0.6 / 1.66666)
    assert hot.study.system.chamber.hot_zones[0].temperature_k == 900.0
