"""Text with units to SI floats and back: published factors, round trips, and what is refused."""

from __future__ import annotations

import doctest
import math
from contextlib import suppress
from typing import Any

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from chamberctl import quantities
from chamberctl.errors import InputError, QuantityError
from chamberctl.quantities import (
    DIMENSIONS,
    convert,
    dimension_of,
    format_number,
    format_quantity,
    parse,
    unit_factor,
)
from tests import reference
from tests.validation import Validation

UNITS = reference.load("vacuum/unit_conversions")
STANDARD = reference.load("vacuum/sccm_reference_conditions")

# The table writes some units and quantities in words; here is what they are in ours.
SPELLED = {
    "m3/h_to_l/s": "m3/h",
    "mbar l/s at 20 degC": "mbar l/s(20 degC)",
    "Pa m3/s at 0 degC": "Pa m3/s(0 degC)",
}


@pytest.mark.parametrize("row", UNITS.rows, ids=lambda row: row["from_unit"])
def test_published_unit_factors(row: dict[str, Any], validation: Validation) -> None:
    """Each factor to the digits printed; the same amount of gas in other conditions, too."""
    if row["quantity"] == "temperature":
        value = parse("0 degC", "temperature")
    elif row["from_unit"].startswith("kg/h air"):
        air_kg_mol = 28.96546e-3  # molar mass as stated in the row
        value = convert(1.0 / 3600.0 / air_kg_mol, "mol/s", "Pa m3/s", "throughput")
    else:
        from_unit = SPELLED.get(row["from_unit"], row["from_unit"])
        value = convert(1.0, from_unit, row["to_unit"], row["quantity"])
    validation.check(UNITS, f"unit of {row['quantity']}", row["factor"], value, rel=1e-6)


@pytest.mark.parametrize("row", STANDARD.rows, ids=reference.row_id)
def test_standard_flows_at_every_reference_condition(
    row: dict[str, Any], validation: Validation
) -> None:
    unit = f"sccm({row['reference_temperature_K']} K, {row['reference_pressure_Pa']} Pa)"
    for to_unit, column in {
        "mol/s": "mol_per_s_per_sccm",
        "Pa m3/s(0 degC)": "throughput_at_0C_Pa_m3_per_s",
        "Pa m3/s(20 degC)": "throughput_at_20C_Pa_m3_per_s",
        "Pa m3/s(25 degC)": "throughput_at_25C_Pa_m3_per_s",
        "mbar L/s": "throughput_at_20C_mbar_l_per_s",
    }.items():
        value = convert(1.0, unit, to_unit, "throughput")
        validation.check(STANDARD, "standard flow", row[column], value, rel=1e-5)


def test_a_standard_liter_is_16_9_or_18_1_mbar_l_per_s() -> None:
    """One slm counted at 20 degC, with its reference at 20 degC and at 0 degC."""
    for unit, mbar_l_s in (("slm(20 degC)", 16.8875), ("slm(0 degC)", 18.1240)):
        converted = convert(1.0, unit, "mbar L/s", "throughput")
        assert converted == pytest.approx(mbar_l_s, rel=1e-5)
    assert parse("40 slm(21,1 degC)", "throughput") == pytest.approx(
        parse("40000 sccm(294.25 K)", "throughput")
    )


@pytest.mark.parametrize("text, value", [
    ("5 mbar", 500.0), ("5mbar", 500.0), ("5.0 mbar", 500.0), ("5,0 mbar", 500.0),
    ("5e-3 mbar", 0.5), ("5E-3 mbar", 0.5), ("0,005 mbar", 0.5), ("0,0050 mbar", 0.5),
    ("0.005 mbar", 0.5), ("+5e0 mbar", 500.0), ("\u22125 \u00b5bar", -0.5), (".5 Pa", 0.5),
    ("1000,500 Pa", 1000.5), ("1,2345 Pa", 1.2345), ("5\u00a0mbar", 500.0), ("1 atm", 101325.0),
    ("1 bara", 1e5), ("5 mbar(a)", 500.0), ("5 mbar abs", 500.0), ("760 torr", 101325.0),
])  # fmt: skip
def test_pressures_are_read_as_typed(text: str, value: float) -> None:
    """A small setpoint typed as 5e-3, 0,005 or 5E-3 mbar is 0.5 Pa, never 0."""
    assert parse(text, "pressure") == pytest.approx(value, rel=1e-12)


