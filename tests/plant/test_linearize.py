"""The linear model against complex-step derivatives and against the nonlinear plant."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from scipy.linalg import expm

from chamberctl.errors import Infeasible
from chamberctl.plant.chain import build_chain
from chamberctl.plant.compiled import compile_function
from chamberctl.plant.equations import net_flows
from chamberctl.plant.linearize import linearize
from chamberctl.plant.operating import operating_point
from chamberctl.plant.steady import steady_pressures
from tests.plant.linear_check import check_against_complex_step
from tests.plant.plants import GAUGE, booster_plant, conductance, plant


@pytest.mark.parametrize("system", [plant(), booster_plant()], ids=["ideal", "booster"])
def test_fifty_points_over_the_window(system):
    speeds = np.random.default_rng(7).uniform(system.drive.minimum_speed, 1.0, 50)
    check_against_complex_step(system, speeds, np.geomspace(0.5, 80.0, 50))


def test_fifty_points_of_a_scaled_plant_over_eight_decades():
    """An ideal pump behind a tube, from 1e-3 to 1e5 Pa in the chamber."""
    tube = {"kind": "tube", "diameter_m": 0.1, "length_m": 0.5}
    system = plant(line=(tube,))
    loads = np.geomspace(5e-5, 7.5e3, 50)
    check_against_complex_step(system, np.full(50, 0.8), loads)
    pressures = steady_pressures(build_chain(system), 0.8, loads)[0]
    assert pressures[0] < 1e-3
    assert pressures[-1] > 9e4


def test_ideal_plant_in_closed_form():
    """ln p answers speed as -(1/n)/(1 + s V/(n S)); the load enters as +1."""
    point = operating_point(plant(), speed=0.5, gas_load_pa_m3_s=25.0)
    model = linearize(plant(), point)
    assert model.plant.A[0, 0] == pytest.approx(-0.1, rel=1e-9)
    assert model.plant.dcgain()[0] == pytest.approx([-2.0, 1.0], rel=1e-8)
    assert model.dead_time_s == 1.0
    assert model.load_scale_pa_m3_s == 25.0


def test_gauge_and_drive_add_their_lags_and_dead_times():
    gauge = GAUGE | {"lag_s": 0.3, "dead_time_s": 0.2, "update_period_s": 0.25}
    system = booster_plant(gauges=(gauge,))
    model = linearize(system, operating_point(system, speed=0.6, gas_load_pa_m3_s=20.0))
    lags = sorted(-1.0 / np.real(model.plant.poles()))
    assert model.plant.nstates == 5
    assert any(lag == pytest.approx(0.3, rel=1e-9) for lag in lags)
    assert any(lag == pytest.approx(0.5, rel=1e-9) for lag in lags)
    assert model.dead_time_s == pytest.approx(0.5 + 0.2 + 0.25)


def test_a_node_without_volume_has_no_state():
    system = plant(line=(conductance(0.1),))
    point = operating_point(system, speed=0.5, gas_load_pa_m3_s=25.0)
    model = linearize(system, point)
    assert model.plant.nstates == 1
    effective = 0.05 * 0.1 / 0.15
    assert model.plant.A[0, 0] == pytest.approx(-effective / 0.5, rel=1e-8)


def test_small_nonlinear_step_equals_the_linear_one():
    """A step of 0.1 % in speed, integrated tightly, against the linear model: 0.5 %."""
    system = booster_plant()
    point = operating_point(system, speed=0.6, gas_load_pa_m3_s=20.0)
    model = linearize(system, point)
    chain = build_chain(system)
    step = 1e-3 * point.speed

    def rates(_time, x):
        p = np.exp(x[:3])
        flows = chain.net_flows(p, x[3], 20.0)
        return [
            *(flows / (chain.volumes_m3 * p)),
            (point.speed + step - x[3]) / system.drive.lag_s,
            math.expm1(x[0] - x[4]) / system.gauges[0].lag_s,
        ]

    start = [*np.log(point.node_pressures_pa), point.speed, math.log(point.pressure_pa)]
    times = np.array([0.5, 1.0, 2.0, 5.0, 20.0])
    exact = solve_ivp(rates, (0, 20), start, "LSODA", times, rtol=1e-11, atol=1e-13).y[4]
    a, b, c = model.plant.A, model.plant.B[:, :1], model.plant.C[:1]
    linear = [(c @ np.linalg.solve(a, (expm(a * t) - np.eye(5)) @ b))[0, 0] * step for t in times]
    assert exact - start[4] == pytest.approx(linear, rel=5e-3)


def test_a_kink_is_reported_one_sided():
    """Just at the overflow valve's opening the two sides differ; the larger gain is used."""
    system = plant(
        backing={"displacement_m3_s": 0.1},
        booster={
            "swept_speed_m3_s": 0.5,
            "gap_conductance_m3_s": 0.0,
            "overflow_difference_pa": 6400.0,
        },
        speed_map={"output": (0.0, 1.0), "booster": (0.0, 1.0), "backing": (1.0, 1.0)},
    )
    point = operating_point(system, speed=1.0 - 1e-7, gas_load_pa_m3_s=800.0)
    assert point.limited_by == ""
    model = linearize(system, point)
    assert any(finding.subject == "kink" for finding in model.findings)
    assert abs(model.plant.dcgain()[0, 0]) == pytest.approx(1.0, rel=1e-3)


