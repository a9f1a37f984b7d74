"""Constants: exact ones are exact, and the range of the model is the one stated."""

from __future__ import annotations

from chamberctl.physics import constants


def test_exact_constants():
    # CODATA 2018: the product of the exact Boltzmann and Avogadro constants, ten digits.
    assert round(1.380649e-23 * 6.02214076e23, 9) == constants.MOLAR_GAS_CONSTANT_J_MOL_K
    assert constants.STANDARD_ATMOSPHERE_PA == 760.0 * 101325.0 / 760.0
    assert constants.T_REF_K == 20.0 + 273.15


def test_range_of_the_model():
    """From 1e-3 Pa, below which dry pump sets do not control, to 110 kPa of the atmosphere."""
    assert constants.LOWEST_PRESSURE_PA == 1e-3
    assert constants.HIGHEST_PRESSURE_PA == 1.1e5
