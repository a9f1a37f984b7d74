"""Three users from the start to the files they take away, in a browser without a network."""

from __future__ import annotations

import io
import json
import re
import zipfile
from pathlib import Path

import pytest
from playwright.sync_api import Download, Page, expect

import chamberctl as cc
from chamberctl.control.forms import from_typed, read_typed
from chamberctl.control.margins import margins
from chamberctl.control.tuning import rule_tuning
from chamberctl.display import number
from chamberctl.lessons.exercise import exercise
from chamberctl.lessons.tour import TOUR, data_csv
from chamberctl.study import preset_path
from chamberctl.study.reading import loads
from tests.browser.conftest import PAPERS, Server, content_px
from tests.browser.test_workbench import VIEWS, choose, go, settled, strip, typed
from tests.recompute_loop import compare

pytestmark = pytest.mark.browser


def click(page: Page, name: str) -> None:
    page.get_by_role("button", name=name, exact=True).click()
    settled(page)


def pick(page: Page, label: str, option: str) -> None:
    """Choose an option of a list."""
    field = page.get_by_label(label, exact=True).first
    field.click()
    # what is typed before the list is open is not searched for
    expect(field).to_have_attribute("aria-expanded", "true")
    field.fill(option)
    page.get_by_role("option", name=option, exact=True).wait_for()
    page.keyboard.press("Enter")
    settled(page)


def taken(page: Page, name: str) -> tuple[str, bytes]:
    """Download a file; return its name and content."""
    with page.expect_download(timeout=120_000) as waited:
        page.get_by_role("button", name=name).click()
    download: Download = waited.value
    return download.suggested_filename, Path(download.path()).read_bytes()


def reported(page: Page) -> dict[str, bytes]:
    """Make the report; return the files of the archive."""
    page.get_by_role("button", name="Make the report").click()
    page.get_by_role("button", name="Download everything (zip)").wait_for(timeout=180_000)
    settled(page)
    name, content = taken(page, "Download everything (zip)")
    assert name.endswith("-report.zip")
    with zipfile.ZipFile(io.BytesIO(content)) as archive:
        assert archive.testzip() is None
        return {entry: archive.read(entry) for entry in archive.namelist()}


def test_an_engineer_from_a_preset_to_the_report(page: Page, server: Server) -> None:
    """Preset, duty, window, gains by slider, kept beside others, tried, reported."""
    go(page, server)
    page.get_by_text("Open another study, save or download this one").click()
    settled(page)  # a list that is opened while a fold-out moves closes again
    pick(page, "Preset", "student-rig")
    click(page, "Open this preset")
    expect(strip(page)).to_contain_text("Student's rig")
    choose(page, "Duty")
    typed(page, "hold band (must be given)", "5 %")
    choose(page, "Window")
    expect(page.get_by_text("What the pumps can hold")).to_be_visible()

    choose(page, "Tune")
    page.locator("input[type=range]").first.focus()
    for _ in range(3):
        page.keyboard.press("ArrowLeft")
        settled(page)
    expect(strip(page)).to_contain_text("Settings: own numbers")
    page.get_by_text("Keep, name and choose settings").click()
    typed(page, "Keep these settings as", "calm")
    click(page, "Keep")
    expect(strip(page)).to_contain_text("Settings: calm")
    gain = page.get_by_role("textbox", name=re.compile(", exactly")).first.input_value()
    expect(page.locator("div.wide table").first).to_contain_text("first guess by rule")

    choose(page, "Behave")
    pick(page, "What happens", "Setpoint step down")
    expect(page.get_by_text("linear prediction and run").first).to_be_visible()
    name, trace = taken(page, "Run with calm as CSV")
    assert name == "setpoint-step-down-point-" + name.split("-")[4] + "-calm.csv"
    assert b"chamberctl-trace/1" in trace.splitlines()[0]

    choose(page, "Hand over")
    typed(page, "who", "E. Engineer")
    files = reported(page)
    assert set(files) >= {"report.html", "study.toml", "loop.json", "gains.csv"}
    study = loads(files["study.toml"].decode())
    assert study.duty.hold_band == pytest.approx(0.05)
    assert study.controller.who == "E. Engineer"
    tuning = cc.tune(study)
    assert tuning.typed["Kc"].text == gain
    assert tuning.why[0].startswith("These settings were chosen by a person: calm")
    loop = json.loads(files["loop.json"])
    assert loop["settings"]["Kc"] == pytest.approx(tuning.settings.kc)
    for point, exported in zip(tuning.points, loop["points"], strict=True):
        assert exported["margins"]["ms"] == pytest.approx(margins(point.model, tuning.settings).ms)
    assert all(agrees for *_, agrees in compare(loop))
    page_text = files["report.html"].decode()
    assert "Student" in page_text
    assert gain in page_text
    assert "Not a safety function" in page_text