@pytest.mark.parametrize("text, dimension, value", [
    ("60 \u00b0C", "temperature", 333.15), ("32 degF", "temperature", 273.15),
    ("600 m\u00b3/h", "volume_flow", 1 / 6), ("1 Pa\u00b7m\u00b3/s", "throughput", 1.0),
    ("30 %", "fraction", 0.3), ("0.3", "fraction", 0.3), ("3000 rpm", "rotation", 3000.0),
    ("50 Hz", "frequency", 50.0), ("0.2 L/s/mbar", "conductance_per_pressure", 2e-6),
    ("0.5 mbar/s", "pressure_rate", 50.0), ("1 V/decade", "voltage_per_decade", 1.0),
    ("22.3 uPa s", "viscosity", 22.3e-6), ("39.95 g/mol", "molar_mass", 0.03995),
    ("20 cm2", "area", 2e-3), ("160 mm", "length", 0.16), ("500 mL", "volume", 5e-4),
    ("2 min", "time", 120.0), ("45 deg", "angle", 45.0), ("1 mol/s", "throughput",
    8.314462618 * 293.15), ("10 V", "voltage", 10.0), ("1.7", "number", 1.7),
])  # fmt: skip
def test_every_dimension_is_read(text: str, dimension: str, value: float) -> None:
    assert parse(text, dimension) == pytest.approx(value, rel=1e-9)


@pytest.mark.parametrize("text, dimension, reason", [
    ("1,000 mbar", "pressure", r"ambiguous.*'1\.000' or '1000'"),
    ("12,345 mbar", "pressure", "ambiguous"), ("-1,000e3 Pa", "pressure", "ambiguous"),
    ("1.000,5 mbar", "pressure", "ambiguous: more than one separator"),
    ("1,000.5 mbar", "pressure", "ambiguous: more than one separator"),
    ("1'000 mbar", "pressure", "ambiguous"), ("1_000 mbar", "pressure", "ambiguous"),
    ("1 000 mbar", "pressure", "two numbers"), ("9**9**2 Pa", "pressure", "two numbers"),
    ("1e400 Pa", "pressure", "too large"), ("1e308 bar", "pressure", "too large"),
    ("1e-400 Pa", "pressure", "too small"), ("1e-323 mTorr", "pressure", "too small"),
    ("nan Pa", "pressure", "finite"), ("-inf Pa", "pressure", "finite"),
    ("", "pressure", "begin with one number"), ("mbar", "pressure", "begin with one number"),
    ("5", "pressure", "unit is missing.*'5 mbar'"),
    ("5 L", "pressure", "'L' is the unit of a volume"),
    ("5 mabr", "pressure", "did you mean 'mbar'"), ("5 pa", "pressure", "did you mean 'Pa'"),
    ("5 barg", "pressure", "relative pressures"), ("5 mbar(g)", "pressure", "relative pressures"),
    ("5 psig", "pressure", "relative pressures"), ("5 bar gauge", "pressure", "relative"),
    ("20 inHg vacuum", "pressure", "relative pressures"),
    ("40 slm", "throughput", r"reference temperature.*'40 slm\(0 degC\)'"),
    ("40 slm(", "throughput", "reference temperature"),
    ("40 slm(5 mbar)", "throughput", "temperature is wanted"),
    ("40 slm(0 K)", "throughput", "above 0 K"),
    ("40 slm(0 degC, 1 bar, 2)", "throughput", "one temperature"),
    ("40 slm", "pressure", "gas flow"), ("5 kg/h", "throughput", "mass flow"),
    ("-300 degC", "temperature", "absolute zero"), ("5 furlong", "length", "unknown unit"),
    ("5 blurb", "number", "unknown unit"), ("5 mbar", "blurb", "no such dimension"),
    ("5" * 300 + " Pa", "pressure", "too long"), ("__import__('os') Pa", "pressure", "begin with"),
])  # fmt: skip
def test_refusals_say_why(text: str, dimension: str, reason: str) -> None:
    with pytest.raises(QuantityError, match=reason) as caught:
        parse(text, dimension)
    assert isinstance(caught.value, InputError)
    assert caught.value.first.given
    assert caught.value.first.remedy


