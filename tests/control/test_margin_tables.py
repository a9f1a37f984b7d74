"""Margins against published and independently recomputed tables."""

from __future__ import annotations

import cmath
import math
from typing import Any

import numpy as np
import pytest

from chamberctl.control.controller import PidSettings
from chamberctl.control.disk import disk_limits
from chamberctl.control.margins import margins
from chamberctl.plant.linear import LoopModel
from tests import reference
from tests.control.loops import plant, series, settings
from tests.validation import Validation

EXAMPLES = reference.load("control/simc_examples")
ROBUSTNESS = reference.load("control/simc_robustness")
SWEEP = reference.load("control/simc_tauc_sweep")
RATIONAL = reference.load("control/margins_rational")
DISKS = reference.load("control/disk_margins")
BOUNDS = reference.load("control/ms_margin_bounds")
ULTIMATE = reference.load("control/delay_loop_ultimate")
RANGES = reference.load("control/stabilising_gain_ranges")
SAMPLED_P = reference.load("control/sampled_p_ultimate")
SAMPLED_PI = reference.load("control/sampled_pi_margins")

OWN = 1e-6
PRINTED = 1e-8
INDEPENDENT = "computed here"
#: Column of a table, attribute of the margins.
COLUMNS = {
    "Ms": "ms",
    "Mt": "mt",
    "GM": "gain_margin",
    "PM_deg": "phase_margin_deg",
    "delay_margin_s": "delay_margin_s",
    "wc": "crossover_rad_s",
    "w180": "phase_crossover_rad_s",
}


def row_loop(row: dict[str, Any]) -> LoopModel:
    return plant(reference.numbers(row["num"]), reference.numbers(row["den"]), row["delay_s"])


def example_settings(row: dict[str, Any], **more: object) -> PidSettings:
    return series(row["Kc"], row["tauI"], row["tauD"], **more)


@pytest.mark.parametrize("row", EXAMPLES.rows, ids=lambda row: f"{row['case']}-{row['form']}")
def test_simc_examples(row: dict[str, Any], validation: Validation) -> None:
    found = margins(row_loop(row), example_settings(row))
    for column, name in COLUMNS.items():
        value = row[column]
        if row["case"] == "E15" and column == "GM":
            # L tends to -1/2 at infinite frequency: twice the gain ends stability there
            assert math.isinf(value)
            value = 2.0
        if not math.isnan(value) and column != "w180":
            validation.check(
                EXAMPLES, f"SIMC loops: {column}", value, getattr(found, name), rel=OWN,
                status=INDEPENDENT,
            )  # fmt: skip
    if row["case"] != "E15":  # there it is reached at infinite frequency only
        validation.check(
            EXAMPLES, "SIMC loops: frequency of Ms", row["w_Ms"], found.ms_frequency_rad_s, rel=OWN,
            status=INDEPENDENT,
        )  # fmt: skip
    if row["pub_Ms"] is not None:
        validation.check(EXAMPLES, "SIMC loops: published Ms", row["pub_Ms"], found.ms, abs=0.006)


@pytest.mark.parametrize("process", ["fopdt", "integrating_delay"])
def test_simc_robustness(process: str, validation: Validation) -> None:
    num, den = ([0.5], [1.0, 0.0]) if process == "fopdt" else ([4.0, 0.5], [8.0, 0.0, 0.0])
    found = margins(plant(num, den, 1.0), settings(1.0))
    names = {
        "GM": "gain_margin",
        "PM_deg": "phase_margin_deg",
        "Ms": "ms",
        "Mt": "mt",
        "w180_theta": "phase_crossover_rad_s",
        "wc_theta": "crossover_rad_s",
        "delay_error_over_theta": "delay_margin_s",
    }
    for row in ROBUSTNESS.rows:
        if row["process"] == process:
            value = getattr(found, names[row["quantity"]])
            half_digit = 0.051 if row["quantity"] == "PM_deg" else 0.0051
            validation.check(
                ROBUSTNESS, "SIMC robustness, published", row["published"], value, abs=half_digit
            )
            validation.check(
                ROBUSTNESS, "SIMC robustness", row["computed"], value, rel=OWN, status=INDEPENDENT
            )


