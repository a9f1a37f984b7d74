"""Published rules against their worked numbers, their margins, and what they refuse."""

from __future__ import annotations

import math
from functools import cache
from typing import Any

import numpy as np
import pytest

from chamberctl.control.controller import PidSettings
from chamberctl.control.frequency_rules import (
    amigo_frequency,
    tyreus_luyben,
    ultimate_point,
    ziegler_nichols_frequency,
)
from chamberctl.control.margins import margins
from chamberctl.control.published import PUBLISHED, basis_of
from chamberctl.control.rule_gains import RuleGains, UltimatePoint
from chamberctl.control.rules import ReducedModel, simc_improved
from chamberctl.control.step_rules import (
    amigo_pi_2002,
    amigo_step,
    chien_hrones_reswick,
    cohen_coon,
    cohen_coon_rounded,
    internal_model,
    lambda_pi,
    ziegler_nichols_step,
)
from chamberctl.errors import Infeasible
from tests import reference
from tests.control.loops import plant, settings
from tests.validation import Validation

VALUES = reference.load("control/tuning_rule_values")
EXAMPLES = reference.load("control/zn_examples")
AMIGO = reference.load("control/amigo_examples")
FOTD = reference.load("control/amigo_fotd")
IMPROVED = reference.load("control/simc_improved")
EQUAL = reference.load("control/equal_lag_tangent")
FORMULAS = reference.load("control/tuning_formulas")

PRINTED = 1e-8
OWN = 1e-6
INDEPENDENT = "computed here"


def gains_of(name: str, kind: str, given: dict[str, float]) -> RuleGains:
    """Settings of one rule by the name that the tables give it."""
    model = ReducedModel(-given["K"], given["L"], given["T"])
    edge = UltimatePoint(given["Ku"], given["Tu"])
    if name.startswith("chr_"):
        _, aim, percent = name.split("_")
        return chien_hrones_reswick(model, kind, aim, int(percent))  # type: ignore[arg-type]
    rules: dict[str, Any] = {
        "zn_step": lambda: ziegler_nichols_step(model, kind),
        "ziegler_nichols_step": lambda: ziegler_nichols_step(model, kind),
        "zn_ultimate": lambda: ziegler_nichols_frequency(edge, kind),
        "ziegler_nichols_frequency": lambda: ziegler_nichols_frequency(edge, kind),
        "cohen_coon": lambda: cohen_coon(model, kind),
        "cohen_coon_rounded": lambda: cohen_coon_rounded(model, kind),
        "tyreus_luyben": lambda: tyreus_luyben(edge, kind),
        "amigo_frequency": lambda: amigo_frequency(edge, given["K"], kind),
        "lambda_pi": lambda: lambda_pi(model, given["lam"]),
        "internal_model": lambda: internal_model(model, kind, given["lam"]),
    }
    return rules[name]()


def table_gains(row: dict[str, Any]) -> RuleGains:
    """Settings of a row of tuning_rule_values."""
    name, given = row["rule"], {**row, "lam": math.nan}
    names = {
        "cohen_coon": "cohen_coon_rounded",
        "cohen_coon_1953": "cohen_coon",
        "amigo_freq": "amigo_frequency",
    }
    if name.startswith("imc_"):
        given["lam"] = float(name.rpartition("_")[2])
        name = "internal_model"
    return gains_of(names.get(name, name), row["type"], given)


def settings_of(gains: RuleGains) -> PidSettings:
    return settings(gains.kc, gains.ti_s, td_s=gains.td_s)


def expected(row: dict[str, Any], prefix: str = "") -> list[tuple[str, float]]:
    names = {"Kc": "Kc", "K": "Kc", "Ti": "Ti", "Td": "Td"}
    return [(short, row[f"{prefix}{name}"]) for name, short in names.items()
            if row.get(f"{prefix}{name}") is not None]  # fmt: skip


def value(gains: RuleGains, name: str) -> float:
    return {"Kc": gains.kc, "Ti": gains.ti_s, "Td": gains.td_s}[name]


def row_name(row: dict[str, Any]) -> str:
    return f"{row['rule']}-{row['type']}-{row['L']:g}"