@pytest.mark.parametrize("value, unit, text", [
    (0.5, "mbar", "5.0e-3 mbar"), (500.0, "mbar", "5 mbar"), (1e-7, "mbar", "1.0e-9 mbar"),
    (0.0, "mbar", "0 mbar"), (293.15, "degC", "20 degC"), (0.5, "%", "50 %"), (0.25, "", "0.25"),
    (123.456, "Pa", "123.5 Pa"), (123456.0, "Pa", "123500 Pa"), (2.5e6, "Pa", "2.5e6 Pa"),
    (0.00999999, "Pa", "0.01 Pa"), (-3.0, "Pa", "-3 Pa"), (math.nan, "Pa", "nan Pa"),
    (math.inf, "s", "inf s"), (1.8124, "slm(0 degC)", "1 slm(0 degC)"),
])  # fmt: skip
def test_values_are_written_so_that_nothing_small_becomes_zero(
    value: float, unit: str, text: str
) -> None:
    assert format_quantity(value, unit) == text


KNOWN_UNITS = [(name, unit) for name, table in DIMENSIONS.items() for unit in table.units]


@settings(deadline=None)
@given(st.sampled_from(KNOWN_UNITS), st.floats(1e-9, 1e9))
def test_round_trip_through_text(pair: tuple[str, str], value: float) -> None:
    """What is written is read back: to the last bits with 17 digits, to 5e-4 with four."""
    dimension, unit = pair
    assume(dimension != "temperature" or value > 1.0)
    offset = parse(f"0 {unit}", dimension) if dimension == "temperature" else 0.0
    exact = parse(format_quantity(value, unit, 17), dimension)
    assert exact == pytest.approx(value, rel=1e-14, abs=4e-14 * offset)
    short = parse(format_quantity(value, unit), dimension)
    assert short == pytest.approx(value, rel=5.01e-4, abs=5.01e-4 * offset)


@settings(deadline=None)
@given(st.sampled_from(KNOWN_UNITS), st.floats(1e-9, 1e9))
def test_conversion_is_undone_by_the_way_back(pair: tuple[str, str], value: float) -> None:
    dimension, unit = pair
    base = DIMENSIONS[dimension].base
    back = convert(convert(value, base, unit, dimension), unit, base, dimension)
    assert back == pytest.approx(value, rel=1e-13, abs=1e-12 if dimension == "temperature" else 0)


@settings(deadline=None)
@given(st.text(max_size=40), st.sampled_from(sorted(DIMENSIONS)))
def test_any_text_is_read_or_refused_in_words(text: str, dimension: str) -> None:
    with suppress(QuantityError):
        assert math.isfinite(parse(text, dimension))


@settings(deadline=None)
@given(st.floats(-1e300, 1e300), st.integers(1, 17))
def test_a_written_number_keeps_its_digits(value: float, digits: int) -> None:
    written = float(format_number(value, digits))
    assert written == pytest.approx(value, rel=0.5001 * 10.0 ** (1 - digits) + 1e-16, abs=0.0)
    assert (written == 0.0) == (value == 0.0)


def test_arrays_are_converted_like_numbers() -> None:
    converted = convert(np.array([0.0, 100.0]), "degC", "degF", "temperature")
    assert converted == pytest.approx([32.0, 212.0])


def test_every_example_and_base_unit_of_the_table_is_read() -> None:
    for name, table in DIMENSIONS.items():
        assert math.isfinite(parse(table.example, name))
        assert unit_factor(table.base, name) == 1.0
        assert dimension_of(table.base) in DIMENSIONS


def test_a_scale_with_an_offset_has_no_factor() -> None:
    with pytest.raises(QuantityError, match="use convert"):
        unit_factor("degC", "temperature")


def test_doctests() -> None:
    assert doctest.testmod(quantities).failed == 0