def test_a_technician_with_a_keyboard_from_an_upload_to_the_hand_over(
    page: Page, server: Server, tmp_path: Path
) -> None:
    """Upload, as found, a number typed in wrongly and read back, record, report."""
    go(page, server)
    own = tmp_path / "furnace-7.toml"
    own.write_bytes(preset_path("reference-plant").read_bytes())
    page.get_by_text("Open another study, save or download this one").click()
    page.locator("input[type=file]").first.set_input_files(own)
    settled(page)

    by_key(page, "radio", "Tune")
    by_key(page, "button", "Settings found in the controller")
    for label, text in (("Gain found [%/%]", "8"), ("Integral time found [s]", "25,5")):
        typed(page, label, text)
    page.keyboard.press("Escape")
    expect(page.locator("div.wide table").first).to_contain_text("as found")

    by_key(page, "radio", "Hand over")
    expect(page.get_by_text("Pressure above setpoint").first).to_be_visible()
    tuning = rule_tuning(cc.load("preset:reference-plant"))
    for row in tuning.typed.rows:
        unit = f" [{row.shown_unit}]" if row.shown_unit else ""
        typed(page, f"{row.label} shown{unit}", "1.50" if row.key == "Kc" else row.text)
    expect(page.get_by_text("15.017 was to be typed in")).to_be_visible()
    wrong = page.locator("table", has_text="As the controller shows")
    settings = from_typed(read_typed(tuning.typed, {"Kc": "1.50"}))
    shown = cc.assess(tuning.study, settings)
    expect(wrong).to_contain_text(number(shown.worst["ms"][0]))
    typed(page, "Gain shown [%/%]", "15.017")
    expect(page.get_by_text("every number as it was to be typed in")).to_be_visible()
    for label, text in (("tag", "PIC-7"), ("who", "T. Technician"), ("date", "2026-03-02"),
                        ("why", "commissioning")):  # fmt: skip
        typed(page, label, text)

    page.reload()
    settled(page)
    expect(page.get_by_label("who", exact=True).first).to_have_value("T. Technician")
    files = reported(page)
    study = loads(files["study.toml"].decode())
    control = study.controller
    assert control.as_found == {"Kc": "8", "Ti": "25,5"}
    assert control.as_left == {**tuning.typed.texts()}
    assert (control.tag, control.who, control.when) == ("PIC-7", "T. Technician", "2026-03-02")
    text = files["report.html"].decode()
    for said in ("As found: restore these", "25,5", "T. Technician", "PIC-7", "15.017"):
        assert said in text
    assert own.read_bytes() == preset_path("reference-plant").read_bytes()


def by_key(page: Page, role: str, name: str) -> None:
    """Go to an element and press it, without a mouse."""
    element = page.get_by_role(role, name=name, exact=True).first  # type: ignore[arg-type]
    element.focus()
    page.keyboard.press("Space" if role == "radio" else "Enter")
    settled(page)


def test_a_student_with_a_wrong_sign_to_the_right_answer(page: Page, server: Server) -> None:
    """The same exercise everywhere; predict, be told, predict again, reveal."""
    go(page, server, "Learn")
    typed(page, "Exercise", "7")
    choose(page, TOUR[1].title)
    name, data = taken(page, "Data of this exercise as CSV")
    assert name == "exercise-7-gain.csv"
    assert data.decode() == data_csv(TOUR[1], 7)
    asked = TOUR[1].asked(exercise(7))
    expect(page.get_by_text("Reveal what happens", exact=True)).to_have_count(0)
    typed(page, "Your prediction [mbar]", f"{-asked.expected:.3g}")
    expect(page.get_by_text("Wrong sign.")).to_be_visible()
    expect(page.get_by_text("more speed LOWERS the pressure")).to_be_visible()
    typed(page, "Your prediction [mbar]", f"{asked.expected:.3g}")
    expect(page.get_by_text("Right.")).to_be_visible()
    page.get_by_text("Reveal what happens", exact=True).click()
    settled(page)
    expect(page.locator("img.picture")).to_be_visible()
    expect(page.get_by_text("the gain is in proportion to the pressure")).to_be_visible()
    expect(page.get_by_text("Answer key")).to_have_count(0)
    page.get_by_text("I am the teacher").click()
    expect(page.get_by_text("Answer key of exercise 7")).to_be_visible()


@pytest.mark.parametrize("paper", PAPERS)
@pytest.mark.parametrize("view", VIEWS)
def test_on_paper_nothing_is_cut_off_or_printed_over(
    page: Page, server: Server, view: str, paper: str
) -> None:
    go(page, server, view)
    page.emulate_media(media="print")
    page.set_viewport_size({"width": content_px(paper), "height": 1000})
    page.wait_for_timeout(300)
    found = page.evaluate(
        """() => {
            const words = [...document.querySelectorAll(".stMain *")]
                .filter(e => e.checkVisibility()
                    && !e.closest("details:not([open]) > :not(summary)"))
                .filter(e => [...e.childNodes].some(n => n.nodeType === 3 && n.data.trim()));
            const boxes = words.map(e => { const range = document.createRange();
                range.selectNodeContents(e);
                return [e, range.getBoundingClientRect()]; })
                .filter(([e, box]) => box.width > 1 && box.height > 1);
            const edge = document.documentElement.clientWidth + 1;
            const said = e => e.textContent.trim().slice(0, 30);
            const wide = boxes.filter(([e, box]) => box.right > edge).map(([e]) => said(e));
            const over = [];
            boxes.forEach(([a, one], i) => boxes.slice(i + 1).forEach(([b, two]) => {
                const line = e => e.closest("p, li, td, th");  // its words share its lines
                if (a.contains(b) || b.contains(a) || (line(a) && line(a) === line(b))) return;
                if (Math.min(one.right, two.right) - Math.max(one.left, two.left) > 3
                    && Math.min(one.bottom, two.bottom) - Math.max(one.top, two.top) > 6)
                    over.push(`${said(a)} | ${said(b)}`); }));
            return [wide, over];
        }"""
    )
    assert found == [[], []]


def test_the_hand_over_prints_whole(page: Page, server: Server, tmp_path: Path) -> None:
    go(page, server, "Hand over")
    words = page.locator(".stMain").inner_text()
    page.emulate_media(media="print")
    assert not page.get_by_role("button", name="Undo").is_visible()
    printed = page.pdf(format="A4")
    assert printed.count(b"/Type /Page\n") >= 2
    assert "Values to go back to" in words
    height = page.evaluate("document.querySelector('.stMain').scrollHeight")
    box = page.locator(".stMain").bounding_box()
    assert box is not None
    assert box["height"] >= height - 1
