"""Robust settings are asked for, found while the page goes on, and taken into use."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from streamlit.testing.v1 import AppTest

import chamberctl as cc

Open = Callable[..., AppTest]
PLANT = "preset:reference-plant"


def found(page: AppTest) -> AppTest:
    job = page.session_state["proposing:job"]
    job.wait(120.0)
    assert not job.running
    return page.run()


@pytest.mark.slow
def test_what_is_found_is_in_use_as_the_library_has_it(open_page: Open) -> None:
    page = open_page(PLANT, view="Tune")
    assert "first guess by rule" in page.markdown[0].value
    page.button(key="proposing:start").click().run()
    assert not page.exception
    found(page)
    assert not page.exception
    settings = page.session_state["session"].settings
    assert settings.name == "robust"
    assert settings.texts == cc.tune(cc.load(PLANT)).typed.texts()
    assert "Settings: robust" in page.markdown[0].value
    page.select_slider(key="calmness:ms").set_value("calm (Ms 1.4)").run()
    assert not page.exception
    assert "Settings: robust, calm (Ms 1.4)" in page.markdown[0].value
    calm = cc.tune(cc.load(PLANT).with_text({"controller.pace": "calm"}))
    used = page.session_state["session"].settings.texts
    assert float(used["Kc"]) == pytest.approx(float(calm.typed.texts()["Kc"]), rel=5e-3)
    for _ in range(3):
        page.button(key="undo").click().run()
    assert page.session_state["session"].settings is None


@pytest.mark.slow
def test_what_was_found_for_another_text_is_only_kept(open_page: Open) -> None:
    page = open_page(PLANT, view="Tune")
    page.button(key="proposing:start").click().run()
    page.session_state["session"].edit({"system.chamber.volume": "900 L"})
    found(page)
    session = page.session_state["session"]
    assert session.settings is None
    assert [kept.name for kept in session.candidates] == ["robust"]
    assert any("not in use" in info.value for info in page.info)


def test_a_study_that_goes_by_the_rule_has_nothing_to_wait_for(open_page: Open) -> None:
    page = open_page(PLANT, view="Tune")
    page.session_state["session"].edit({"controller.rule": "simc"})
    page.run()
    assert "proposing:start" not in {button.key for button in page.button}


def test_who_does_not_want_to_wait_does_not(
    open_page: Open, monkeypatch: pytest.MonkeyPatch
) -> None:
    from chamberctl.workbench import proposal_job

    gate = proposal_job.threading.Event()
    monkeypatch.setattr(proposal_job.ProposalJob, "_work", lambda job: gate.wait(30.0))
    page = open_page(PLANT, view="Tune")
    page.button(key="proposing:start").click().run()
    assert any("Finding robust settings" in m.value for m in page.markdown)
    page.button(key="proposing:stop").click().run()
    gate.set()
    assert not page.exception
    assert page.session_state["session"].settings is None


@pytest.mark.slow
def test_a_duty_that_no_gain_serves_gets_its_reason(open_page: Open) -> None:
    page = open_page(PLANT, view="Tune")
    page.session_state["session"].edit({"duty.limits.ms": "1.05"})
    page.button(key="proposing:start").click().run()
    found(page)
    assert not page.exception
    refused = (
        page.session_state["proposing:job"].result
        if "proposing:job" in page.session_state
        else None
    )
    if isinstance(refused, cc.Infeasible):
        assert any(refused.reason in error.value for error in page.error)
        page.button(key="proposing:close").click().run()
    assert "proposing:job" not in page.session_state