@pytest.mark.parametrize("row", SWEEP.rows, ids=reference.row_id)
def test_simc_closed_loop_time(row: dict[str, Any], validation: Validation) -> None:
    gain = 1.0 / (row["tauc_over_theta"] + 1.0)
    found = margins(plant([gain], [1.0, 0.0], 1.0), settings(1.0))
    pairs = {
        "GM": found.gain_margin,
        "PM_deg": found.phase_margin_deg,
        "Ms": found.ms,
        "delay_margin_over_theta": found.delay_margin_s,
    }
    for column, value in pairs.items():
        validation.check(SWEEP, f"SIMC over tau_c: {column}", row[column], value, rel=PRINTED)


@pytest.mark.parametrize("row", RATIONAL.rows, ids=reference.row_id)
def test_rational_loops(row: dict[str, Any], validation: Validation) -> None:
    loop = plant(reference.numbers(row["num"]), reference.numbers(row["den"]))
    found = margins(loop, settings(1.0))
    for column, name in COLUMNS.items():
        if not math.isnan(row[column]):
            # suprema reached only at w = 0 or at infinity were sought on a finite grid
            rel = 2e-8 if abs(row[column] - 1.0) < 1e-7 else OWN
            value = getattr(found, name)
            validation.check(RATIONAL, f"rational loops: {column}", row[column], value, rel=rel)
    validation.check(RATIONAL, "rational loops: 1/Ms", row["sm"], 1.0 / found.ms, rel=OWN)
    digits = {"pub_GM": (found.gain_margin, 1e-4), "pub_PM": (found.phase_margin_deg, 1e-4)}
    for column, (value, rel) in digits.items():
        if row[column] is not None:
            validation.check(
                RATIONAL, f"rational loops: {column}", row[column], value, rel=rel, status="read"
            )
    if row["pub_sm"] is not None:
        validation.check(
            RATIONAL, "rational loops: pub_sm", row["pub_sm"], 1.0 / found.ms, abs=0.0005,
            status="read",
        )  # fmt: skip


LOOPS_WITH_DISK = [row for row in DISKS.rows if row["num"] is not None]
BALANCED = [row for row in DISKS.rows if row["sigma"] == 0.0]


@pytest.mark.parametrize("row", LOOPS_WITH_DISK, ids=lambda row: f"{row['loop']}-{row['sigma']:g}")
def test_disk_margins(row: dict[str, Any], validation: Validation) -> None:
    found = margins(row_loop(row), settings(1.0))
    alpha = found.disk_margin if row["sigma"] == 0.0 else 1.0 / found.ms
    validation.check(DISKS, "disk margin", row["alpha"], alpha, rel=OWN)
    if row["sigma"] == 1.0:
        validation.check(DISKS, "frequency of Ms", row["w"], found.ms_frequency_rad_s, rel=1e-4)
    if row["pub_alpha"] is not None:
        validation.check(
            DISKS, "disk margin, printed", row["pub_alpha"], alpha, abs=0.005, status="read"
        )


@pytest.mark.parametrize("row", BALANCED, ids=reference.row_id)
def test_gain_and_phase_that_a_disk_margin_allows(
    row: dict[str, Any], validation: Validation
) -> None:
    """Balanced disks, the only ones that chamberctl reports."""
    found = disk_limits(row["alpha"])
    decibels = 20.0 * math.log10(found.gain_high)
    for column, words, value in (
        ("gmin", "lowest gain within the disk margin", found.gain_low),
        ("gmax", "highest gain within the disk margin", found.gain_high),
        ("DGM_dB", "highest gain within the disk margin, dB", decibels),
        ("phi_deg", "phase within the disk margin", found.phase_deg),
    ):
        validation.check(DISKS, words, row[column], value, rel=OWN)
    if row["pub_phi_deg"] is not None:
        validation.check(
            DISKS, "phase within the disk margin, printed", row["pub_phi_deg"], found.phase_deg,
            abs=0.05, status="read",
        )  # fmt: skip


@pytest.mark.parametrize("alpha", [0.3, 1.0, 1.9])
def test_the_disk_of_changes_touches_minus_one_and_not_before(alpha: float) -> None:
    """A factor on the edge of the disk, |f - 1| = (alpha/2) |f + 1|: its ends, and its phase."""
    limits = disk_limits(alpha)
    for factor in (
        limits.gain_low,
        limits.gain_high,
        cmath.rect(1.0, math.radians(limits.phase_deg)),
    ):
        assert abs(factor - 1.0) == pytest.approx(0.5 * alpha * abs(factor + 1.0))


