"""What a study may be: groups, labels, cases; and the plants that follow from them."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

import chamberctl as cc
from chamberctl.control.dense_envelope import between_study, corner_envelope
from chamberctl.control.envelope import Envelope, envelope, envelope_of
from chamberctl.control.tolerance_cases import Cases
from chamberctl.plant.tolerances import envelope_cases, toleranced_fields
from chamberctl.plant.window import duty_points
from chamberctl.study import presets


@cache
def furnace() -> cc.Study:
    return cc.load("preset:crystal-furnace")


@cache
def rig() -> cc.Study:
    return cc.load("preset:student-rig")


@cache
def furnace_envelope() -> Envelope:
    return envelope(furnace(), duty_points(furnace()))


@pytest.mark.parametrize("name", presets())
def test_every_uncertain_field_that_the_loop_feels_is_in_one_group(name: str) -> None:
    study = cc.load(f"preset:{name}")
    grouped = [field.path for group in Cases(study).groups for field, _ in group.fields]
    assert len(grouped) == len(set(grouped))
    without = {field.path for field in toleranced_fields(study)} - set(grouped)
    assert {path.rpartition(".")[2] for path in without} <= {
        "rise_time", "fall_time", "wall_distance", "opening_time", "minimum_controllable_pressure",
    }  # fmt: skip


def test_fields_of_a_group_act_alike() -> None:
    groups = {group.name: dict(group.fields) for group in Cases(furnace()).groups}
    volumes = {field.path: sign for field, sign in groups["volumes"].items()}
    assert volumes["system.chamber.volume"] == 1
    assert volumes["system.chamber.hot_zone[0].temperature"] == -1  # hot gas counts less
    speeds = {field.path: sign for field, sign in groups["pumping speeds"].items()}
    assert speeds["system.booster.swept_speed"] == speeds["system.backing.displacement"] == 1
    assert speeds["system.booster.inlet_temperature"] == -1
    lines = {field.path: sign for field, sign in groups["conductances"].items()}
    assert lines["system.line[0].length"] == -1


def test_cases_are_the_study_both_ends_of_all_and_what_makes_a_loop_hard() -> None:
    cases = list(Cases(furnace()).tuned_for())
    labels = [case.label for case in cases]
    assert labels[0] == ""
    assert cases[0].study == furnace()
    assert [case.label for case in envelope_cases(furnace())] == labels[1:5]
    assert "pumping speeds -5 %" in labels
    assert "pumping speeds +5 %" in labels
    assert "volumes -10 to 20 %, pumping speeds +5 %, dead times and lags +20 to 25 %" in labels
    assert (
        "booster's slip all through its gaps, volumes +10 to 20 %, pumping speeds -5 %, "
        "dead times and lags +20 to 25 %"
    ) in labels
    assert len(labels) == len(set(labels))


def test_a_case_has_the_values_its_label_says() -> None:
    cases = Cases(furnace())
    fast = cases.moved(cases.bases[0], [("volumes", -1.0), ("pumping speeds", 0.5)])
    system, stated = fast.study.system, furnace().system
    assert system.chamber.volume_m3 == pytest.approx(0.9 * stated.chamber.volume_m3)
    zone, old_zone = system.chamber.hot_zones[0], stated.chamber.hot_zones[0]
    assert zone.temperature_k == pytest.approx(1.2 * old_zone.temperature_k)
    assert system.backing.displacement_m3_s == pytest.approx(
        1.025 * stated.backing.displacement_m3_s
    )
    assert fast.label == "volumes -10 to 20 %, pumping speeds +2.5 %"
    assert fast.moved == ("volumes", "pumping speeds")
    # and back, one thing at a time
    back = cases.without(cases.without(fast, "volumes"), "pumping speeds")
    assert back.study == furnace()
    assert back.label == ""


def test_what_a_case_settles_is_not_uncertain_in_it() -> None:
    cases = Cases(rig())
    settled = next(base for base in cases.bases if base.label.endswith("as n^-2"))
    moved = cases.moved(settled, [("slip and leakage of the pumps", 1.0)])
    assert moved.study.system.backing.slip_exponent == 2.0
    assert (
        moved.study.system.backing.ultimate_pressure_pa > rig().system.backing.ultimate_pressure_pa
    )
    plain = cases.moved(cases.bases[0], [("slip and leakage of the pumps", 1.0)])
    assert plain.study.system.backing.slip_exponent == pytest.approx(2.0)  # 1, known to 100 %
    assert cases.without(moved, settled.label).label == plain.label


def test_plants_are_those_of_the_changed_studies() -> None:
    found = furnace_envelope()
    plant = next(p for p in found.plants if p.case.label == "conductances -2 to 30 %")
    assert plant.where == f"{plant.at}, conductances -2 to 30 %"
    point = next(p for p in duty_points(plant.case.study) if p.where == plant.at)
    exact = cc.linearize(plant.case.study.system, point, furnace().loop_gauge())
    ours, theirs = (model.siso("log10") for model in (plant.model, exact))
    gains = [float((d - c @ np.linalg.solve(a, b))[0, 0]) for a, b, c, d in (ours, theirs)]
    assert gains[0] == pytest.approx(gains[1], rel=1e-5)
    assert plant.model.dead_time_s == exact.dead_time_s


def test_delays_are_in_the_plants_though_steady_states_are_shared() -> None:
    by_label = {(p.at, p.case.label): p.model for p in furnace_envelope().plants}
    at = furnace_envelope().plants[0].at
    stated, late = by_label[at, ""], by_label[at, "dead times and lags +20 to 25 %"]
    drive, gauge = furnace().system.drive, furnace().loop_gauge()
    assert late.dead_time_s - stated.dead_time_s == pytest.approx(0.25 * drive.dead_time_s)
    poles = np.sort(np.abs(np.linalg.eigvals(late.plant.A)))
    assert np.min(np.abs(poles - 1.0 / (1.2 * drive.lag_s))) < 1e-9
    assert gauge.lag_s > 0.0


def test_a_point_that_a_case_loses_is_reported_with_its_reason() -> None:
    (lost,) = furnace_envelope().lost
    assert "10 mbar at 15 slm" in lost.where
    assert "carried back" in lost.where
    assert lost.reason == "speed does not hold it"
    whole = len(duty_points(furnace())) * len(list(Cases(furnace()).tuned_for()))
    assert len(furnace_envelope().plants) + 1 == whole


def test_points_that_the_study_does_not_hold_have_no_plants() -> None:
    dryer = cc.load("preset:freeze-dryer")
    points = duty_points(dryer)
    (unheld,) = (point for point in points if not point.feasible)
    found = envelope_of(dryer, points, Cases(dryer).bases)
    assert len(found.plants) == 3 * (len(points) - 1)
    assert not found.lost
    assert unheld.where not in {plant.at for plant in found.plants}
    assert envelope_of(dryer, [unheld], Cases(dryer).bases[:1]) == Envelope((), ())


def test_corners_have_every_tolerance_at_an_end() -> None:
    study = cc.load("preset:reference-plant")
    found = corner_envelope(study, duty_points(study))
    labels = {plant.case.label for plant in found.plants}
    assert len(labels) == 2 * 2**3  # as stated and without heat from the walls; three groups
    assert "volumes +5 %, pumping speeds -5 %, dead times and lags -20 %" in labels


def test_between_holds_setpoints_and_gas_loads_go_over_in_equal_ratios() -> None:
    study = cc.load("preset:reference-plant")
    finer = between_study(study).duty.holds
    own = finer[: len(study.duty.holds)]
    for before, after in zip(study.duty.holds, own, strict=True):
        assert set(before.gas_loads_pa_m3_s) <= set(after.gas_loads_pa_m3_s)
        assert after.setpoint_pa == before.setpoint_pa
    ratios = np.diff(np.log(own[1].gas_loads_pa_m3_s))
    assert ratios == pytest.approx(np.full(4, ratios[0]))
    inserted = sorted(hold.setpoint_pa for hold in finer[len(own) :])
    assert inserted[:2] == pytest.approx([100.0 * 2.0 ** (1 / 3), 100.0 * 2.0 ** (2 / 3)])
