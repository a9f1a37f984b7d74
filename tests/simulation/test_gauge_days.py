"""Days on which the gauge decides: faults, another gas, the wrong sense."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import solve_ivp

import chamberctl as cc
from chamberctl.control.tuning import rule_tuning
from chamberctl.errors import Infeasible, StudyError
from chamberctl.plant.operating import operating_point
from chamberctl.simulation.handovers import mixed_factors
from chamberctl.simulation.prepared import Prepared
from chamberctl.simulation.scenarios import build, simulate
from tests.simulation.tried import (
    CALM,
    at,
    output_of,
    point_of,
    reference,
    speed_of,
    texts,
    tried,
)


@pytest.mark.parametrize(("name", "ends"), [("gauge-fault-zero", 0.2), ("gauge-fault-full", 1.0),
                                            ("gauge-fault-last", 0.5)])  # fmt: skip
def test_a_gauge_that_fails_unnoticed_takes_the_speed_with_it(name: str, ends: float) -> None:
    """A16: the gauge sends 0, full scale or its last value from 60 s on."""
    run = tried(name, scenario__gauge_fault__detected="none", scenario__lead="60 s")
    assert speed_of(run)[at(run, 60.0)] == pytest.approx(0.5)
    assert speed_of(run)[at(run, 179.0)] == pytest.approx(ends, abs=1e-3)
    assert not run.trace.columns["bad"].any()
    assert "does not notice" in texts(run, "gauge fault")
    assert run.trace.pressure_pa[-1] == pytest.approx(500.0, rel=2e-3)


@pytest.mark.parametrize(
    ("action", "ends"),
    [
        ("hold output", 0.5),
        ("go to minimum", 0.2),
        ("go to maximum", 1.0),
        ("go to start output", 0.4),
    ],
)
def test_a_fault_that_is_noticed_leads_to_the_action_chosen(action: str, ends: float) -> None:
    run = tried("gauge-fault-full", controller__bad_reading=action, controller__start_output="40 %")
    assert output_of(run)[at(run, 11.0) : at(run, 129.0)] == pytest.approx(ends)
    assert run.trace.columns["bad"].sum() == 1200
    assert action in texts(run, "gauge fault")


def test_a_frozen_value_is_not_noticed_by_a_range_check() -> None:
    assert not tried("gauge-fault-last").trace.columns["bad"].any()
    assert tried("gauge-fault-zero").trace.columns["bad"].any()


def test_a_new_gas_mixes_in_and_the_true_pressure_follows_the_gauge() -> None:
    run = tried("gas-change", scenario__gas_change__gas_factor="1.5")
    assert run.trace.pressure_pa[-1] == pytest.approx(750.0, rel=2e-3)
    assert run.trace.columns["indicated_pa"][-1] == pytest.approx(500.0, rel=2e-3)
    moves = np.abs(np.diff(run.trace.columns["indicated_pa"])) / 500.0
    assert moves.max() < 0.01  # no switch
    assert "7.5 mbar" in texts(run, "gas factor")
    with pytest.raises(Infeasible, match="not a thermal one"):
        tried("gas-change")


@pytest.mark.parametrize("point", [0, 3, 5])
def test_another_gas_flows_through_line_and_pumps(point: int) -> None:
    """It begins where argon rests and ends where nitrogen does, at the same setpoint and flow."""
    study = cc.load("preset:heat-treatment-furnace")
    tuning = rule_tuning(study)
    held = tuning.points[point].point
    run = simulate(study, tuning, "gas-change", point=held)
    rest = {
        name: operating_point(
            study.with_text({"system.gas.name": name, "system.gas.part": None}).system,
            indicated_pa=held.indicated_pa,
            gas_load_pa_m3_s=held.gas_load_pa_m3_s,
        )
        for name in ("Ar", "N2")
    }
    assert speed_of(run)[0] == pytest.approx(rest["Ar"].speed, rel=1e-9)
    assert speed_of(run)[-1] == pytest.approx(rest["N2"].speed, rel=6e-3)
    assert abs(rest["N2"].speed / rest["Ar"].speed - 1.0) > 0.01
    assert run.trace.columns["indicated_pa"][-1] == pytest.approx(held.indicated_pa, rel=2e-3)
    assert run.metrics.peak_deviation > 1e-3
    assert "Ar gives way to N2" in texts(run, "gas")


@pytest.mark.parametrize(
    "before, to, set_for, after", [("N2", "Ar", 1.0, 1.7), ("Ar", "N2", 1.7, 1.0),
                                   ("Ar", "N2", 1.0, 1.0 / 1.7)],
)  # fmt: skip
def test_a_thermal_gauge_reads_the_new_gas_by_its_own_factor(
    before: str, to: str, set_for: float, after: float
) -> None:
    study = reference(
        ("scenario.gas_change.before", before),
        ("scenario.gas_change.to", to),
        ("system.gauge[0].kind", "thermal"),
        ("system.gauge[0].gas_factor", f"{set_for}"),
    )
    run = simulate(study, CALM, "gas-change", point=point_of(study))
    assert run.trace.pressure_pa[-1] == pytest.approx(500.0 * after, rel=2e-2)
    assert f"gas factor becomes {after:.4g}" in texts(run, "gas factor")


def test_a_gauge_that_depends_on_the_gas_and_the_plant_may_change_together() -> None:
    run = tried("gas-change", scenario__gas_change__to="He", scenario__gas_change__gas_factor="0.8")
    assert run.trace.pressure_pa[-1] == pytest.approx(0.8 * 500.0, rel=2e-3)
    assert run.prepared.system.gas.name == "He"
    assert run.trace.complete


def test_gas_factors_while_mixing_follow_the_balance_of_the_new_gas() -> None:
    """Against the balance p V x' = q (1 - x), p = f(x) r, by an independent integrator."""
    times, before, after, mixing = np.linspace(0.0, 120.0, 61), 1.7, 0.6, 12.0

    def factor(x: float) -> float:
        return 1.0 / ((1.0 - x) / before + x / after)

    solved = solve_ivp(
        lambda t, x: (1.0 - x) / (mixing * factor(x[0])), (0.0, 120.0), [0.0],
        t_eval=times, rtol=1e-10, atol=1e-12,
    )  # fmt: skip
    wanted = [factor(x) for x in solved.y[0]]
    assert mixed_factors(times, 0.0, mixing, before, after) == pytest.approx(wanted, rel=1e-5)


