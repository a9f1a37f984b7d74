"""Worked examples that need the plant's balances: pump-down, rate of rise, steps of speed."""

from __future__ import annotations

from math import log

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from chamberctl.physics.constants import T_REF_K
from chamberctl.plant.chain import build_chain
from chamberctl.plant.operating import operating_points
from chamberctl.plant.steady import steady_pressures
from tests import reference
from tests.physics.support import passage
from tests.physics.test_worked_examples import Checker, rows
from tests.plant.plants import plant


@pytest.fixture
def check(request, validation):
    """Compare with the example of this test."""
    return Checker(request.getfixturevalue("row"), validation)


def ideal(volume_m3, speed_m3_s, **changes):
    """Return the chain of a chamber and an ideal pump."""
    backing = {"displacement_m3_s": speed_m3_s}
    system = plant(chamber={"volume_m3": volume_m3}, backing=backing, **changes)
    return build_chain(system)


def integrate(chain, start_pa, duration_s, speed=1.0, load=0.0, until_pa=None):
    """Integrate the plant's right-hand side in ln p; nodes without volume follow at rest."""
    held = np.flatnonzero(chain.volumes_m3 > 0.0)
    assert held.size == chain.size

    def rates(_time, logs):
        pressures = np.exp(logs)
        return chain.net_flows(pressures, speed, load) / (chain.volumes_m3 * pressures)

    def reached(_time, logs):
        return logs[0] - log(until_pa)

    reached.terminal = True
    return solve_ivp(
        rates,
        (0.0, duration_s),
        np.full(chain.size, log(start_pa)),
        method="LSODA",
        rtol=1e-11,
        atol=1e-11,
        events=None if until_pa is None else reached,
    )


@pytest.mark.parametrize("row", rows("pumpdown_constant_speed"), ids=reference.row_id)
def test_pump_down(row, check):
    given = row["inputs"]
    chain = ideal(given["volume_m3"], given["pumping_speed_m3_per_s"])
    run = integrate(chain, given["start_pressure_Pa"], 1e4, until_pa=given["end_pressure_Pa"])
    check("time_s", run.t_events[0][0])


@pytest.mark.parametrize("row", rows("pumpdown_with_gas_load"), ids=reference.row_id)
def test_pump_down_against_a_load(row, check):
    given = row["inputs"]
    chain = ideal(given["volume_m3"], given["pumping_speed_m3_per_s"])
    load = given["gas_load_Pa_m3_per_s"]
    start, end = given["start_pressure_Pa"], given["end_pressure_Pa"]
    run = integrate(chain, start, 1e4, load=load, until_pa=end)
    check("time_s", run.t_events[0][0])
    check("final_pressure_Pa", steady_pressures(chain, 1.0, load)[0])


@pytest.mark.parametrize("row", rows("rate_of_rise"), ids=reference.row_id)
def test_rate_of_rise(row, check):
    """The pump stands still and leaks nothing: all that enters shows as a rise of pressure."""
    given = row["inputs"]
    expected = row["expected"]["leak_plus_outgassing_Pa_m3_per_s"]
    chain = ideal(given["volume_m3"], 0.1)
    start, duration = 1.0, given["duration_s"]
    run = integrate(chain, start, duration, speed=0.0, load=expected)
    rise = np.exp(run.y[0, -1]) - start
    load = given["volume_m3"] * rise / duration
    check("leak_plus_outgassing_Pa_m3_per_s", load)
    check("same_in_mbar_l_per_s", load * 10.0)
    assert rise == pytest.approx(given["pressure_rise_Pa"], rel=1e-9)


@pytest.mark.parametrize("row", rows("iso_pumpdown_method"), ids=reference.row_id)
def test_speed_from_two_pressures(row, check):
    given = row["inputs"]
    speed = row["expected"]["volume_flow_rate_m3_per_s"]
    first, interval = given["first_pressure_Pa"], given["interval_s"]
    run = integrate(ideal(given["volume_m3"], speed), first, interval)
    second = np.exp(run.y[0, -1])
    assert second == pytest.approx(given["second_pressure_Pa"], rel=row["tolerance_rel"])
    computed = given["volume_m3"] / interval * log(first / second)
    check("volume_flow_rate_m3_per_s", computed)


