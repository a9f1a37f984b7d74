"""Settings as whole numbers in registers: what is written, what is lost, what does not fit."""

from __future__ import annotations

import math
from dataclasses import replace
from types import SimpleNamespace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from chamberctl.control.controller import PidSettings
from chamberctl.control.forms import from_typed, read_typed, rounded, rounding_findings, to_typed
from chamberctl.control.registers import Registers, register_note
from tests.control.test_forms import HZ, NOTATIONS, controller, same, worded


def integers(kind: str = "int16", **scales: float) -> SimpleNamespace:
    plain = {"gain": 100.0, "integral": 10.0, "derivative": 10.0, "filter": 10.0}
    return SimpleNamespace(kind=kind, **(plain | scales))


def test_a32_a_gain_of_2_004_times_100_is_200_in_an_int16() -> None:
    """Given x100 int16, when Kp 2.004, then 200, error 0.2 %, range check and word-order note."""
    known = PidSettings(2.004 / 1e4, 20.0, reading="linear")
    exact = to_typed(known, controller(integers=integers()), HZ)
    typed = rounded(exact)
    row = typed["Kc"]
    assert (row.text, row.shown_unit, row.number) == ("200", "%/% x 100", 2.0)
    assert typed["Ti"].text == "200"
    assert from_typed(typed).kc == pytest.approx(2.0 / 1e4, rel=1e-14)
    assert 1.0 - row.number / exact["Kc"].number == pytest.approx(0.002, rel=1e-2)
    (note,) = rounding_findings(exact, typed)
    assert note.severity == "note"
    assert "one register of 16 bits" in note.text
    assert "no order of words" in note.text
    assert "read it back" in note.text


def test_a_number_beyond_its_register_is_a_no_with_a_remedy() -> None:
    exact = to_typed(
        PidSettings(400.0 / 1e4, 20.0, reading="linear"), controller(integers=integers()), HZ
    )
    found = rounding_findings(exact, rounded(exact))
    assert found[0].severity == "no"
    assert found[0].text.startswith("Gain would be 40000 in its register: an int16 holds -32768 to")
    assert "32 bits" in found[0].text
    for kind in ("uint16", "int32"):
        table = controller(integers=integers(kind))
        exact = to_typed(PidSettings(400.0 / 1e4, 20.0, reading="linear"), table, HZ)
        assert [f.severity for f in rounding_findings(exact, rounded(exact))] == ["note"]


def test_two_registers_have_an_order_of_words_and_an_example() -> None:
    note = register_note(Registers("int32", {}), 200)
    assert "200 is 0 and 200 with the high word first" in note
    assert "read as 13107200" in note
    note = register_note(Registers("uint32", {}), 70000)
    assert "70000 is 1 and 4464" in note
    assert str(4464 * 65536 + 1) in note
    assert (Registers("uint32", {}).low, Registers("uint32", {}).high) == (0, 2**32 - 1)
    assert (Registers("int32", {}).low, Registers("int32", {}).high) == (-(2**31), 2**31 - 1)
    assert "int16" in register_note(Registers("uint16", {}), 1)


def test_a_setting_that_vanishes_in_its_register_is_a_no() -> None:
    table = controller(integers=integers(gain=1.0))
    exact = to_typed(PidSettings(0.4 / 1e4, 20.0, reading="linear"), table, HZ)
    lost = rounding_findings(exact, rounded(exact))[0]
    assert lost.severity == "no"
    assert "Gain 0.4 %/% becomes 0 with whole numbers of %/%" in lost.text
    moved = rounding_findings(*_pair(1.4, table))[0]
    assert moved.severity == "caution"
    assert "becomes 1, -28.6 %" in moved.text


def _pair(gain: float, table: SimpleNamespace) -> tuple:
    exact = to_typed(PidSettings(gain / 1e4, 20.0, reading="linear"), table, HZ)
    return exact, rounded(exact)


def test_what_is_off_stays_off() -> None:
    table = controller(integers=integers(), filter_as="cut-off")
    typed = to_typed(PidSettings(2e-4, 20.0, reading="linear"), table, HZ, decimals=True)
    assert typed["Tf"].text == "off"
    assert from_typed(typed).tf_s == 0.0
    read = read_typed(typed, {"Tf": "25"})
    assert from_typed(read).tf_s == pytest.approx(1.0 / (2.0 * math.pi * 2.5))


@settings(max_examples=150, deadline=None)
@given(
    kind=st.sampled_from(NOTATIONS),
    kc=st.floats(1e-3, 1e2),
    ti=st.floats(1.0, 1e3),
    td_share=st.one_of(st.just(0.0), st.floats(0.01, 0.1)),
    tf=st.one_of(st.just(0.0), st.floats(0.1, 10.0)),
    scale=st.sampled_from((1.0, 10.0, 60.0, 1e4)),
)
def test_registers_and_back_is_the_same(
    kind: tuple[str, ...], kc: float, ti: float, td_share: float, tf: float, scale: float
) -> None:
    """There and back to 1e-12 before rounding, in every notation and scale."""
    known = PidSettings(kc, ti, td_share * ti, tf, reading=kind[-1], scan_time_s=0.5)
    table = worded(kind, integers=integers("int32", gain=scale, integral=scale, derivative=scale))
    typed = to_typed(known, table, HZ)
    same(known, from_typed(typed), rel=1e-12)
    same(known, from_typed(read_typed(typed, typed.texts())), rel=1e-12)
    once = rounded(typed)
    assert all(float(row.text).is_integer() for row in once.rows if row.key in ("Kc", "Ti"))
    assert replace(rounded(once), is_rounded=True).texts() == once.texts()