def test_a_wrong_action_is_named_and_runs_to_a_limit() -> None:
    run = tried("wrong-sense")
    assert "positive feedback" in texts(run, "wrong action")
    assert run.prepared.settings.kc == -CALM.kc
    assert output_of(run)[-1] in (0.2, 1.0)
    assert abs(run.trace.pressure_pa[-1] / 550.0 - 1.0) > 0.1


def test_parameters_come_from_the_study_file() -> None:
    study = cc.load("preset:reference-plant")
    assert study.scenario is None
    changed = reference(("scenario.gas_burst.decay", "12 s"), ("scenario.lead", "3 s"))
    prepared: Prepared = build(changed, CALM, point_of(changed), "gas-burst")
    assert prepared.event_s == 3.0
    assert prepared.settled_s == pytest.approx(3.0 + 8.0 * 12.0)
    with pytest.raises(cc.StudyError, match="given twice"):
        reference(
            ("scenario.setpoint_ramp.rate", "1 mbar/s"),
            ("scenario.setpoint_ramp.decades_per_minute", "1"),
        )


def test_a_gas_that_flows_already_is_no_change() -> None:
    with pytest.raises(Infeasible, match="N2 flows already"):
        tried("gas-change", scenario__gas_change__to="N2")
    with pytest.raises(StudyError, match=r"gas_change\.to.*flows already"):
        reference(("scenario.gas_change.before", "Ar"), ("scenario.gas_change.to", "Ar"))
    with pytest.raises(StudyError, match=r"gas_change\.before.*takes its place"):
        reference(("scenario.gas_change.before", "Ar"))