@pytest.mark.parametrize("row", VALUES.rows, ids=row_name)
def test_worked_numbers_of_every_rule(row: dict[str, Any], validation: Validation) -> None:
    gains = table_gains(row)
    for name in ("Kc", "Ti", "Td"):
        if row[name] is not None:
            quantity = f"published rules: {name}"
            validation.check(VALUES, quantity, row[name], value(gains, name), rel=PRINTED)
    found = margins(plant([row["K"]], [row["T"], 1.0], row["L"]), settings_of(gains))
    assert found.stable
    if row["type"] in ("PD", "PID"):
        return  # without a filter their peak lies at infinite frequency, where the table stops
    for name, got in (
        ("Ms", found.ms), ("GM", found.gain_margin), ("PM_deg", found.phase_margin_deg)
    ):  # fmt: skip
        validation.check(
            VALUES, f"published rules: {name}", row[name], got, rel=OWN, status=INDEPENDENT
        )


@pytest.mark.parametrize("k,dead,lag", [(1.0, 1.0, 4.0), (2.0, 0.5, 10.0), (0.4, 3.0, 3.0)])
def test_edge_of_stability_of_the_worked_plants(
    k: float, dead: float, lag: float, validation: Validation
) -> None:
    row = next(row for row in VALUES.rows if (row["K"], row["L"], row["T"]) == (k, dead, lag))
    found = ultimate_point(plant([k], [lag, 1.0], dead), settings(1.0))
    validation.check(VALUES, "ultimate gain", row["Ku"], found.gain, rel=PRINTED)
    validation.check(VALUES, "ultimate period", row["Tu"], found.period_s, rel=PRINTED)


@pytest.mark.parametrize("row", EQUAL.rows, ids=lambda row: f"n{row['n']:g}")
def test_edge_of_stability_of_equal_lags(row: dict[str, Any], validation: Validation) -> None:
    if row["Ku"] is None:
        with pytest.raises(Infeasible, match="neither dead time nor enough lags"):
            ultimate_point(plant([1.0], [1.0, 2.0, 1.0]), settings(1.0))
        return
    lags = np.poly([-1.0] * int(row["n"])).tolist()
    found = ultimate_point(plant([1.0], lags), settings(1.0))
    # nine equal lags are a multiple pole, which no eigenvalue finds to the last digits
    validation.check(EQUAL, "ultimate gain", row["Ku"], found.gain, rel=OWN)
    omega = 2.0 * math.pi / found.period_s
    validation.check(EQUAL, "ultimate frequency", row["wu_T"], omega, rel=OWN)


@pytest.mark.parametrize("row", EXAMPLES.rows, ids=lambda row: f"{row['case']}-{row['type']}")
def test_textbook_example_of_three_equal_lags(row: dict[str, Any], validation: Validation) -> None:
    if "step" in row["case"]:
        gains = ziegler_nichols_step(ReducedModel(-1.0, 0.8055, 0.8055 / 0.218), row["type"])
        printed = {"Kc": 0.051, "Ti": 0.0051, "Td": 0.00051}  # half a unit of the last digit
    else:
        gains = ziegler_nichols_frequency(UltimatePoint(8.0, 3.6276), row["type"])
        printed = {"Kc": 0.051, "Ti": 0.0051, "Td": 0.0051}
    for name, wanted in expected(row):
        limit = {"rel": OWN} if wanted else {"abs": 0.0}
        validation.check(EXAMPLES, f"example: {name}", wanted, value(gains, name), **limit)
    for name, wanted in expected(row, "pub_"):
        validation.check(
            EXAMPLES, f"example, published: {name}", wanted, value(gains, name), abs=printed[name]
        )
    found = margins(plant([1.0], [1.0, 3.0, 3.0, 1.0]), settings_of(gains))
    for name, got in (("Ms", found.ms), ("PM_deg", found.phase_margin_deg),
                      ("GM", found.gain_margin)):  # fmt: skip
        validation.check(EXAMPLES, f"example: {name}", row[name], got, rel=OWN, status=INDEPENDENT)


AMIGO_PLANTS = {
    "lag": ([1.0], np.polymul(np.polymul([1, 1], [0.1, 1]), np.polymul([0.01, 1], [0.001, 1])), 0),
    "balanced": ([1.0], np.poly([-1.0] * 4), 0.0),
    "delay": ([1.0], np.polymul([0.05, 1.0], [0.05, 1.0]), 1.0),
}