def test_a_knot_of_the_speed_map_is_reported_one_sided():
    system = booster_plant(
        speed_map={
            "output": (0.0, 0.5, 1.0),
            "booster": (0.2, 0.4, 1.0),
            "backing": (0.5, 1.0, 1.0),
        }
    )
    model = linearize(system, operating_point(system, speed=0.5, gas_load_pa_m3_s=20.0))
    assert any(finding.subject == "kink" for finding in model.findings)


def test_no_model_where_speed_does_not_act():
    system = plant(
        backing={"displacement_m3_s": 0.1},
        booster={
            "swept_speed_m3_s": 0.5,
            "gap_conductance_m3_s": 0.0,
            "overflow_difference_pa": 5000.0,
        },
        speed_map={"output": (0.0, 1.0), "booster": (0.0, 1.0), "backing": (1.0, 1.0)},
    )
    point = operating_point(system, speed=1.0, gas_load_pa_m3_s=800.0)
    with pytest.raises(Infeasible, match="overflow valve rules"):
        linearize(system, point)


def test_changing_the_slip_once_moves_every_consumer(monkeypatch):
    """Steady state, linear model and compiled code all follow one change of one formula."""
    from chamberctl.plant import equations

    system = booster_plant()
    before = operating_point(system, speed=0.6, gas_load_pa_m3_s=20.0)
    plain = equations.booster_throughput

    leakier = _twice_the_gap(plain)
    monkeypatch.setattr(equations, "booster_throughput", leakier)
    after = operating_point(system, speed=0.6, gas_load_pa_m3_s=20.0)
    assert after.pressure_pa > 1.005 * before.pressure_pa
    assert after.authority_chamber != pytest.approx(before.authority_chamber, rel=1e-4)
    gains = [linearize(system, p).plant.dcgain()[0, 0] * p.speed for p in (before, after)]
    assert gains[1] == pytest.approx(-after.authority_chamber, rel=1e-6)
    chain = build_chain(system)
    compiled = compile_function(net_flows, keep=False)(
        chain.kinds,
        chain.rows,
        chain.curves,
        chain.compression,
        chain.nodes,
        chain.vapor,
        chain.booster_map,
        chain.backing_map,
        np.array(after.node_pressures_pa),
        after.speed,
        20.0,
        np.empty(chain.size),
    )
    assert np.max(np.abs(compiled)) < 1e-8 * 20.0


def _twice_the_gap(plain):
    """A booster law with twice the gap, as a module-level function so that it can be compiled."""
    import types

    names = {"plain": plain}
    source = (
        "def leakier(p_in, p_out, speed, swept, gap, viscous, carried):\n"
        "    return plain(p_in, p_out, speed, swept, 2.0 * gap, viscous, carried)\n"
    )
    exec(compile(source, "leakier", "exec"), names)
    made = names["leakier"]
    assert isinstance(made, types.FunctionType)
    made.__module__ = "chamberctl.physics.boosters"
    return made
