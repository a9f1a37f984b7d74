"""The report in a real browser: without a network, on paper, on a telephone, in grey."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, Page, Request, sync_playwright

import chamberctl as cc
from chamberctl.errors import Infeasible
from chamberctl.study import loads
from tests import studies
from tests.browser.conftest import PAPERS, content_px

pytestmark = pytest.mark.browser

#: Two presets and a refusal in every run, the other presets by hand.
QUICK = ("crystal-furnace", "freeze-dryer")
NAMES = [
    *QUICK,
    "refused",
    *(
        pytest.param(name, marks=pytest.mark.thorough)
        for name in sorted(cc.presets())
        if name not in QUICK
    ),
]


def chromium() -> str:
    found = shutil.which("chromium") or "/usr/bin/chromium"
    if not Path(found).is_file():
        pytest.fail("Chromium is not installed; these tests need it")
    return found


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    path = chromium()
    with sync_playwright() as playwright:
        started = playwright.chromium.launch(executable_path=path, args=["--no-sandbox"])
        yield started
        started.close()


@pytest.fixture(scope="module", params=NAMES)
def report(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp(request.param)
    if request.param == "refused":
        study = loads(studies.reference_text([("5 mbar", ("60 mbar L/s",))]))
        with pytest.raises(Infeasible) as caught:
            cc.tune(study)
        return cc.write_report(study, caught.value, out).html
    study = cc.load(f"preset:{request.param}")
    return cc.write_report(study, cc.tune(study), out).html


@pytest.fixture
def requests() -> list[str]:
    return []


@pytest.fixture
def page(browser: Browser, report: Path, requests: list[str]) -> Iterator[Page]:
    """The report, opened with the network off and scripts off; every request is written down."""
    context = browser.new_context(offline=True, java_script_enabled=False)
    opened = context.new_page()
    problems: list[Any] = []

    def note(request: Request) -> None:
        requests.append(request.url)

    opened.on("request", note)
    opened.on("console", lambda message: problems.append(message.text))
    opened.on("pageerror", lambda error: problems.append(error))
    opened.goto(report.as_uri())
    yield opened
    assert not problems
    context.close()


def too_wide(page: Page) -> list[str]:
    """Return the elements that reach beyond the right edge of the page."""
    found: list[str] = page.evaluate(
        """() => {
            const edge = document.documentElement.clientWidth + 0.5;
            return [...document.querySelectorAll("body *")]
                .filter(e => !e.closest("svg") || e.tagName === "svg")
                .filter(e => e.getBoundingClientRect().right > edge)
                .map(e => e.tagName + ": " + e.textContent.trim().slice(0, 40));
        }"""
    )
    return found


def test_nothing_is_fetched(page: Page, report: Path, requests: list[str]) -> None:
    page.wait_for_timeout(300)
    assert requests == [report.as_uri()]


@pytest.mark.parametrize("paper", PAPERS)
def test_nothing_is_wider_than_the_paper(page: Page, paper: str) -> None:
    page.emulate_media(media="print")
    page.set_viewport_size({"width": content_px(paper), "height": 1000})
    assert too_wide(page) == []


def sizes(printed: bytes) -> list[list[float]]:
    """Return width and height of all pages of a PDF [points]."""
    boxes = {line for line in printed.split(b"\n") if b"/MediaBox" in line}
    return [[float(x) for x in box.split(b"[")[1].split(b"]")[0].split()][2:] for box in boxes]


@pytest.mark.parametrize("paper", PAPERS)
def test_it_prints_on_either_paper(page: Page, paper: str) -> None:
    """By itself it takes A4; whoever has Letter in the printer says so, and it fits as well."""
    own = {"prefer_css_page_size": True} if paper == "A4" else {"format": paper}
    printed = page.pdf(print_background=False, **own)  # type: ignore[arg-type]
    width, height = (side / 25.4 * 72.0 for side in PAPERS[paper])
    assert sizes(printed)
    for size in sizes(printed):
        assert size == pytest.approx([width, height], abs=1.0)
    assert printed.count(b"/Type /Page\n") >= 4


@pytest.mark.parametrize("width", [1280, 800])
def test_nothing_is_cut_off_on_a_screen(page: Page, width: int) -> None:
    page.set_viewport_size({"width": width, "height": 900})
    assert too_wide(page) == []


def test_on_a_telephone_only_tables_scroll(page: Page) -> None:
    page.set_viewport_size({"width": 390, "height": 800})
    scroll = page.evaluate("document.documentElement.scrollWidth")
    assert scroll <= 390
    outside = page.evaluate(
        """() => [...document.querySelectorAll("body *")]
            .filter(e => !e.closest("svg") && !e.closest(".wide"))
            .filter(e => e.getBoundingClientRect().right > 390.5)
            .map(e => e.tagName)"""
    )
    assert outside == []


def test_pictures_are_seen_and_named(page: Page, report: Path) -> None:
    pictures = page.get_by_role("img")
    assert pictures.count() in (3, 11)
    for index in range(pictures.count()):
        box = pictures.nth(index).bounding_box()
        assert box is not None
        assert box["width"] > 300
        assert box["height"] > 80
        assert pictures.nth(index).get_attribute("aria-label")


def test_the_answer_is_the_first_thing_seen(page: Page) -> None:
    page.set_viewport_size({"width": 1000, "height": 800})
    box = page.locator(".verdict").bounding_box()
    assert box is not None
    assert box["y"] + box["height"] < 800
    mark = page.locator(".verdict .mark").inner_text()
    style = page.locator(".verdict .mark").evaluate("e => getComputedStyle(e).backgroundColor")
    assert mark in ("YES", "NO")
    dark = style not in ("rgba(0, 0, 0, 0)", "rgb(255, 255, 255)")
    assert dark == (mark == "NO"), "yes and no must differ without color"


def test_prose_and_tables_keep_their_own_type(page: Page) -> None:
    face = "e => getComputedStyle(e).fontFamily.split(',')[0]"
    prose = page.locator("main p").first.evaluate(face)
    assert prose != page.locator("table").first.evaluate(face)
    assert page.locator("h1").evaluate(face) == page.locator("table").first.evaluate(face)


def test_everything_can_be_read_without_color(page: Page) -> None:
    """Every ink that carries words stands out from the paper by at least 4.5 to 1 in grey."""
    weak = page.evaluate(
        """() => {
            const light = rgb => {
                const [r, g, b] = rgb.match(/[\\d.]+/g).slice(0, 3).map(v => {
                    v /= 255; return v <= 0.03928 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4; });
                return 0.2126 * r + 0.7152 * g + 0.0722 * b; };
            return [...document.querySelectorAll("body *")]
                .filter(e => !e.closest("svg") && !e.closest(".mark"))
                .filter(e => [...e.childNodes].some(n => n.nodeType === 3 && n.data.trim()))
                .filter(e => 1.05 / (light(getComputedStyle(e).color) + 0.05) < 4.5)
                .map(e => e.textContent.trim().slice(0, 40));
        }"""
    )
    assert weak == []
