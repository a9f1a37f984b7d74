"""How numbers are shown to people."""

from __future__ import annotations

import math

import pytest

from chamberctl.display import Display, number
from chamberctl.study import load


@pytest.mark.parametrize(
    "value, shown",
    [
        (0.005, "5.0e-3"),
        (5e-7, "5.0e-7"),
        (12.5, "12.5"),
        (1234.0, "1230"),
        (0.0, "0"),
        (-0.1, "-0.1"),
        (math.nan, "none"),
        (None, "none"),
        (math.inf, "unlimited"),
        (-math.inf, "-unlimited"),
    ],
)
def test_numbers_never_shrink_to_zero_and_say_when_there_is_none(
    value: float | None, shown: str
) -> None:
    assert number(value) == shown


@pytest.mark.parametrize(
    "pressure, gas_load, text",
    [
        ("mbar", "mbar L/s", "5 mbar"),
        ("Pa", "Pa m3/s", "500 Pa"),
        ("Torr", "Torr L/s", "3.75 Torr"),
    ],
)
def test_results_speak_the_units_of_the_controller(pressure: str, gas_load: str, text: str) -> None:
    study = load("preset:reference-plant").with_text({"controller.reading_unit": pressure})
    unit = Display.of(study)
    assert unit.pressure_text(500.0) == text
    assert unit.gas_load_text(25.0).endswith(gas_load)
    assert unit.rate_text(50.0).endswith(f"{pressure}/s")


def test_a_speed_is_percent_and_what_the_drive_shows() -> None:
    assert Display(rated_hz=50.0).speed_text(0.5) == "50 % (25 Hz)"
    assert Display(rated_rpm=3000.0).speed_text(0.2561) == "25.6 % (768.3 rpm)"
    assert Display().speed_text(1.0) == "100 %"
