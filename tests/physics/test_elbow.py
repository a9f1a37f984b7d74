"""Elbows in molecular flow: as many molecules pass as a particle simulation counts."""

from __future__ import annotations

import numpy as np
import pytest

from chamberctl.physics.passages import elbow_length, transmission_probability
from tests import reference

TABLE = reference.load("vacuum/elbow_molecular_transmission")


@pytest.mark.parametrize("row", TABLE.rows, ids=reference.row_id)
def test_transmission_of_an_elbow(row, validation):
    leg, probability = row["leg_over_radius"], row["transmission_probability"]
    validation.check(
        TABLE,
        "transmission probability of an elbow",
        probability,
        transmission_probability(elbow_length(leg, 1.0)),
        rel=3.0 * row["standard_error"] / probability + 0.01,
    )


@pytest.mark.parametrize("row", TABLE.rows, ids=reference.row_id)
def test_straight_tube_of_the_same_length(row, validation):
    validation.check(
        TABLE,
        "transmission probability of a straight tube",
        row["straight_tube_of_axial_length"],
        transmission_probability(2.0 * row["leg_over_radius"]),
        rel=1e-3,
    )


@pytest.mark.parametrize("row", TABLE.rows, ids=reference.row_id)
def test_length_of_the_straight_tube_that_passes_as_much(row, validation):
    """1 % and 3 standard errors of the transmission, which falls a little slower than 1/length."""
    error = 3.0 * row["standard_error"] / row["transmission_probability"] + 0.01
    validation.check(
        TABLE,
        "straight length of an elbow in radii",
        row["equivalent_straight_length_over_radius"],
        elbow_length(row["leg_over_radius"], 1.0),
        rel=1.5 * error,
    )


@pytest.mark.parametrize("row", TABLE.rows, ids=reference.row_id)
def test_the_fit_holds_what_it_promises(row):
    """0.011 radii against the length that the Monte Carlo results call for."""
    leg = row["leg_over_radius"]
    extra = float(elbow_length(leg, 1.0)) - 2.0 * leg
    assert extra == pytest.approx(row["extra_length_over_radius"], abs=0.0112)


def test_the_bend_adds_less_than_the_handbook_rule_and_more_with_longer_legs():
    legs = np.linspace(1.5, 8.0, 200)
    extra = elbow_length(legs, 1.0) - 2.0 * legs
    assert np.all(np.diff(extra) > 0.0)
    assert np.all(extra < 1.33)
    # outside the fitted range it stays a tube: longer legs pass less, a short elbow still resists
    wide = elbow_length(np.geomspace(0.5, 1e3, 500), 1.0)
    assert np.all(np.diff(wide) > 0.0)
    assert wide[0] > 0.0


def test_scales_with_its_radius():
    assert elbow_length(0.4, 0.1) == pytest.approx(0.1 * elbow_length(4.0, 1.0), rel=1e-14)
