"""The page, driven without a browser."""

from __future__ import annotations

import re

import pytest
from streamlit.testing.v1 import AppTest

import chamberctl as cc
from chamberctl.resources import resource_folder
from chamberctl.study import preset_path


def page() -> AppTest:
    return AppTest.from_file(str(resource_folder("app") / "workbench.py"), default_timeout=60)


def texts(drawn: AppTest) -> str:
    return "\n".join(element.value for element in [*drawn.markdown, *drawn.header])


@pytest.fixture(scope="module")
def furnace() -> AppTest:
    drawn = page().run()
    assert drawn.selectbox[0].value == "crystal-furnace"
    return drawn


def test_the_page_shows_what_the_library_computes(furnace: AppTest) -> None:
    assert not furnace.exception
    tuning = cc.tune(cc.load("preset:crystal-furnace"))
    settings, margins = (table.value for table in furnace.table)
    assert list(settings["value"]) == [row.text for row in tuning.typed.rows]
    assert len(margins) == len(tuning.points)
    assert "speed must go up" in texts(furnace)


def test_every_caution_is_on_the_page(furnace: AppTest) -> None:
    for caution in cc.CAUTIONS:
        assert f"**{caution.title}.** {caution.text}" in texts(furnace)


def test_every_preset_can_be_chosen() -> None:
    drawn = page().run()
    for name in reversed(cc.presets()):
        drawn.selectbox[0].set_value(name).run()
        assert not drawn.exception
        assert len(drawn.table) == 2


def test_a_duty_that_cannot_be_held_gets_its_reason_and_no_settings() -> None:
    study = cc.load("preset:reference-plant")
    text = re.sub(r'setpoint = "\d+ mbar"', 'setpoint = "60 mbar"', study.text)
    drawn = page().run().selectbox[0].set_value("my own study file").run()
    drawn.file_uploader[0].set_value(("high.toml", text.encode(), "application/toml")).run()
    assert not drawn.exception
    assert any(error.value.startswith("No settings:") for error in drawn.error)
    assert "speed must go up" not in texts(drawn)


def test_an_uploaded_study_is_read_and_a_bad_one_is_explained() -> None:
    drawn = page().run().selectbox[0].set_value("my own study file").run()
    assert "TOML" in drawn.info[0].value
    good = preset_path("reference-plant").read_bytes()
    drawn.file_uploader[0].set_value(("mine.toml", good, "application/toml")).run()
    assert not drawn.exception
    assert len(drawn.table) == 2
    drawn.file_uploader[0].set_value(("mine.toml", b"volume = 3", "application/toml")).run()
    assert not drawn.exception
    assert drawn.error
    assert "mine.toml" in drawn.code[0].value
    assert "speed must go up" not in texts(drawn)
