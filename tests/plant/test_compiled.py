"""The right-hand side gives the same values plain, over arrays, complex and compiled."""

from __future__ import annotations

import numpy as np
import pytest

from chamberctl.plant.chain import build_chain
from chamberctl.plant.compiled import compiled_net_flows
from chamberctl.plant.selftest import right_hand_side_rows
from tests.plant.plants import booster_plant, plant


@pytest.mark.parametrize("row", right_hand_side_rows(), ids=lambda row: row.name)
def test_the_four_ways_agree(row):
    assert row.passed


@pytest.mark.parametrize(
    "system",
    [
        booster_plant(),
        plant(backing={"curve": ((1.0, 0.05), (10.0, 0.095), (1e3, 0.1), (1e5, 0.08))}),
    ],
    ids=["booster", "curve"],
)
def test_compiled_chain_equals_the_plain_one(system):
    chain = build_chain(system)
    rng = np.random.default_rng(3)
    for _ in range(20):
        pressures = np.sort(10.0 ** rng.uniform(-2, 4.5, chain.size))[::-1].copy()
        speed, load = rng.uniform(0.25, 1.0), 10.0 ** rng.uniform(-2, 2)
        plain = chain.net_flows(pressures, speed, load)
        compiled = compiled_net_flows()(
            chain.kinds,
            chain.rows,
            chain.curves,
            chain.compression,
            chain.nodes,
            chain.vapor,
            chain.booster_map,
            chain.backing_map,
            pressures,
            speed,
            load,
            np.empty(chain.size),
        )
        assert compiled == pytest.approx(plain, rel=1e-12)
