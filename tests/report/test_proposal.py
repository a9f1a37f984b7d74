"""How the settings were found, as the report tells it."""

from __future__ import annotations

from pathlib import Path

import pytest

import chamberctl as cc
from chamberctl.display import number
from tests.report.test_report import Page

pytestmark = pytest.mark.slow  # its page takes seconds


@pytest.fixture(scope="module")
def tuning() -> cc.Tuning:
    return cc.tune(cc.load("preset:reference-plant"))


@pytest.fixture(scope="module")
def page(tuning: cc.Tuning, tmp_path_factory: pytest.TempPathFactory) -> Page:
    folder = tmp_path_factory.mktemp("proposal")
    return Page(cc.write_report(tuning.study, tuning, folder).html.read_text(encoding="utf-8"))


def test_the_report_says_what_the_settings_are_for_and_where_they_end(
    page: Page, tuning: cc.Tuning
) -> None:
    found = tuning.design.optimum
    assert found is not None
    assert f"kept at {len(found.plants)} plants of the envelope" in page.text
    (binding, *_) = found.bindings
    assert found.plants[binding.plant].where in page.text
    assert "Where limits bind" in page.tables
    for relaxation in found.relaxations:
        assert number(100 * relaxation.more, 2) in page.text


def test_all_that_was_tried_is_shown(page: Page, tuning: cc.Tuning) -> None:
    assert [choice.symbol for choice in tuning.design.choices][:2] == ["Tt", "b"]
    for choice in tuning.design.choices:
        assert choice.text in page.text
        for value, passed in choice.tried:
            factor = 60.0 if choice.symbol == "ramp" else 1.0
            assert number(value * factor) in page.text
            assert f"{number(100 * passed, 2)} %" in page.text


def test_published_rules_stand_beside_the_settings(page: Page) -> None:
    assert "Published rules, settings found and settings recommended" in page.tables
    assert "Largest steps that stay clear of ramps and limits" in page.tables
    assert "What calmness costs" in page.text


def test_the_rule_has_no_such_section(tmp_path: Path) -> None:
    study = cc.load("preset:reference-plant").with_text({"controller.rule": "simc"})
    tuning = cc.tune(study)
    assert tuning.design.optimum is None
    page = Page(cc.write_report(study, tuning, tmp_path).html.read_text(encoding="utf-8"))
    assert "Where limits bind" not in page.tables
