"""The safety text itself; that every report and page shows it is tested where they are."""

from __future__ import annotations

import pytest

from chamberctl.cautions import CAUTIONS, caution_text


@pytest.mark.parametrize(
    "words",
    [
        "not a safety function",
        "someone at the machine",
        "oxidizing",
        "dilut",
        "never air",
        "implode",
        "seize",
        "emergency stop",
        "licensed",
        "local codes",
        "nothing is ever sent to a controller",
    ],
)
def test_the_text_speaks_of_it(words: str) -> None:
    assert words in caution_text()


def test_every_caution_is_in_the_text() -> None:
    for caution in CAUTIONS:
        assert f"{caution.title}: {caution.text}" in caution_text()
