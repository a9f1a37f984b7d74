"""Blends of gases: mean properties between and beside those of the parts."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from chamberctl.physics.constants import T_REF_K
from chamberctl.physics.gases import GASES, viscosity
from chamberctl.physics.mixtures import blend
from tests import reference
from tests.physics.support import modest

PROPERTIES = reference.load("vacuum/gas_properties")
VISCOSITY = reference.load("vacuum/gas_viscosity_vs_temperature")
AIR = ([GASES["N2"], GASES["O2"], GASES["Ar"]], [0.7812, 0.2095, 0.0093])
names = st.sampled_from(sorted(GASES))


def at(gas, temperature_k):
    return float(viscosity(temperature_k, gas.viscosity_20c_pa_s, gas.sutherland_k))


def test_air_from_its_parts(validation):
    """The blend rule against the measured mixture that everybody knows best."""
    row = next(row for row in PROPERTIES.rows if reference.row_id(row) == "air")
    mixed = blend(*AIR)
    validation.check(
        PROPERTIES, "molar mass of air from its parts", row["molar_mass_kg_per_mol"],
        mixed.molar_mass_kg_mol, rel=5e-4,
    )  # fmt: skip
    validation.check(
        PROPERTIES, "viscosity of air from its parts", row["dynamic_viscosity_Pa_s"],
        mixed.viscosity_20c_pa_s, rel=0.02,
    )  # fmt: skip
    assert mixed.heat_capacity_ratio == pytest.approx(GASES["air"].heat_capacity_ratio, rel=3e-3)


@pytest.mark.parametrize(
    "row", [row for row in VISCOSITY.rows if row["gas"] == "air"], ids=lambda r: r["temperature_K"]
)
def test_hot_air_from_its_parts(row, validation):
    validation.check(
        VISCOSITY, "viscosity of hot air from its parts", row["dynamic_viscosity_Pa_s"],
        at(blend(*AIR), row["temperature_K"]), rel=0.03,
    )  # fmt: skip


@modest
@given(names, st.floats(0.0, 1.0))
def test_a_gas_blended_with_itself_stays_itself(name, share):
    gas = GASES[name]
    mixed = blend([gas, gas], [share, 1.0 - share])
    assert mixed.molar_mass_kg_mol == pytest.approx(gas.molar_mass_kg_mol, rel=1e-12)
    assert mixed.heat_capacity_ratio == pytest.approx(gas.heat_capacity_ratio, rel=1e-12)
    assert mixed.viscosity_20c_pa_s == pytest.approx(gas.viscosity_20c_pa_s, rel=1e-12)
    assert mixed.sutherland_k == pytest.approx(gas.sutherland_k, rel=1e-6)


@modest
@given(names, names)
def test_a_trace_of_another_gas_changes_nothing(name, other):
    pure = GASES[name]
    mixed = blend([pure, GASES[other]], [1.0 - 1e-9, 1e-9])
    for attribute in ("molar_mass_kg_mol", "viscosity_20c_pa_s", "heat_capacity_ratio"):
        assert getattr(mixed, attribute) == pytest.approx(getattr(pure, attribute), rel=1e-6)


@modest
@given(names, names, st.floats(0.01, 0.99), st.floats(253.0, 900.0))
def test_any_blend_is_a_gas(name, other, share, temperature):
    """Mass and heat capacity lie between; viscosity may lie above both, never far below."""
    pair = [GASES[name], GASES[other]]
    mixed = blend(pair, [share, 1.0 - share])
    swapped = blend(pair[::-1], [1.0 - share, share])
    for attribute in ("molar_mass_kg_mol", "heat_capacity_ratio"):
        ends = sorted(getattr(gas, attribute) for gas in pair)
        assert ends[0] * (1 - 1e-12) <= getattr(mixed, attribute) <= ends[1] * (1 + 1e-12)
    ends = sorted(at(gas, temperature) for gas in pair)
    assert 0.95 * ends[0] < at(mixed, temperature) < 1.5 * ends[1]
    assert at(swapped, temperature) == pytest.approx(at(mixed, temperature), rel=1e-12)


@pytest.mark.parametrize(("name", "other"), [("Ar", "H2"), ("N2", "He"), ("N2", "H2O")])
def test_the_law_over_temperature_joins_the_two_that_were_blended(name, other):
    """At the two temperatures of the blend exactly, between them as good as the parts."""
    pair = [GASES[name], GASES[other]]
    mixed = blend(pair, [0.6, 0.4])
    for factor, tolerance in ((1.0, 1e-9), (2.0, 1e-9), (1.4, 0.01)):
        temperature = factor * T_REF_K
        hot = [
            type(gas)(gas.name, gas.molar_mass_kg_mol, at(gas, temperature), 0.0, 1.4)
            for gas in pair
        ]
        direct = blend(hot, [0.6, 0.4]).viscosity_20c_pa_s
        assert at(mixed, temperature) == pytest.approx(direct, rel=tolerance)


@modest
@given(names, names, st.floats(0.05, 0.95))
def test_viscosity_by_the_rule_written_out(name, other, share):
    """C.R. Wilke (1950) for two gases, term by term."""
    one, two = GASES[name], GASES[other]

    def weight(i, j):
        ratio = i.viscosity_20c_pa_s / j.viscosity_20c_pa_s
        mass = i.molar_mass_kg_mol / j.molar_mass_kg_mol
        return (1.0 + ratio**0.5 / mass**0.25) ** 2 / (8.0 * (1.0 + mass)) ** 0.5

    expected = one.viscosity_20c_pa_s / (1.0 + (1.0 - share) / share * weight(one, two))
    expected += two.viscosity_20c_pa_s / (1.0 + share / (1.0 - share) * weight(two, one))
    mixed = blend([one, two], [share, 1.0 - share])
    assert mixed.viscosity_20c_pa_s == pytest.approx(expected, rel=1e-12)


def test_shares_that_do_not_make_a_whole_are_refused():
    with pytest.raises(ValueError, match=r"sum to 1, not 0\.9"):
        blend([GASES["Ar"], GASES["He"]], [0.6, 0.3])


def test_the_name_says_the_blend():
    assert blend([GASES["Ar"], GASES["H2"]], [0.95, 0.05]).name == "0.95 Ar + 0.05 H2"
    assert np.isfinite(blend(*AIR).sutherland_k)