def test_a_disk_of_the_whole_right_half_plane_allows_every_gain() -> None:
    assert disk_limits(2.0).gain_high == math.inf
    assert disk_limits(2.0).gain_low == 0.0
    assert math.isnan(disk_limits(math.nan).gain_low)


@pytest.mark.parametrize("row", BOUNDS.rows, ids=reference.row_id)
def test_margins_that_ms_and_mt_promise(row: dict[str, Any], validation: Validation) -> None:
    # a loop with |S| = M at one frequency touches the bound there: L = -1 + exp(j phi)/M
    m = row["M"]
    validation.check(BOUNDS, "GM from Ms", row["GM_from_Ms"], m / (m - 1.0), rel=PRINTED)
    angle = math.degrees(2 * math.asin(0.5 / m))
    validation.check(BOUNDS, "PM from Ms", row["PM_from_Ms_deg"], angle, rel=PRINTED)
    # L = k/s sampled: Ms = 1/(1 - x/2) = M at z = -1, where its gain margin is the bound itself
    x = 2.0 * (1.0 - 1.0 / m)
    found = margins(plant([x], [1.0, 0.0]), settings(1.0, scan_time_s=1.0))
    validation.check(BOUNDS, "Ms that touches its bound", m, found.ms, rel=PRINTED)
    validation.check(BOUNDS, "GM at its bound", row["GM_from_Ms"], found.gain_margin, rel=PRINTED)
    # there T = L/(1 + L) at z = -1 with L = -x/2
    mt = found.mt
    assert found.gain_margin >= (1.0 + 1.0 / mt) * (1.0 - 1e-12)
    validation.check(BOUNDS, "GM from Mt", row["GM_from_Mt"], 1.0 + 1.0 / m, rel=PRINTED)
    validation.check(BOUNDS, "PM from Mt", row["PM_from_Mt_deg"], angle, rel=PRINTED)


@pytest.mark.parametrize("row", ULTIMATE.rows, ids=lambda r: f"{r['loop']}-{r['K']:g}-{r['L']:g}")
def test_ultimate_gains_of_dead_time_loops(row: dict[str, Any], validation: Validation) -> None:
    share = 0.3 / row["Ku"]
    loops = {
        "fopdt_P": (plant([row["K"]], [row["T"] or 1.0, 1.0], row["L"]), settings(share)),
        "integrating_delay_P": (plant([row["K"]], [1.0, 0.0], row["L"]), settings(share)),
        # integral action alone: a lag of 1 s in front, taken away by Ti = 1 s
        "pure_delay_I": (plant([row["K"]], [1.0, 1.0], row["L"]), settings(share, 1.0)),
        "pure_delay_P": (plant([row["K"]], [1.0], row["L"]), settings(share)),
    }
    found = margins(*loops[row["loop"]])
    ultimate = found.gain_margin * share
    validation.check(ULTIMATE, "ultimate gain", row["Ku"], ultimate, rel=PRINTED)
    if row["loop"] != "pure_delay_P":  # there every turn of the dead time has the same gain
        wu = found.phase_crossover_rad_s
        validation.check(ULTIMATE, "ultimate frequency", row["wu"], wu, rel=PRINTED)
        validation.check(ULTIMATE, "ultimate period", row["Tu"], 2 * math.pi / wu, rel=PRINTED)


