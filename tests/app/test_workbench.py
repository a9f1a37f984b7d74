"""The page as a whole: the strip, the choice of view, and what every view stands on."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from streamlit.testing.v1 import AppTest

import chamberctl as cc
from chamberctl.control.tuning import rule_tuning
from chamberctl.report import margins_text

Open = Callable[..., AppTest]


def words(page: AppTest) -> str:
    texts = [*page.markdown, *page.header, *page.error, *page.warning, *page.info]
    return "\n".join(element.value for element in texts)


def test_the_strip_says_study_settings_worst_margin_verdict_and_what_is_saved(
    open_page: Open,
) -> None:
    strip = open_page("preset:crystal-furnace").markdown[0].value
    assert "**Argon-swept crystal furnace**" in strip
    assert "in no file of yours" in strip
    assert "Settings: " in strip
    assert "Worst: Ms" in strip
    assert "✓ YES" in strip


@pytest.mark.slow
@pytest.mark.parametrize("name", [*cc.presets()])
def test_every_preset_can_be_shown(open_page: Open, name: str) -> None:
    study = cc.load(f"preset:{name}")
    page = open_page(f"preset:{name}", view="Describe")
    strip = page.markdown[0].value
    assert study.title in strip
    tuning = rule_tuning(study)
    assert margins_text.worst_in_short(study, tuning) in strip


def test_every_caution_is_on_the_page(open_page: Open) -> None:
    page = open_page()
    for caution in cc.CAUTIONS:
        assert f"**{caution.title}.** {caution.text}" in words(page)


def test_an_unknown_view_in_the_address_is_the_first(open_page: Open) -> None:
    page = open_page(view="Elsewhere")
    assert page.query_params["view"] == "Describe"
