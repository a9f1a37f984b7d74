"""View "Window": the library's numbers, limits and findings, and a second study beside."""

from __future__ import annotations

from collections.abc import Callable
from html import escape

import pytest
from streamlit.testing.v1 import AppTest

import chamberctl as cc
from chamberctl.control.influence import influences
from chamberctl.control.tuning import rule_tuning
from chamberctl.report import comparison_text, influence_text, window_text
from chamberctl.report.tables import Table, as_html
from chamberctl.study import preset_path
from tests import studies

Open = Callable[..., AppTest]
NAME = "preset:crystal-furnace"


@pytest.fixture
def page(open_page: Open) -> AppTest:
    return open_page(NAME, view="Window")


def html(page: AppTest) -> str:
    return "\n".join(element.proto.body for element in page.get("html"))


def words(page: AppTest) -> str:
    found = [*page.markdown, *page.error, *page.warning, *page.info]
    return "\n".join(element.value for element in found)


def assert_shown(page: AppTest, table: Table) -> None:
    assert as_html(table) in html(page)


def test_every_number_is_the_librarys(page: AppTest) -> None:
    study = cc.load(NAME)
    window = cc.operating_window(study)
    for make in (window_text.points, window_text.reach, window_text.answers, window_text.booster):
        assert_shown(page, make(study, window))
    for finding in (*window.findings, *window_text.point_findings(window.duty_points)):
        assert finding.text in words(page)
    assert "Is speed the right handle?" in words(page)


def test_what_the_answer_hangs_on_is_ranked_once_it_is_unfolded(page: AppTest) -> None:
    study = cc.load(NAME)
    found = influences(study, rule_tuning(study))
    assert influence_text.nominal(found) not in words(page)
    page.session_state["window:hangs on"] = True
    page.run()
    assert not page.exception
    assert_shown(page, influence_text.table(found))
    for line in (*influence_text.text(found), influence_text.nominal(found)):
        assert line in words(page)


def test_pictures_have_their_words(page: AppTest) -> None:
    study = cc.load(NAME)
    alt = cc.operating_window(study).duty_points
    assert html(page).count('<img class="picture') == 2
    assert f"of {len(alt)} duty points lie on a reachable curve" in html(page)


def test_a_duty_that_cannot_be_held_says_no_with_its_reason(
    open_page: Open, tmp_path: object
) -> None:
    text = studies.reference_text([("5 mbar", ("60 mbar L/s",))])
    page = open_page("preset:reference-plant", view="Window")
    page.session_state["session"].set_text(text)
    page.run()
    assert not page.exception
    assert "✗ NO" in page.markdown[0].value
    assert any(error.value.startswith("**✗ No") for error in page.error)
    assert "not reachable" in html(page)


def test_two_studies_are_compared_over_the_duty_of_the_first(page: AppTest) -> None:
    page.selectbox(key="compare:with").set_value("reference-plant").run()
    assert not page.exception
    study, other = cc.load(NAME), cc.load("preset:reference-plant")
    found = cc.compare(study, other)
    for table in (comparison_text.reach(study, found), comparison_text.points(study, found)):
        assert_shown(page, table)
    for line in found.text:
        assert line in words(page)


def test_a_changed_study_is_compared_with_what_was_opened(page: AppTest) -> None:
    session = page.session_state["session"]
    session.edit({"system.line[0].diameter": "200 mm"})
    page.run()
    page.selectbox(key="compare:with").set_value("this study as it was opened").run()
    assert not page.exception
    assert escape("200 mm") in html(page)
    assert "100 mm" in html(page)


def test_a_second_study_that_is_none_is_explained(page: AppTest) -> None:
    page.selectbox(key="compare:with").set_value("a study file").run()
    page.file_uploader[0].set_value(("other.toml", b"volume = 3", "application/toml")).run()
    assert not page.exception
    assert any("other.toml" in error.value for error in page.error)
    good = preset_path("reference-plant").read_bytes()
    page.file_uploader[0].set_value(("other.toml", good, "application/toml")).run()
    assert not page.exception
    assert "Reference plant" in "".join(found.value for found in page.subheader)
