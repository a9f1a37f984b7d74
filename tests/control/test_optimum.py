"""The most integral action within limits: published optima, brute force, and what must hold."""

from __future__ import annotations

import pytest

from chamberctl.control.optimum import find_optimum
from chamberctl.control.pace import LoopLimits
from tests import reference
from tests.control.loops import plant, settings

PUBLISHED = reference.load("control/ms_constrained_pi")


def _row_id(row: dict) -> str:
    return f"{row['plant']} Ms {row['Ms_limit']:g}"


@pytest.mark.parametrize("row", PUBLISHED.rows, ids=_row_id)
def test_optimal_pi_under_a_limit_on_ms(row, validation):
    model = plant(
        reference.numbers(row["num"]), reference.numbers(row["den"]), float(row["delay_s"])
    )
    limit = row["Ms_limit"]
    found = find_optimum([model], settings(1.0), LoopLimits(limit))
    action, gain = found.integral_action, found.settings.kc
    validation.check(PUBLISHED, "integral action of the optimum", row["ki"], action, rel=0.005)
    validation.check(PUBLISHED, "gain of the optimum", row["K"], gain, rel=0.01)
    assert found.margins.stable[0]
    assert found.margins.ms[0] <= limit + 1e-3
    for column, value in (("pub_K", gain), ("pub_Ti", found.settings.ti_s)):
        if row[column] is not None:
            quantity = f"published {column.removeprefix('pub_')} of the optimum"
            validation.check(
                PUBLISHED, quantity, row[column], value, rel=0.01, status="from memory"
            )
