"""How much gas a chamber holds."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from chamberctl.physics.chamber import effective_volume
from chamberctl.physics.constants import MOLAR_GAS_CONSTANT_J_MOL_K, T_REF_K
from tests.physics.support import modest

parts = st.lists(
    st.tuples(st.floats(1e-3, 100.0), st.floats(200.0, 2000.0)), min_size=1, max_size=5
)


@modest
@given(parts=parts, pressure=st.floats(1e-3, 1e5))
def test_the_effective_volume_holds_the_same_amount_of_gas(parts, pressure):
    volumes, temperatures = zip(*parts, strict=True)
    amount = sum(
        pressure * volume / (MOLAR_GAS_CONSTANT_J_MOL_K * temperature)
        for volume, temperature in parts
    )
    effective = effective_volume(volumes, temperatures)
    held = pressure * effective / (MOLAR_GAS_CONSTANT_J_MOL_K * T_REF_K)
    assert held == pytest.approx(amount, rel=1e-12)


def test_hot_zones_count_less_than_their_size():
    assert effective_volume([2.0], [293.15]) == pytest.approx(2.0, rel=1e-15)
    furnace = effective_volume([1.0, 1.0], [293.15, 879.45])
    assert furnace == pytest.approx(1.0 + 1.0 / 3.0, rel=1e-12)


def test_every_part_needs_a_temperature():
    with pytest.raises(ValueError, match="shorter"):
        effective_volume([1.0, 2.0], [293.15])
