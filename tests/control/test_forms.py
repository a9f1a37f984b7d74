"""Settings in a controller's own language, and back."""

from __future__ import annotations

import itertools
import math
from dataclasses import fields, replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from chamberctl.control import conversions
from chamberctl.control.controller import PidSettings
from chamberctl.control.forms import (
    ACTION_SENTENCE,
    FormError,
    from_typed,
    read_typed,
    rounded,
    rounded_text,
    rounding_findings,
    to_typed,
)
from chamberctl.control.language import language
from chamberctl.control.notations import all_notations, manual_check, respan
from chamberctl.errors import QuantityError
from tests import reference

FORMS = reference.load("control/pid_forms")
UNITS = reference.load("control/units")
SCALING = reference.load("control/gain_scaling")

HZ = SimpleNamespace(rated_hz=50.0, rated_rpm=None)
RPM = SimpleNamespace(rated_hz=None, rated_rpm=3000.0)

NOTATIONS = list(
    itertools.product(
        ("ideal", "parallel", "series"),
        ("gain", "proportional band", "engineering"),
        ("s", "min", "repeats per minute", "repeats per second"),
        ("s", "min"),
        ("time", "ratio", "cut-off"),
        ("log10", "linear"),
    )
)


def controller(**changes: Any) -> SimpleNamespace:
    """A controller's table: reading 0-100 mbar, output 0-50 Hz, all plain but for the changes."""
    plain: dict[str, Any] = {
        "form": "ideal",
        "gain_as": "gain",
        "integral_as": "s",
        "derivative_as": "s",
        "filter_as": "time",
        "reading": "linear",
        "reading_unit": "mbar",
        "reading_low_pa": 0.0,
        "reading_high_pa": 1e4,
        "output_unit": "%",
        "output_low": 0.0,
        "output_high": 1.0,
        "decimals": SimpleNamespace(gain=3, integral=2, derivative=2, filter=2),
        "integers": None,
    }
    return SimpleNamespace(**(plain | changes))


def worded(kind: tuple[str, ...], **changes: Any) -> SimpleNamespace:
    form, gain_as, integral_as, derivative_as, filter_as, reading = kind
    return controller(
        form=form,
        gain_as=gain_as,
        integral_as=integral_as,
        derivative_as=derivative_as,
        filter_as=filter_as,
        reading=reading,
        reading_low_pa=0.1 if reading == "log10" else 0.0,
        **changes,
    )


def same(a: PidSettings, b: PidSettings, rel: float) -> None:
    for field in fields(PidSettings):
        one, two = getattr(a, field.name), getattr(b, field.name)
        if isinstance(one, float) and isinstance(two, float):
            assert two == pytest.approx(one, rel=rel, abs=0.0), field.name
        else:
            assert one == two, field.name


# --- published conversions -----------------------------------------------------------------------


@pytest.mark.parametrize("row", FORMS.rows, ids=reference.row_id)
def test_published_forms(row: dict[str, Any], validation: Any) -> None:
    ideal = conversions.ideal_from_series(row["ser_K"], row["ser_Ti"], row["ser_Td"])
    wanted = [row[f"ideal_{name}"] for name in ("K", "Ti", "Td")]
    validation.check(FORMS, "series to ideal form", wanted, ideal[:3], rel=3e-9)
    three = conversions.parallel_from_ideal(*ideal[:3])
    wanted = [row[name] for name in ("kp", "ki", "kd")]
    validation.check(FORMS, "ideal to parallel form", wanted, three, rel=3e-9)
    back = conversions.series_from_ideal(*ideal)
    wanted = [row[f"back_{name}"] for name in ("K", "Ti", "Td")]
    validation.check(FORMS, "ideal to series form", wanted, back[:3], rel=3e-9)