@pytest.mark.parametrize("row", AMIGO.rows, ids=lambda row: f"{row['plant']}-{row['method']}")
def test_amigo_examples(row: dict[str, Any], validation: Validation) -> None:
    kind = row["method"].removeprefix("AMIGO-")
    gains = amigo_step(ReducedModel(-1.0, row["L"], row["T"]), kind)
    for name, wanted in expected(row, "calc_"):
        validation.check(
            AMIGO, f"AMIGO: {name}", wanted, value(gains, name), rel=PRINTED, status=INDEPENDENT
        )
    for name, wanted in expected(row, "pub_"):
        validation.check(AMIGO, f"AMIGO, published: {name}", wanted, value(gains, name), rel=3e-3)
    num, den, dead = AMIGO_PLANTS[row["plant"]]
    if row["pub_K"] is not None:  # the table's margins are those of the printed digits
        gains = RuleGains(row["pub_K"], row["pub_Ti"], row["pub_Td"])
    found = margins(plant(list(num), [float(c) for c in den], float(dead)), settings_of(gains))
    assert found.stable
    validation.check(AMIGO, "AMIGO: Ms", row["Ms"], found.ms, rel=OWN, status=INDEPENDENT)
    validation.check(AMIGO, "AMIGO: Mt", row["Mt"], found.mt, abs=OWN, status=INDEPENDENT)
    validation.check(
        AMIGO, "AMIGO: phase margin", row["PM_deg"], found.phase_margin_deg, rel=OWN,
        status=INDEPENDENT,
    )  # fmt: skip


@pytest.mark.parametrize(
    "row", FOTD.rows, ids=lambda row: f"{row['Kp']:g}-{row['L']:g}-{row['T']:g}"
)
def test_amigo_formulas(row: dict[str, Any], validation: Validation) -> None:
    model = ReducedModel(-row["Kp"], row["L"], row["T"])
    sets = {"pi": amigo_step(model, "PI"), "pid": amigo_step(model, "PID"),
            "old_pi": amigo_pi_2002(model)}  # fmt: skip
    for prefix, gains in sets.items():
        for name, wanted in expected(row, f"{prefix}_"):
            quantity = f"AMIGO {prefix}: {name}"
            validation.check(FOTD, quantity, wanted, value(gains, name), rel=PRINTED)
    assert sets["pid"].b == (0.0 if row["L"] < row["T"] else 1.0)
    found = margins(plant([row["Kp"]], [row["T"], 1.0], row["L"]), settings_of(sets["pi"]))
    validation.check(FOTD, "AMIGO pi: Ms", row["pi_Ms"], found.ms, rel=OWN, status=INDEPENDENT)
    validation.check(
        FOTD, "AMIGO pi: phase margin", row["pi_PM_deg"], found.phase_margin_deg, rel=OWN,
        status=INDEPENDENT,
    )  # fmt: skip


def test_amigo_on_an_integrator() -> None:
    """0.35/(Kv L), 13.4 L; 0.45/(Kv L), 8 L, L/2; the limit of the formulas for a long lag."""
    model = ReducedModel(-0.2, 1.5, math.inf)
    pi, pid = amigo_step(model, "PI"), amigo_step(model, "PID")
    assert (pi.kc, pi.ti_s) == pytest.approx((0.35 / 0.3, 13.4 * 1.5))
    assert (pid.kc, pid.ti_s, pid.td_s) == pytest.approx((0.45 / 0.3, 12.0, 0.75))
    slow = amigo_step(ReducedModel(-0.2 * 1e9, 1.5, 1e9), "PID")
    assert (slow.kc, slow.ti_s, slow.td_s) == pytest.approx((pid.kc, pid.ti_s, pid.td_s), rel=1e-6)


@pytest.mark.parametrize(
    "row", IMPROVED.rows, ids=lambda row: f"{row['tau1']:g}-{row['theta']:g}-{row['tauc']:g}"
)
def test_improved_simc(row: dict[str, Any], validation: Validation) -> None:
    model = ReducedModel(-1.0, row["theta"], row["tau1"])
    gains = simc_improved(model, row["tauc"])
    validation.check(IMPROVED, "improved SIMC: Kc", row["Kc"], gains.kc, rel=PRINTED)
    validation.check(IMPROVED, "improved SIMC: Ti", row["tauI"], gains.ti_s, rel=PRINTED)
    loop = plant([1.0], [row["tau1"], 1.0] if row["tau1"] else [1.0], row["theta"])
    found = margins(loop, settings(gains.kc, gains.ti_s))
    for name, got in (("Ms", found.ms), ("GM", found.gain_margin),
                      ("PM_deg", found.phase_margin_deg)):  # fmt: skip
        if not (name == "GM" and not row["tau1"]):
            validation.check(
                IMPROVED, f"improved SIMC: {name}", row[name], got, rel=OWN, status=INDEPENDENT
            )
    if row["isimc_Kc"] is not None:
        pid = simc_improved(model, row["tauc"], derivative=True)
        share = 1.0 + row["isimc_tauD_series"] / row["isimc_tauI"]
        series = (pid.kc / share, pid.ti_s - pid.td_s * share, pid.td_s * share)
        wanted = [row[f"isimc_{name}"] for name in ("Kc", "tauI", "tauD_series")]
        validation.check(IMPROVED, "improved SIMC: PID settings", wanted, series, rel=PRINTED)


