"""Settings as they were found: texts of a study, in the controller's own language."""

from __future__ import annotations

import math
from typing import Any

import pytest

from chamberctl.control.conversions import FormError
from chamberctl.control.found import as_recorded, found_settings
from chamberctl.errors import QuantityError
from chamberctl.study import Study, load


@pytest.fixture(scope="module")
def plain() -> Study:
    return load("preset:reference-plant")


def with_found(study: Study, found: dict[str, str], **changes: Any) -> Study:
    every = {f"controller.{key}": value for key, value in changes.items()}
    return study.with_text({"controller.as_found": found, **every})


def test_nothing_recorded_is_nothing_found(plain: Study) -> None:
    assert found_settings(plain) is None
    assert found_settings(plain, "as_left") is None


def test_gain_and_integral_in_the_controllers_own_units(plain: Study) -> None:
    """Gain 12 %/% over three decades of reading and the whole speed is 4 per decade."""
    study = with_found(plain, {"gain": "12", "integral": "10,5", "mode": "auto"})
    found = found_settings(study)
    assert found is not None
    assert found.settings.kc == pytest.approx(12.0 / 3.0, rel=1e-12)
    assert found.settings.ti_s == 10.5
    assert found.settings.scan_time_s == 0.1
    assert found.settings.output_min == pytest.approx(0.2)
    assert found.typed["Ti"].text == "10,5"
    assert "no derivative" in found.assumed
    assert "setpoint weight 1" in found.assumed
    assert found.others == ("mode = auto",)


def test_units_may_stand_behind_the_numbers(plain: Study) -> None:
    texts = {"Kc": "12 %/%", "Ti": "10 s", "Td": "1", "filter": "0.5 s", "b": "0.3", "Tt": "4 s"}
    found = found_settings(with_found(plain, texts))
    assert found is not None
    law = found.settings
    assert (law.ti_s, law.td_s, law.tf_s, law.b, law.tt_s) == (10.0, 1.0, 0.5, 0.3, 4.0)
    assert "no derivative" not in found.assumed
    for text in ("10 min", "10 Hz"):
        with pytest.raises(FormError, match=r"controller\.as_found\.Ti: given .* in s; convert it"):
            found_settings(with_found(plain, {"Kc": "12", "Ti": text}))


def test_other_notations_by_their_names(plain: Study) -> None:
    texts = {"proportional band": "25", "integral_action": "6"}
    study = with_found(plain, texts, gain_as="proportional band", integral_as="repeats per minute")
    found = found_settings(study)
    assert found is not None
    assert found.settings.kc == pytest.approx(4.0 / 3.0, rel=1e-12)
    assert found.settings.ti_s == pytest.approx(10.0, rel=1e-12)
    study = with_found(plain, {"kp": "12", "ki": "0.6", "kd": "0"}, form="parallel")
    found = found_settings(study)
    assert found is not None
    assert found.settings.ti_s == pytest.approx(20.0, rel=1e-12)
    study = with_found(plain, {"gain": "12", "integral": "0"}, integral_as="repeats per minute")
    found = found_settings(study)
    assert found is not None
    assert math.isinf(found.settings.ti_s)


@pytest.mark.parametrize(
    "name,needed",
    [
        ("proportional band", "controller.gain_as is 'gain'"),
        ("ki", "controller.form is 'ideal'"),
        ("repeats", "controller.integral_as is 's'"),
    ],
)
def test_a_name_of_another_notation_is_refused(plain: Study, name: str, needed: str) -> None:
    with pytest.raises(FormError, match=needed):
        found_settings(with_found(plain, {"gain": "2", "integral": "10", name: "25"}))


def test_a_gain_is_no_proportional_band(plain: Study) -> None:
    study = with_found(plain, {"gain": "2", "ti": "9"}, gain_as="proportional band")
    with pytest.raises(FormError, match="must be 'gain' or 'engineering'"):
        found_settings(study)


def test_what_is_missing_double_or_wrong_is_named(plain: Study) -> None:
    with pytest.raises(FormError, match=r"controller\.as_found: 'integral' is missing"):
        found_settings(with_found(plain, {"gain": "2"}))
    with pytest.raises(FormError, match="is 'gian' it"):
        found_settings(with_found(plain, {"gian": "2", "integral": "9"}))
    with pytest.raises(FormError, match="stands twice, as Kc and as gain"):
        found_settings(with_found(plain, {"Kc": "2", "gain": "3", "integral": "9"}))
    with pytest.raises(FormError, match="Pressure above setpoint"):
        found_settings(with_found(plain, {"gain": "-2", "integral": "9"}))
    with pytest.raises(QuantityError, match=r"as_found\.gain"):
        found_settings(with_found(plain, {"gain": "1,000 %/%", "integral": "9"}))
    for nothing in ("NaN", "inf", "-inf", "nine"):
        with pytest.raises(QuantityError, match=r"controller\.as_found\.Integral") as error:
            found_settings(with_found(plain, {"gain": "2", "Integral": nothing}))
        assert error.value.first.given is not None
        assert error.value.first.given.strip("'") == nothing
    with pytest.raises(FormError, match="integral time must be above 0"):
        found_settings(with_found(plain, {"gain": "2", "integral": "0"}))


def test_values_left_are_read_in_the_same_way(plain: Study) -> None:
    study = plain.with_text({"controller.as_left": {"gain": "12", "integral": "10"}})
    assert found_settings(study) is None
    found = found_settings(study, "as_left")
    assert found is not None
    assert (found.place, found.settings.ti_s) == ("controller.as_left", 10.0)


def test_settings_recorded_on_another_reading_say_so(plain: Study) -> None:
    texts = {"Kc": "12", "Ti": "10", "reading": "linear"}
    study = with_found(plain, texts)
    found = found_settings(study)
    assert found is not None
    assert found.settings.reading == "linear"
    assert found.settings.kc == pytest.approx(12.0 / (100.0 - 0.1) / 100.0)
    assert found.others == ()
    assert as_recorded(study).controller.reading == "linear"
    assert as_recorded(plain) is plain
    with pytest.raises(FormError, match=r"as_found\.reading: given loud; a reading is log10"):
        found_settings(with_found(plain, {**texts, "reading": "loud"}))