@pytest.mark.parametrize("row", RANGES.rows, ids=lambda r: f"{r['type']}-{r['T']:g}-{r['L']:g}")
def test_gains_that_can_be_made_stable(row: dict[str, Any], validation: Validation) -> None:
    model = plant([row["k"]], [row["T"], 1.0], row["L"])
    if row["type"] == "PI":
        found = margins(model, settings(0.5 * row["kp_max"]))
        limit = 0.5 * row["kp_max"] * found.gain_margin
        validation.check(RANGES, "largest gain with PI", row["kp_max"], limit, rel=PRINTED)
    low = row["kp_min"]
    assert margins(model, settings(0.999 * low)).stable
    assert not margins(model, settings(1.001 * low)).stable
    if row["type"] == "PID":
        slopes = np.linspace(0.2, 0.98, 120) * row["T"] / row["k"]
        for factor, possible in ((0.995, True), (1.005, False)):
            kp = factor * row["kp_max"]
            every = [settings(kp, 1e9, td_s=slope / kp) for slope in slopes]
            assert margins([model] * slopes.size, every).stable.any() == possible
        if row["pub_kp_max"] is not None:
            validation.check(
                RANGES, "largest gain with PID, published", row["pub_kp_max"], row["kp_max"],
                abs=1e-4,
            )  # fmt: skip


@pytest.mark.parametrize("row", SAMPLED_P.rows, ids=lambda r: f"{r['T']}-{r['L']:g}-{r['h']:g}")
def test_ultimate_gains_of_sampled_loops(row: dict[str, Any], validation: Validation) -> None:
    den = [1.0, 0.0] if row["T"] is None else [row["T"], 1.0]
    loop = plant([row["Kp"]], den, row["L"])
    found = margins(loop, settings(0.2 * row["Ku_sampled"], scan_time_s=row["h"]))
    ultimate = 0.2 * row["Ku_sampled"] * found.gain_margin
    status = INDEPENDENT if row["Ku_closed_form"] is None else None
    validation.check(
        SAMPLED_P, "ultimate gain, sampled", row["Ku_sampled"], ultimate, rel=PRINTED, status=status
    )


@pytest.mark.parametrize("row", SAMPLED_PI.rows, ids=lambda r: f"{r['T']:g}-{r['L']:g}-{r['h']:g}")
def test_sampled_pi_loops(row: dict[str, Any], validation: Validation) -> None:
    loop = plant([row["Kp"]], [row["T"], 1.0], row["L"])
    for kind, integral in (("be", "before"), ("fe", "after"), ("cont", None)):
        more = {} if integral is None else {"scan_time_s": row["h"], "integral": integral}
        found = margins(loop, settings(row["K"], row["Ti"], **more))
        values = {"GM": found.gain_margin, "PM": found.phase_margin_deg, "Ms": found.ms}
        for column, value in values.items():
            validation.check(
                SAMPLED_PI, f"sampled PI: {column}", row[f"{kind}_{column}"], value, rel=PRINTED
            )
    assert found.crossover_rad_s * row["h"] == pytest.approx(row["h_wc"], rel=PRINTED)


@pytest.mark.parametrize("row", SAMPLED_PI.rows, ids=lambda r: f"{r['T']:g}-{r['L']:g}-{r['h']:g}")
def test_a_trapezoidal_integral_is_the_law_after_with_other_numbers(
    row: dict[str, Any], validation: Validation
) -> None:
    """K (1 + h (z + 1)/(2 Ti (z - 1))) = K (1 + h/2Ti) (1 + h/((Ti + h/2) (z - 1)))."""
    loop, half = plant([row["Kp"]], [row["T"], 1.0], row["L"]), 0.5 * row["h"]
    law = settings(
        row["K"] * (1.0 + half / row["Ti"]), row["Ti"] + half, scan_time_s=row["h"],
        integral="after",
    )  # fmt: skip
    found = margins(loop, law)
    values = {"GM": found.gain_margin, "PM": found.phase_margin_deg, "Ms": found.ms}
    for column, value in values.items():
        validation.check(
            SAMPLED_PI, f"sampled PI, trapezoidal: {column}", row[f"tu_{column}"], value,
            rel=PRINTED,
        )  # fmt: skip


def test_half_a_scan_stands_for_the_hold_only_in_the_phase_margin(validation: Validation) -> None:
    """A continuous loop with half a scan more dead time: how near it comes to the sampled one."""
    for row in SAMPLED_PI.rows:
        loop = plant([row["Kp"]], [row["T"], 1.0], row["L"] + 0.5 * row["h"])
        found = margins(loop, settings(row["K"], row["Ti"]))
        for column, value in (("GM", found.gain_margin), ("PM", found.phase_margin_deg)):
            validation.check(
                SAMPLED_PI, f"half-scan rule: {column}", row[f"half_{column}"], value, rel=PRINTED
            )