def test_improved_simc_of_an_integrator_is_the_plain_rule() -> None:
    gains = simc_improved(ReducedModel(-0.5, 2.0, math.inf))
    assert (gains.kc, gains.ti_s) == pytest.approx((0.5, 16.0))


@pytest.mark.parametrize("row", FORMULAS.rows, ids=lambda row: row["id"])
def test_formulas_as_they_are_printed(row: dict[str, Any], validation: Validation) -> None:
    name, kind = row["id"].split()
    for k, dead, lag, ku, tu in ((1.0, 1.0, 4.0, 6.9, 3.7), (0.3, 2.0, 7.0, 14.0, 7.1)):
        known = {"K": k, "L": dead, "T": lag, "Ku": ku, "Tu": tu, "lam": 2.5}
        names = {**known, "a": k * dead / lag, "t": dead / (dead + lag), "k": 1.0 / (k * ku)}
        gains = gains_of(name, kind, known)
        for key, got in (("kc", gains.kc), ("ti", gains.ti_s), ("td", gains.td_s)):
            if key in row:
                wanted = eval(row[key], {"__builtins__": {}}, names)
                validation.check(
                    FORMULAS, f"{name} {kind}: {key}", wanted, got, rel=1e-12,
                    source=row["source"], status=row["status"],
                )  # fmt: skip
            else:
                assert got == (0.0 if key == "td" else math.inf)


def test_the_two_printed_forms_of_cohen_and_coon_agree() -> None:
    """Within 6 %, over the plants that the rule is made for."""
    for ratio in np.geomspace(0.1, 1.0, 7):
        model = ReducedModel(-1.0, float(ratio), 1.0)
        for kind in ("P", "PI", "PID"):
            one, other = cohen_coon(model, kind), cohen_coon_rounded(model, kind)
            for name in ("kc", "ti_s", "td_s"):
                # the lag's share of the derivative time differs most
                assert getattr(one, name) == pytest.approx(getattr(other, name), rel=0.08)


def test_the_design_target_of_tyreus_and_luyben() -> None:
    """A peak of T of 2 dB on an integrator with dead time, for which the rule was made."""
    model = plant([1.0], [1.0, 0.0], 1.0)
    edge = ultimate_point(model, settings(1.0))
    assert (edge.gain, edge.period_s) == pytest.approx((math.pi / 2.0, 4.0), rel=1e-9)
    found = margins(model, settings_of(tyreus_luyben(edge, "PI")))
    assert 20.0 * math.log10(found.mt) == pytest.approx(2.0, abs=0.1)


def test_the_whole_sampled_loop_counts_at_the_edge_of_stability() -> None:
    """Scan, computation delay and filter all lower the ultimate gain; 1 % beyond it swings grow."""
    model = plant([2.0], [10.0, 1.0], 0.0)
    plain = ultimate_point(model, settings(1.0, scan_time_s=0.5))
    assert plain.gain == pytest.approx(20.0041665, rel=1e-8)  # Astrom and Wittenmark: first order
    slow = ultimate_point(model, settings(1.0, scan_time_s=0.5, computation_delay_s=0.5, tf_s=2.0))
    assert slow.gain < 0.7 * plain.gain
    law = settings(slow.gain, scan_time_s=0.5, computation_delay_s=0.5, tf_s=2.0)
    for factor, stable in ((0.99, True), (1.01, False)):
        assert margins(model, PidSettings(**{**vars(law), "kc": factor * law.kc})).stable == stable


def test_no_edge_of_stability_and_no_gain_at_all() -> None:
    with pytest.raises(Infeasible, match="No gain makes this loop unstable"):
        ultimate_point(plant([1.0], [1.0, 1.0]), settings(1.0))
    with pytest.raises(Infeasible, match="the plant has the wrong sign"):
        ultimate_point(plant([-1.0], [1.0, 1.0], 1.0), settings(1.0))
    basis = basis_of(plant([1.0], [1.0, 1.0]), settings(1.0, tf_s=0.0))
    assert math.isnan(basis.ultimate.gain)