@pytest.mark.parametrize("row", UNITS.rows, ids=reference.row_id)
def test_published_units(row: dict[str, Any], validation: Any) -> None:
    # a span of 1 Pa and of rated speed: the SI gain is the one in output span per reading span
    unit = controller(reading_unit="Pa", reading_high_pa=1.0)
    notations = all_notations(PidSettings(row["K"], row["Ti_s"], reading="linear"), unit, HZ)
    for quantity, column, group, name in (
        ("proportional band", "PB_percent", "gain", "%"),
        ("integral time in minutes", "Ti_min", "integral", "min"),
        ("repeats per minute", "repeats_per_min", "integral", "repeats/min"),
        ("repeats per second", "repeats_per_s", "integral", "repeats/s"),
        ("integral gain per second", "ki_per_s", "integral", "%/%/s"),
        ("integral gain per minute", "ki_per_min", "integral", "%/%/min"),
    ):
        validation.check(UNITS, quantity, row[column], notations.value(group, name), rel=2e-9)


@pytest.mark.parametrize("row", SCALING.rows, ids=reference.row_id)
def test_published_gain_scaling(row: dict[str, Any], validation: Any) -> None:
    # a drive whose rated speed is the output span
    drive = SimpleNamespace(rated_hz=row["out_span"], rated_rpm=None)
    typed_in = controller(gain_as="engineering", output_unit="Hz", reading_unit="Pa")
    typed_in.reading_high_pa = row["in_span"]
    kc = row["K_percent"] / row["in_span"]
    ours = to_typed(PidSettings(kc, 10.0, reading="linear"), typed_in, drive)
    validation.check(SCALING, "gain with units", row["K_engineering"], ours["Kc"].value, rel=2e-9)
    typed_in.gain_as = "proportional band"
    ours = to_typed(PidSettings(kc, 10.0, reading="linear"), typed_in, drive)
    validation.check(SCALING, "proportional band", row["PB_percent"], ours["Kc"].value, rel=2e-9)


# --- scenarios -----------------------------------------------------------------------------------


def test_a28_every_notation_of_two_percent_per_mbar_and_back() -> None:
    """Kp 2 %/mbar, Ti 20 s, spans 0-100 mbar and 0-50 Hz, in all notations; re-import is exact."""
    known = PidSettings(0.02 / 100.0, 20.0, reading="linear")
    notations = all_notations(known, controller(), HZ)
    texts = {(row.group, row.unit): row.text for row in notations.rows}
    assert texts["gain", "%/%"] == "2.00"
    assert texts["gain", "%/mbar"] == "2.00"
    assert texts["gain", "Hz/mbar"] == "1.00"
    assert texts["gain", "%"] == "50.0"
    assert texts["integral", "min"] == "0.333"
    assert texts["integral", "repeats/min"] == "3.00"
    assert texts["integral", "%/mbar/s"] == "0.100"
    with_units = to_typed(known, controller(gain_as="engineering"), HZ)["Kc"]
    assert (with_units.value, with_units.unit) == (pytest.approx(2.0, rel=1e-12), "%/mbar")
    for kind in NOTATIONS:
        if kind[-1] == "linear":
            typed = to_typed(known, worded(kind), HZ)
            same(known, from_typed(read_typed(typed, typed.texts())), rel=1e-12)


def test_a29_moving_the_span_moves_the_gain_and_says_so() -> None:
    """Span from 0-100 to 0-1000 mbar: 20.0 %/% and a band of 5 %, to be changed together."""
    known = PidSettings(0.02 / 100.0, 20.0, reading="linear")
    typed, note = respan(known, controller(), controller(reading_high_pa=1e5), HZ)
    assert typed["Kc"].value == pytest.approx(20.0, rel=1e-12)
    assert "20.0 %/% (proportional band 5.00 %)" in note.text
    assert "2.00 %/% (proportional band 50.0 %)" in note.text
    assert "together" in note.text
    assert "factor of 10.0" in note.text
    assert "0 to 1000 mbar" in note.text
    same(known, from_typed(typed), rel=1e-12)


