"""Gas loads that follow a law: outgassing over time, vapor over pressure."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import brentq

from chamberctl.physics.loads import outgassing_load, vapor_load
from chamberctl.physics.pumps import backing_throughput
from tests import reference
from tests.physics.support import modest, pressures, slope

TABLE = reference.load("vacuum/outgassing_rates")
EXAMPLES = reference.load("vacuum/worked_examples")
HOUR = 3600.0
STEEL = [row for row in TABLE.rows if row["material_and_state"].startswith("stainless")]


@pytest.mark.parametrize("row", TABLE.rows, ids=lambda row: f"{row['material_and_state']}")
def test_exponent_of_decay(row, validation):
    """The rate of the table at its time, carried on for a decade of time by the law."""
    at_1h = row["rate_Pa_m_per_s"] * row["time_h"] ** row["exponent"]
    now, later = (
        outgassing_load(at_1h, row["exponent"], hours * HOUR)
        for hours in (row["time_h"], 10.0 * row["time_h"])
    )
    validation.check(
        TABLE, "exponent of outgassing", row["exponent"], np.log10(now / later), abs=0.1,
        source=row["source"],
    )  # fmt: skip


def test_steel_after_ten_hours_from_its_rate_after_one(validation):
    first, second = STEEL
    computed = outgassing_load(first["rate_Pa_m_per_s"], first["exponent"], second["time_h"] * HOUR)
    validation.check(
        TABLE, "outgassing of steel after 10 h", second["rate_Pa_m_per_s"], computed, rel=1e-6,
        source=second["source"],
    )  # fmt: skip


@pytest.mark.parametrize(
    "row", [r for r in EXAMPLES.rows if r["id"] == "outgassing_pressure"], ids=reference.row_id
)
def test_pressure_from_outgassing(row, validation):
    given_ = row["inputs"]
    load = given_["area_m2"] * outgassing_load(given_["specific_rate_Pa_m_per_s"], 1.0, HOUR)
    speed = given_["pumping_speed_m3_per_s"]
    pressure = brentq(
        lambda p: backing_throughput(p, 1.0, speed, 0.0, 0.0, 0.0) - load, 1e-9, 1.0, rtol=1e-12
    )
    for key, computed in (("gas_load_Pa_m3_per_s", load), ("pressure_Pa", pressure)):
        validation.check(
            EXAMPLES, f"{row['title']}: {key}", row["expected"][key], computed,
            rel=row["tolerance_rel"], source=row["source"], status=row["status"],
        )  # fmt: skip


@modest
@given(st.floats(0.0, 3.0), st.floats(0.0, 4.0))
def test_outgassing_never_rises_and_is_as_stated_after_one_hour(exponent, log_hours):
    hours = 10.0**log_hours
    assert outgassing_load(2e-3, exponent, HOUR) == 2e-3
    assert 0.0 < outgassing_load(2e-3, exponent, hours * HOUR) <= 2e-3


@modest
@given(pressures, pressures, st.floats(-3.0, 1.0))
def test_vapor_stops_at_saturation_and_never_condenses_back(pressure, saturation, log_k):
    conductance = 10.0**log_k
    flow = vapor_load(pressure, conductance, saturation)
    if pressure < saturation:
        assert flow == pytest.approx(conductance * (saturation - pressure), rel=1e-12)
        assert slope(lambda p: vapor_load(p, conductance, saturation), pressure) == pytest.approx(
            -conductance, rel=1e-12
        )
    else:
        assert flow == 0.0
        assert slope(lambda p: vapor_load(p, conductance, saturation), pressure) == 0.0


def test_vapor_by_hand():
    """50 L/s per difference, ice at -20 degC (103 Pa) under 20 Pa: 4.15 Pa m3/s."""
    assert vapor_load(20.0, 0.05, 103.0) == pytest.approx(4.15)
