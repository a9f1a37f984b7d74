"""Settings for a changed controller: nothing is lost, and what must go together is said."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from chamberctl.control.controller import PidSettings
from chamberctl.control.conversions import FormError
from chamberctl.control.forms import from_typed, read_typed, to_typed
from chamberctl.control.retyping import retype
from chamberctl.errors import InputError, StudyError
from chamberctl.study import Study, load
from tests.control.test_forms import HZ, NOTATIONS, same, worded
from tests.control.test_registers import integers

FORMS = st.sampled_from(NOTATIONS)


@settings(max_examples=200, deadline=None)
@given(
    first=FORMS,
    second=FORMS,
    kc=st.floats(1e-3, 1e2),
    ti=st.floats(0.5, 1e4),
    td_share=st.one_of(st.just(0.0), st.floats(0.001, 0.15)),
    tf=st.one_of(st.just(0.0), st.floats(0.01, 100.0)),
    spans=st.tuples(st.floats(0.01, 1.0), st.floats(10.0, 1e5), st.floats(0.0, 0.4)),
    registers=st.booleans(),
)
def test_over_to_another_controller_and_back_to_1e_12(
    first: tuple[str, ...],
    second: tuple[str, ...],
    kc: float,
    ti: float,
    td_share: float,
    tf: float,
    spans: tuple[float, float, float],
    registers: bool,
) -> None:
    """Any form, unit, span and register, typed out as text, read in again, and back."""
    known = PidSettings(kc, ti, td_share * ti, tf, reading=first[-1], scan_time_s=0.5)
    low, high, output_low = spans
    other = worded(
        (*second[:-1], first[-1]), integers=integers("int32") if registers else None,
        output_low=output_low,
    )  # fmt: skip
    other.reading_low_pa, other.reading_high_pa = low, high
    there = to_typed(known, worded(first), HZ)
    law = from_typed(read_typed(there, there.texts()))
    over = to_typed(law, other, HZ)
    law = from_typed(read_typed(over, over.texts()))
    back = to_typed(law, worded(first), HZ)
    same(known, from_typed(back), rel=1e-12)
    for row in there.rows:
        if row.key in ("Kc", "Ti", "Td", "Tf"):
            assert back[row.key].value == pytest.approx(row.value, rel=1e-12)


@pytest.fixture(scope="module")
def plain() -> Study:
    """Reference plant, linear reading 0 to 100 mbar, with settings found in %/% and seconds."""
    return load("preset:reference-plant").with_text({
        "controller.rule": "simc",
        "controller.reading": "linear",
        "controller.reading_low": "0 mbar",
        "controller.as_found": {"gain": "2.004", "integral": "20", "mode": "auto"},
    })  # fmt: skip


def test_what_is_typed_changes_and_what_it_means_does_not(plain: Study) -> None:
    changes: dict[str, Any] = {
        "gain_as": "proportional band", "integral_as": "repeats per minute",
        "reading_high": "1000 mbar", "output_unit": "%", "decimals.gain": 6,
        "decimals.integral": 6,
    }  # fmt: skip
    found = retype(plain, "as_found", changes)
    assert found.exact["Kc"].value == pytest.approx(100.0 / 20.04, rel=1e-12)
    assert found.exact["Ti"].value == pytest.approx(3.0, rel=1e-12)
    assert found.settings.kc == pytest.approx(2.004 / 1e4, rel=1e-6)
    assert found.good
    subjects = [finding.subject for finding in found.findings]
    assert subjects[:3] == ["settings", "settings", "spans"]
    assert "mode = auto" in found.findings[1].text
    assert "wrong by a factor of 10.0" in found.findings[2].text
    # without a change of span there is no word about it
    assert "spans" not in [f.subject for f in retype(plain, "as_found", {}).findings]


def test_margins_are_those_of_the_rounded_numbers_and_the_difference_is_shown(
    plain: Study,
) -> None:
    found = retype(plain, "as_found", {"decimals.gain": 0, "decimals.integral": 0})
    assert found.tuning is not None
    assert found.settings.kc == pytest.approx(2.0 / 1e4)
    assert found.tuning.settings == found.settings
    before = max(one.ms for one in found.tuning.unrounded_points_margins)
    assert before != found.tuning.worst["ms"][0]
    (said,) = [f.text for f in found.findings if f.subject == "rounding"]
    assert "of the exact and of the rounded settings" in said


def test_settings_that_do_not_hold_the_duty_are_a_no_in_any_language(plain: Study) -> None:
    wild = plain.with_text({"controller.as_found": {"gain": "600", "integral": "5"}})
    found = retype(wild, "as_found", {"form": "parallel"})
    assert not found.good
    assert any(f.severity == "no" and f.subject == "stability" for f in found.findings)


def test_a_duty_that_cannot_be_held_leaves_the_conversion_without_margins(plain: Study) -> None:
    empty = plain.with_text({
        "duty.hold": [{"setpoint": "5 mbar", "gas_loads": ["60 mbar L/s"]}],
    })  # fmt: skip
    found = retype(empty, "as_found", {"gain_as": "engineering"})
    assert found.tuning is None
    assert found.exact["Kc"].value == pytest.approx(1.002, rel=1e-12)  # Hz/mbar
    assert "There are no margins" in found.findings[-1].text


def test_what_cannot_be_converted(plain: Study) -> None:
    with pytest.raises(InputError, match=r"controller\.as_left: no settings are recorded as left"):
        retype(plain, "as_left", {})
    quick = {"gain": "2", "integral": "6", "derivative": "2"}
    study = plain.with_text({"controller.as_found": quick})
    with pytest.raises(FormError, match="series form cannot express"):
        retype(study, "as_found", {"form": "series"})
    with pytest.raises(StudyError, match=r"controller\.form"):
        retype(plain, "as_found", {"form": "velocity"})
    with pytest.raises(StudyError, match="rated speed is given in Hz"):
        retype(plain, "as_found", {"output_unit": "rpm"})