def test_series_form_of_two_twenty_two_and_refusal() -> None:
    """Ideal 2/20 s/2 s is series 1.775/17.75 s/2.254 s; with Ti 6 s there is none, in words."""
    pid = conversions.series_from_ideal(2.0, 20.0, 2.0)
    assert pid == pytest.approx((1.7746, 17.746, 2.2540, 0.0), rel=1e-4)
    with pytest.raises(FormError, match=r"series form cannot express.*at least 4 Td = 8 s"):
        conversions.series_from_ideal(2.0, 6.0, 2.0)
    refused = all_notations(PidSettings(2.0, 6.0, 2.0), worded(NOTATIONS[0]), HZ)
    assert "cannot express" in refused.rows[-1].text
    with pytest.raises(FormError, match="ideal or parallel"):
        to_typed(PidSettings(2.0, 6.0, 2.0), worded(("series", *NOTATIONS[0][1:])), HZ)


def test_a33_the_action_is_a_sentence_with_a_manual_check() -> None:
    """Pressure above setpoint, speed up: the check step names direction and size of the answer."""
    point = SimpleNamespace(
        speed=0.5, indicated_pa=500.0, gain_decades_per_fraction=-0.8686, time_constant_s=10.0
    )
    assert ACTION_SENTENCE == "Pressure above setpoint -> speed must go up."
    words = language(worded(NOTATIONS[0], output_unit="Hz"), HZ)
    steps = " ".join(manual_check(words, point, 0.2, 1.0))
    assert "25.0 Hz" in steps
    assert "26.5 Hz" in steps
    assert "wait 40.0 s" in steps
    assert "must FALL by about 5.8 % or 0.026 decades, to about 4.71 mbar" in steps
    assert "the output must begin to go UP" in steps
    steps = " ".join(manual_check(words, SimpleNamespace(**vars(point) | {"speed": 1.0}), 0.2, 1.0))
    assert "Lower the output to 48.5 Hz" in steps
    assert "must RISE" in steps


def test_filters_and_derivative_in_every_notation() -> None:
    """A time constant of 1/(2 pi) s cuts off at 1 Hz; N is derivative time over filter time."""
    tf = 1 / (2 * math.pi)
    known = PidSettings(2e-4, 20.0, 3.0, tf, 0.3, reading="linear")
    found = {
        (row.label, row.unit): row.value for row in all_notations(known, controller(), HZ).rows
    }
    assert found["Filter of the reading, cut-off", "Hz"] == pytest.approx(1.0)
    assert found["Filter of the reading, time", "s"] == tf
    assert found["Derivative filter, cut-off", "Hz"] == pytest.approx(tf / 0.3)
    assert found["Derivative filter, ratio N", "Td/Tf"] == pytest.approx(10.0)
    assert found["Derivative time Td", "min"] == pytest.approx(0.05)
    assert found["Derivative gain Kd", "%/mbar s"] == pytest.approx(6.0)
    assert found["Derivative gain Kd", "Hz/mbar s"] == pytest.approx(3.0)
    table = controller(form="parallel", derivative_as="min", filter_as="cut-off")
    typed = to_typed(known, table, HZ)
    assert typed["Tf"].value == pytest.approx(1.0)
    assert (typed["Td"].value, typed["Td"].unit) == (pytest.approx(0.1), "%/% min")
    assert (typed["Ti"].value, typed["Ti"].unit) == (pytest.approx(0.1), "%/%/s")
    table = controller(filter_as="ratio", integral_as="repeats per second")
    typed = to_typed(known, table, HZ)
    assert typed["Tfd"].value == pytest.approx(10.0)
    assert typed["Ti"].value == pytest.approx(0.05)
    assert (typed["Tf"].value, typed["Tf"].unit) == (tf, "s")


# --- properties ----------------------------------------------------------------------------------

times = st.floats(1e-2, 1e4)


