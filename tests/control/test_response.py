"""Responses of the sampled linear loop."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from chamberctl.control.response import sampled_response
from chamberctl.errors import InputError
from chamberctl.plant.linear import LoopModel
from tests import reference
from tests.control.loops import plant, series, settings
from tests.validation import Validation

EXACT = reference.load("control/delay_loop_step_exact")
EXAMPLES = reference.load("control/simc_examples")


@pytest.mark.parametrize("k,theta", sorted({(row["k"], row["theta"]) for row in EXACT.rows}))
def test_integral_loop_with_dead_time(k: float, theta: float, validation: Validation) -> None:
    """y' = k (1 - y(t - theta)); two scan times, and the scan of zero extrapolated from them."""
    rows = [row for row in EXACT.rows if (row["k"], row["theta"]) == (k, theta)]
    found = []
    for parts in (800, 1600):
        law = settings(k, scan_time_s=theta / parts)
        answer = sampled_response(
            plant([1.0], [1.0, 0.0], theta), law, setpoint_step=1.0, duration_s=15.0 * theta
        )
        at = [round(row["t"] / theta * parts) for row in rows if row["t"] <= 15.0 * theta]
        found.append(answer.reading[at])
    expected = [row["y"] for row in rows if row["t"] <= 15.0 * theta]
    validation.check(EXACT, "step response", expected, found[1], abs=1e-3)
    # k printed with nine digits, and the kinks at whole dead times cost an order
    extrapolated = 2 * found[1] - found[0]
    validation.check(EXACT, "step response, scan to 0", expected, extrapolated, abs=1e-6)


PI = [row for row in EXAMPLES.rows if row["form"] == "PI" and row["case"] != "E15"]


@pytest.mark.parametrize("row", PI[::2], ids=reference.row_id)
def test_areas_of_the_simc_examples(row: dict[str, Any], validation: Validation) -> None:
    model = plant(reference.numbers(row["num"]), reference.numbers(row["den"]), row["delay_s"])
    ts = row["theta"] / 40.0
    law = series(row["Kc"], row["tauI"], row["tauD"], scan_time_s=ts, integral="before")
    length = 12.0 * row["tauI"] + 20.0 * row["theta"]
    law_kinds = {"sp": {"setpoint_step": 1.0}, "load": {"gas_load_step": 1.0}}
    # half a scan of the hold is taken out of the dead time where there is one
    model = replace(model, dead_time_s=max(model.dead_time_s - 0.5 * ts, 0.0))
    for kind, step in law_kinds.items():
        answer = sampled_response(model, law, duration_s=length, **step)
        area = ts * float(np.abs(answer.setpoint - answer.reading).sum())
        validation.check(
            EXAMPLES, f"SIMC loops: IAE {kind}", row[f"IAE_{kind}"], area, rel=0.02,
            status="computed here",
        )  # fmt: skip
        if row[f"pub_IAE_{kind}"] is not None:
            published = row[f"pub_IAE_{kind}"]
            validation.check(
                EXAMPLES, f"SIMC loops: published IAE {kind}", published, area, rel=0.045
            )


def test_area_of_a_load_step_is_integral_time_over_gain() -> None:
    """The integral must come to -load: Ts sum(e) Kc/Ti = 1, whatever the plant."""
    for integral in ("after", "before"):
        law = settings(2.0, 9.0, scan_time_s=0.3, computation_delay_s=None, integral=integral)
        answer = sampled_response(
            plant([1.0], [40.0, 22.0, 1.0], 1.13), law, gas_load_step=1.0, duration_s=400.0
        )
        assert 0.3 * answer.reading.sum() == pytest.approx(9.0 / 2.0, rel=1e-6)
        assert answer.speed[-1] == pytest.approx(1.0, rel=1e-6)


def test_load_acts_at_once_and_speed_after_the_dead_time() -> None:
    model, law = plant([1.0], [10.0, 1.0], 2.0), settings(1.0, 10.0, scan_time_s=0.25)
    load = sampled_response(model, law, gas_load_step=1.0, duration_s=2.0)
    np.testing.assert_allclose(load.reading, 1.0 - np.exp(-load.time_s / 10.0), atol=1e-12)
    to_setpoint = sampled_response(model, law, setpoint_step=1.0, duration_s=4.0)
    assert (to_setpoint.reading[:9] == 0.0).all()
    assert to_setpoint.reading[9] > 0.0
    assert to_setpoint.speed[0] == pytest.approx(-1.0)


def test_dead_time_of_part_of_a_scan() -> None:
    """Proportional step through a lag with 0.6 scans of dead time: exact at the scans."""
    law = settings(1e-9, scan_time_s=1.0)
    answer = sampled_response(plant([1.0], [5.0, 1.0], 0.6), law, setpoint_step=1e9, duration_s=6.0)
    time = np.maximum(answer.time_s - 0.6, 0.0)
    np.testing.assert_allclose(answer.reading, 1.0 - np.exp(-time / 5.0), rtol=1e-6, atol=1e-9)


def test_decades_and_true_pressure() -> None:
    model = LoopModel.from_transfer_function([-1.0], [5.0, 1.0], 1.0, reading_pa=100.0)
    law = replace(settings(1.0, 5.0, scan_time_s=0.5), reading="log10")
    answer = sampled_response(model, law, setpoint_step=0.1, duration_s=200.0)
    assert answer.reading[-1] == pytest.approx(0.1, rel=1e-6)
    assert answer.ln_pressure[-1] == pytest.approx(0.1 * np.log(10.0), rel=1e-6)


def test_length() -> None:
    model = plant([1.0], [10.0, 1.0], 2.0)
    answer = sampled_response(model, settings(1.0, 10.0, scan_time_s=0.25), setpoint_step=1.0)
    assert answer.time_s[-1] > 60.0
    assert abs(answer.reading[-1] - 1.0) < 0.01
    assert sampled_response(model, settings(1.0, scan_time_s=0.5)).reading.max() == 0.0
    with pytest.raises(InputError, match="needs a scan time"):
        sampled_response(model, settings(1.0, 10.0))
    with pytest.raises(InputError, match="scans"):
        sampled_response(model, settings(1.0, 10.0, scan_time_s=1e-6), duration_s=10.0)