def test_what_a_publication_does_not_have_is_refused() -> None:
    model = ReducedModel(-1.0, 1.0, 4.0)
    edge = UltimatePoint(3.0, 4.0)
    for call in (
        lambda: ziegler_nichols_step(model, "PD"),
        lambda: ziegler_nichols_frequency(edge, "PD"),
        lambda: chien_hrones_reswick(model, "PD", "load", 0),
        lambda: chien_hrones_reswick(model, "PI", "load", 10),
        lambda: internal_model(model, "P", 1.0),
        lambda: amigo_step(model, "P"),
        lambda: amigo_frequency(edge, 1.0, "P"),
        lambda: tyreus_luyben(edge, "P"),
    ):
        with pytest.raises(Infeasible, match=r"has no .* control"):
            call()
    for call in (
        lambda: cohen_coon(ReducedModel(-1.0, 1.0, math.inf), "PI"),
        lambda: cohen_coon_rounded(ReducedModel(-1.0, 1.0, math.inf), "PI"),
        lambda: lambda_pi(ReducedModel(-1.0, 1.0, math.inf), 1.0),
        lambda: internal_model(ReducedModel(-1.0, 1.0, math.inf), "PI", 1.0),
        lambda: amigo_pi_2002(ReducedModel(-1.0, 1.0, math.inf)),
        lambda: chien_hrones_reswick(ReducedModel(-1.0, 1.0, math.inf), "PI", "setpoint", 0),
    ):
        with pytest.raises(Infeasible, match="come to rest by themselves"):
            call()
    with pytest.raises(Infeasible, match="a dead time and a lag above zero"):
        ziegler_nichols_step(ReducedModel(-1.0, 0.0, 4.0), "PI")
    with pytest.raises(Infeasible, match="closed-loop time constant above zero"):
        lambda_pi(model, 0.0)


def test_ranges_are_data_and_say_what_is_outside() -> None:
    """A lag of twenty dead times is outside the range of Ziegler and Nichols, inside SIMC's."""
    model = plant([1.0], [20.0, 1.0], 1.0)
    basis = basis_of(model, settings(1.0))
    by_name = {rule.name: rule.objections(basis) for rule in PUBLISHED}
    (text,) = by_name["Ziegler-Nichols, step response"]
    assert text == "made for dead time over lag 0.1 to 1, here 0.05"
    (text,) = by_name["Ziegler-Nichols, edge of stability"]
    assert text == "made for static gain times ultimate gain 2.25 to 15, here 32.1"
    assert by_name["SIMC"] == ()
    assert by_name["Tyreus-Luyben"] == ()
    ranges = {rule.name: rule.range_text for rule in PUBLISHED}
    assert ranges["SIMC"] == ""
    assert ranges["Cohen-Coon"] == "dead time over lag 0.1 to 1 (collections of rules, from memory)"
    assert ranges["Tyreus-Luyben"].startswith("dead time over lag up to 0.2 (assumed")
    assert ranges["SIMC, improved"].startswith("dead time over lag from 0.125 on")
    short = basis_of(plant([1.0], [2.0, 1.0], 1.0), settings(1.0))
    assert {rule.name for rule in PUBLISHED if rule.objections(short)} == {"Tyreus-Luyben"}
    integrating = basis_of(plant([1.0], [1.0, 0.0], 1.0), settings(1.0))
    outside = {rule.name for rule in PUBLISHED if rule.objections(integrating)}
    assert "Cohen-Coon" in outside
    assert "Tyreus-Luyben" not in outside


@cache
def first_order(ratio: float) -> tuple[Any, Any]:
    """A lag of 10 s with a dead time of so many lags, continuous, and what the rules take of it."""
    model = plant([1.7], [10.0, 1.0], 10.0 * ratio)
    return model, basis_of(model, settings(1.0))


@pytest.mark.parametrize("rule", PUBLISHED, ids=lambda rule: rule.name)
def test_every_rule_gives_stable_loops_on_the_plants_it_is_made_for(rule: Any) -> None:
    """Lags of 1.2 to 8 dead times; the derivative filtered at a tenth."""
    for ratio in (0.125, 0.3, 0.8):
        model, basis = first_order(ratio)
        if rule.objections(basis):
            continue
        for kind in rule.kinds:
            gains = rule.formula(basis, kind)
            law = settings(gains.kc, gains.ti_s, td_s=gains.td_s, tfd_s=0.1 * gains.td_s)
            found = margins(model, law)
            assert found.stable, (rule.name, kind, ratio)
            assert 1.0 < found.ms < 8.0, (rule.name, kind, ratio)
            assert rule.source
            assert rule.aim