@settings(max_examples=300, deadline=None)
@given(
    kind=st.sampled_from(NOTATIONS),
    kc=st.floats(1e-6, 1e3),
    ti=times,
    td_share=st.floats(0.0, 0.2),
    filter_share=st.floats(0.0, 0.5),
    tf=st.one_of(st.just(0.0), times),
    b=st.sampled_from((0.0, 0.5, 1.0)),
    tt=st.one_of(st.none(), st.floats(1.0, 1e4)),
    unit=st.sampled_from(("%", "Hz")),
)
def test_typed_and_back_is_the_same(
    kind: tuple[str, ...],
    kc: float,
    ti: float,
    td_share: float,
    filter_share: float,
    tf: float,
    b: float,
    tt: float | None,
    unit: str,
) -> None:
    td = td_share * ti if td_share > 1e-3 else 0.0
    tfd = filter_share * td if filter_share > 1e-3 else 0.0
    known = PidSettings(
        kc, ti, td, tf, tfd, b, tt_s=tt, reading=kind[-1], scan_time_s=0.5, output_min=0.2
    )
    table = worded(kind, output_unit=unit)
    if kind[0] == "series" and (ti - tfd) ** 2 < 4 * td * ti:
        with pytest.raises(FormError, match="series form"):
            to_typed(known, table, HZ)
        return
    typed = to_typed(known, table, HZ)
    same(known, from_typed(typed), rel=1e-12)
    same(known, from_typed(read_typed(typed, typed.texts())), rel=1e-12)
    # rounding twice is rounding once
    once = rounded(typed)
    assert rounded(once) == once or math.isnan(once["Tt"].value)


@given(gain=st.floats(0.1, 10), ti=st.floats(1, 100), td=st.floats(0.1, 10), n=st.floats(1.5, 20))
def test_forms_have_the_same_frequency_response(
    gain: float, ti: float, td: float, n: float
) -> None:
    tf = td / n
    if tf >= ti:
        return
    s = 1j * np.geomspace(1e-3, 1e3, 25)
    series = gain * (1 + 1 / (ti * s)) * (1 + td * s) / (1 + tf * s)
    pid = conversions.ideal_from_series(gain, ti, td, tf)
    ideal = pid.gain * (1 + 1 / (pid.ti_s * s) + pid.td_s * s / (1 + tf * s))
    np.testing.assert_allclose(ideal, series, rtol=1e-12)


# --- what cannot be said, and decimals -----------------------------------------------------------


@pytest.mark.parametrize("form", ("ideal", "series", "parallel"))
@pytest.mark.parametrize("integral_as", conversions.SECONDS)
def test_no_integral_action_is_zero_repeats_or_refused(form: str, integral_as: str) -> None:
    only_p = PidSettings(0.5, tt_s=math.inf, td_s=1.0)
    table = worded((form, "gain", integral_as, "s", "time", "log10"))
    if form == "parallel" or integral_as.startswith("repeats"):
        typed = to_typed(only_p, table, HZ, decimals=True)
        assert typed["Ti"].text == "0.00"
        assert from_typed(typed).ti_s == math.inf
    else:
        with pytest.raises(FormError, match="without integral action"):
            to_typed(only_p, table, HZ)