@pytest.mark.parametrize("row", rows("linearised_chamber"), ids=reference.row_id)
def test_small_changes(row, check):
    given = row["inputs"]
    rated, load = 0.1, given["gas_load_Pa_m3_per_s"]
    speed = given["pumping_speed_m3_per_s"] / rated
    system = plant(chamber={"volume_m3": given["volume_m3"]}, backing={"displacement_m3_s": rated})
    check("pressure_Pa", steady_pressures(build_chain(system), speed, load)[0])
    (point,) = operating_points(system, [row["expected"]["pressure_Pa"]], [load], ["example"])
    assert point.speed == pytest.approx(speed, rel=1e-9)
    check("time_constant_s", point.time_constant_s)
    check("gain_dp_dS_Pa_per_m3_per_s", point.gain_pa_per_fraction / rated)
    check("relative_gain", -point.authority_chamber)


@pytest.mark.parametrize("row", rows("speed_step"), ids=reference.row_id)
def test_large_step_of_speed(row, check):
    given = row["inputs"]
    chain = ideal(given["volume_m3"], given["initial_speed_m3_per_s"])
    load, factor = given["gas_load_Pa_m3_per_s"], given["speed_factor"]
    initial = steady_pressures(chain, 1.0, load)[0]
    final = steady_pressures(chain, factor, load)[0]
    check("initial_pressure_Pa", initial)
    check("final_pressure_Pa", final)
    time = given["time_s"]
    run = integrate(chain, initial, time, speed=factor, load=load)
    at_time = np.exp(run.y[0, -1])
    check("pressure_at_time_Pa", at_time)
    check("time_constant_s", time / log((initial - final) / (at_time - final)))


def viscous_line(given, volume_m3, line_volume_m3):
    """Return the chain of chamber, long tube and ideal pump."""
    tube = {
        "kind": "tube",
        "diameter_m": given["diameter_m"],
        "length_m": given["length_m"],
        "volume_m3": line_volume_m3,
    }
    return ideal(
        volume_m3, given["pumping_speed_m3_per_s"], line=(tube,), gas={"name": given["gas"]}
    )


@pytest.mark.parametrize("row", rows("steady_chamber_behind_viscous_line"), ids=reference.row_id)
def test_steady_chamber_behind_a_line(row, check):
    given, load = row["inputs"], row["inputs"]["gas_load_Pa_m3_per_s"]
    chain = viscous_line(given, 1.0, 0.0)
    chamber, inlet = steady_pressures(chain, 1.0, load)
    check("pump_pressure_Pa", inlet)
    check("chamber_pressure_Pa", chamber)
    check("effective_speed_m3_per_s", load / chamber)


@pytest.mark.parametrize("row", rows("pumpdown_through_viscous_line"), ids=reference.row_id)
def test_pump_down_through_a_line(row, check):
    """A line of almost no volume, as in the example."""
    given = row["inputs"]
    chain = viscous_line(given, given["volume_m3"], 1e-9)
    start, end = given["start_pressure_Pa"], given["end_pressure_Pa"]
    run = integrate(chain, start, 1e3, until_pa=end)
    check("time_s", run.t_events[0][0])
    without = ideal(given["volume_m3"], given["pumping_speed_m3_per_s"])
    run = integrate(without, start, 1e3, until_pa=end)
    check("time_without_line_s", run.t_events[0][0])


@pytest.mark.parametrize("temperature", [250.0, 293.15, 450.0])
def test_the_plant_counts_a_hot_line_at_the_reference_temperature(temperature):
    """A tube passes its throughput at its own temperature; the balance counts it at 20 degC."""
    tube = {"kind": "tube", "diameter_m": 0.03, "length_m": 2.0, "temperature_k": temperature}
    chain = ideal(0.5, 0.1, line=(tube,))
    chamber, inlet = steady_pressures(chain, 1.0, 0.4)
    flow = passage(chamber, inlet, 0.03, 2.0, "N2", temperature)
    assert T_REF_K / temperature * flow == pytest.approx(0.4, rel=1e-9)