def test_refusals_in_words() -> None:
    good = PidSettings(0.5, 10.0, reading="linear")
    with pytest.raises(FormError, match="Pressure above setpoint"):
        to_typed(replace(good, kc=-0.5), controller(), HZ)
    with pytest.raises(FormError, match="rated speed is not given in rpm"):
        to_typed(good, controller(output_unit="rpm"), HZ)
    with pytest.raises(FormError, match="low end is above 0"):
        to_typed(replace(good, reading="log10"), controller(reading="log10"), HZ)
    with pytest.raises(FormError, match="for a log10 reading"):
        to_typed(replace(good, reading="log10"), controller(), HZ)
    with pytest.raises(FormError, match="reading's span is empty"):
        to_typed(good, controller(reading_high_pa=0.0), HZ)
    with pytest.raises(FormError, match="output's span is empty"):
        to_typed(good, controller(output_low=1.0), HZ)
    with pytest.raises(FormError, match="cannot be given as a ratio"):
        to_typed(replace(good, tfd_s=1.0), controller(filter_as="ratio"), HZ)
    typed = to_typed(good, controller(), HZ)
    with pytest.raises(FormError, match="did you mean Tfd"):
        read_typed(typed, {"TfD": "3"})
    with pytest.raises(QuantityError):
        read_typed(typed, {"Kc": "1,000"})
    for texts in ({"Kc": "-2"}, {"Kc": "0"}, {"Ti": "0"}):
        with pytest.raises(FormError, match="above 0"):
            from_typed(read_typed(typed, texts))
    with pytest.raises(FormError, match="without proportional action"):
        conversions.ideal_from_parallel(0.0, 1.0)
    with pytest.raises(FormError, match="a lag, not a derivative"):
        conversions.ideal_from_series(1.0, 10.0, 1.0, 2.0)
    cut_off = read_typed(to_typed(good, controller(filter_as="cut-off"), HZ), {"Tf": "0"})
    with pytest.raises(FormError, match="write off for none"):
        from_typed(cut_off)


def test_rpm_per_decade() -> None:
    table = worded(("ideal", "engineering", "s", "s", "time", "log10"), output_unit="rpm")
    typed = to_typed(PidSettings(0.5, 10.0), table, RPM)
    assert (typed["Kc"].value, typed["Kc"].unit) == (pytest.approx(1500.0), "rpm/decade")
    assert typed.language.reading_span == pytest.approx(5.0)
    gain = to_typed(PidSettings(0.5, 10.0), worded(NOTATIONS[0]), RPM)["Kc"].value
    assert gain == pytest.approx(0.5 * 5.0)  # the reading's span is 5 decades


@pytest.mark.parametrize(
    "value, decimals, text",
    [
        (0.125, 2, "0.13"),
        (2.675, 2, "2.68"),  # stored a little below; a person sees the shortest text
        (-0.125, 2, "-0.13"),
        (1e22, 1, "10000000000000000000000.0"),
        (1234.5, 0, "1235"),
        (4e-7, 3, "0.000"),
    ],
)
def test_rounding_is_half_up_on_the_shortest_text(value: float, decimals: int, text: str) -> None:
    assert rounded_text(value, decimals) == text


def test_decimals_that_take_too_much_are_found() -> None:
    known = PidSettings(0.00049 / 1e4, 10.0, reading="linear")
    exact = to_typed(known, controller(), HZ)
    (lost,) = rounding_findings(exact, rounded(exact))
    assert lost.severity == "no"
    assert "becomes 0 with 3 decimals" in lost.text
    exact = to_typed(replace(known, kc=0.0016 / 1e4), controller(), HZ)
    (moved,) = rounding_findings(exact, rounded(exact))
    assert moved.severity == "caution"
    assert "becomes 0.002, +25.0 %" in moved.text
    exact = to_typed(replace(known, kc=2.0 / 1e4), controller(), HZ)
    assert rounding_findings(exact, rounded(exact)) == ()
    slow = controller(form="parallel")
    exact = to_typed(PidSettings(1e-4, 1e4, reading="linear"), slow, HZ)
    (lost,) = rounding_findings(exact, rounded(exact))
    assert lost.severity == "no"
    assert lost.text.startswith("Integral gain Ki")


def test_rounded_numbers_are_what_the_settings_mean() -> None:
    table = controller(integral_as="min", gain_as="proportional band")
    table.decimals.gain = 0
    typed = to_typed(PidSettings(1.7e-4, 20.0, reading="linear"), table, HZ, decimals=True)
    assert typed["Kc"].text == "59"
    assert typed["Ti"].text == "0.33"
    assert typed["Tt"].text == "same as Ti"
    got = from_typed(typed)
    assert got.kc == pytest.approx(100 / 59 / 1e4, rel=1e-14)
    assert got.ti_s == pytest.approx(19.8, rel=1e-14)
    assert got.tracking_time_s == got.ti_s
