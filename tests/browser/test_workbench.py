"""The workbench in a real browser without a network: typed, touched, reloaded, killed."""

from __future__ import annotations

import os
import random
import re
import signal
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Locator, Page, expect

import chamberctl as cc
from chamberctl.study import preset_path
from tests.browser.conftest import Server

pytestmark = pytest.mark.browser

VIEWS = ("Describe", "Window", "Tune", "Behave", "Hand over", "Learn")
SECTIONS = ("Gas and chamber", "Line", "Pumps", "Drive", "Gauges", "Duty", "Controller")
SIZES = {"laptop": (1366, 768), "telephone": (390, 844)}


def go(page: Page, server: Server, view: str = "Describe", **more: str) -> None:
    """Open the page on a view, and wait until it is drawn."""
    asked = "&".join(f"{name}={value}" for name, value in {"view": view, **more}.items())
    page.goto(f"{server.address}/?{asked}")
    settled(page)


def settled(page: Page) -> None:
    """Wait until the page is drawn and nothing runs."""
    expect(page.locator(".st-key-strip")).to_be_visible()
    page.wait_for_timeout(250)
    page.wait_for_function(
        "document.querySelector('[data-test-script-state=notRunning]"
        "[data-test-connection-state=CONNECTED]') && !document.querySelector("
        "'[data-testid=stSkeleton],[data-testid=stAppSkeleton],[data-stale=true]')"
    )
    page.wait_for_timeout(250)


def choose(page: Page, name: str) -> None:
    page.get_by_role("radio", name=name, exact=True).click()
    settled(page)


def strip(page: Page) -> Locator:
    return page.locator(".st-key-strip")


def typed(page: Page, label: str, text: str) -> None:
    """Type into a field and leave it, as with the keyboard."""
    field = page.get_by_label(label, exact=True).first
    field.fill(text)
    field.press("Tab")
    settled(page)


def key(page: Page) -> str:
    found = re.search(r"[?&]s=([^&]+)", page.url)
    assert found
    return found[1]


def test_the_page_opens_on_the_study_it_was_started_with(page: Page, server: Server) -> None:
    go(page, server)
    expect(strip(page)).to_contain_text("Reference plant")
    expect(strip(page)).to_contain_text("Worst: Ms")
    expect(strip(page)).to_contain_text("YES")
    expect(page.get_by_label("volume (must be given)", exact=True)).to_have_value("500 L")


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("view", VIEWS)
def test_nothing_needs_scrolling_sideways(page: Page, server: Server, view: str, size: str) -> None:
    width, height = SIZES[size]
    page.set_viewport_size({"width": width, "height": height})
    go(page, server, view)
    outside = page.evaluate(
        """() => [...document.querySelectorAll(".stMain *")]
            .filter(e => !e.closest(".wide") && !e.closest("svg") && e.offsetParent)
            .filter(e => e.type !== "range")  // a slider's own input is never seen
            .filter(e => e.getBoundingClientRect().right > document.documentElement.clientWidth + 1)
            .map(e => e.tagName + "." + e.className + ": " + e.textContent.slice(0, 30))"""
    )
    assert outside == []
    assert page.evaluate("document.querySelector('.stMain').scrollWidth") <= width


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("view", VIEWS)
def test_what_is_touched_is_large_enough_for_a_glove(
    page: Page, server: Server, view: str, size: str
) -> None:
    width, height = SIZES[size]
    page.set_viewport_size({"width": width, "height": height})
    go(page, server, view)
    if view == "Behave":
        page.get_by_text("With the gauge's noise").click()
        settled(page)
    small = page.evaluate(
        """() => [...document.querySelectorAll(".stMain button, .stMain input, .stMain summary")]
            .filter(e => e.offsetParent && e.type !== "file")
            .map(e => [e, e.closest("[role=group], label, [data-testid=stTextInputRootElement]," +
                                    "[data-testid=stNumberInputContainer]") || e])
            .map(([e, box]) => [e, box.getBoundingClientRect().height,
                e.tagName === "BUTTON" ? e.getBoundingClientRect().width : 44])
            .filter(([e, height, width]) => height < 43.5 || width < 43.5)
            .map(([e, height, width]) =>
                `${e.tagName} ${e.ariaLabel} ${e.textContent} ${width} x ${height}`)"""
    )
    assert small == []


def test_the_strip_stays_in_sight(page: Page, server: Server) -> None:
    go(page, server)
    page.get_by_text("Cautions: what this is not").scroll_into_view_if_needed()
    box = strip(page).bounding_box()
    assert box is not None
    assert -1.0 <= box["y"] < 20.0
    expect(strip(page).get_by_role("radio", name="Window")).to_be_in_viewport()


@pytest.mark.parametrize("section", SECTIONS)
def test_no_label_is_cut_off(page: Page, server: Server, section: str) -> None:
    go(page, server)
    choose(page, section)
    cut = page.locator("[data-testid=stWidgetLabel] p:visible").evaluate_all(
        "every => every.filter(e => e.scrollWidth > e.clientWidth + 1).map(e => e.textContent)"
    )
    assert cut == []


def test_the_text_of_a_study_stands_in_columns(page: Page, server: Server) -> None:
    go(page, server)
    choose(page, "As text")
    face = page.get_by_label("Study (TOML)").evaluate("e => getComputedStyle(e).fontFamily")
    assert face.endswith("monospace")


def test_another_view_starts_at_its_top(page: Page, server: Server) -> None:
    go(page, server, "Hand over")
    for view in ("Window", "Hand over", "Window"):
        page.evaluate("document.querySelector('.stMain').scrollTo(0, 900)")
        choose(page, view)
        assert page.evaluate("document.querySelector('.stMain').scrollTop") == 0
    page.evaluate("document.querySelector('.stMain').scrollTo(0, 900)")
    page.get_by_text("What the answer hangs on").click()
    settled(page)
    assert page.evaluate("document.querySelector('.stMain').scrollTop") > 500


@pytest.mark.parametrize("view", ["Describe", "Window", "Tune", "Behave"])
def test_on_a_telephone_pictures_can_be_read_and_say_that_they_go_on(
    page: Page, server: Server, view: str
) -> None:
    page.set_viewport_size({"width": 390, "height": 844})
    go(page, server, view)
    picture = page.locator("img.picture").first
    letters = picture.evaluate(
        """e => { const svg = new DOMParser().parseFromString(
                      atob(e.src.split(",")[1]), "image/svg+xml").documentElement;
                  const scale = e.clientWidth / svg.viewBox.baseVal.width;
                  const sizes = [...svg.querySelectorAll("text")].map(t => +t.getAttribute(
                      "font-size"));
                  return scale * Math.min(6.5, ...sizes); }"""
    )
    assert letters > 10.0
    slide = page.locator("div.slide:has(img)").first
    expect(slide.locator("p.more")).to_be_visible()
    slide.locator("div.wide").evaluate("e => e.scrollTo(9999, 0)")
    assert slide.locator("div.wide").evaluate("e => e.scrollLeft") > 0
    page.set_viewport_size({"width": 1366, "height": 768})
    expect(slide.locator("p.more")).to_be_hidden()


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_words_stand_out_from_their_ground(cut_off: Browser, server: Server, scheme: str) -> None:
    """Every ink that carries words has a contrast of 4.5 to 1 at least, in the dark too."""
    context = cut_off.new_context(color_scheme=scheme, viewport={"width": 1366, "height": 768})  # type: ignore[arg-type]
    page = context.new_page()
    page.set_default_timeout(60_000)
    for view in VIEWS:
        go(page, server, view)
        weak = page.evaluate(
            """() => {
                const parts = c => c.match(/[\\d.]+/g).map(Number);
                const light = c => { const [r, g, b] = c.slice(0, 3).map(v => { v /= 255;
                    return v <= 0.03928 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4; });
                    return 0.2126 * r + 0.7152 * g + 0.0722 * b; };
                const over = (top, under) => { const a = top[3] ?? 1;
                    return [0, 1, 2].map(i => a * top[i] + (1 - a) * under[i]); };
                const ground = e => { const chain = [];
                    for (; e; e = e.parentElement) chain.push(e);
                    return chain.reverse().reduce((g, x) =>
                        over(parts(getComputedStyle(x).backgroundColor), g), [255, 255, 255]); };
                return [...document.querySelectorAll(".stMain *")]
                    // a slider's number stands above its thumb, whose color is not its ground
                    .filter(e => e.offsetParent && !e.closest("[disabled]")
                            && !e.closest("[data-testid=stSliderThumbValue]")
                            && !e.closest("[aria-disabled=true]"))
                    .filter(e => [...e.childNodes].some(n => n.nodeType === 3 && n.data.trim()))
                    .map(e => { const g = ground(e);
                        const ink = light(over(parts(getComputedStyle(e).color), g)), p = light(g);
                        return [(Math.max(ink, p) + 0.05) / (Math.min(ink, p) + 0.05), e]; })
                    .filter(([ratio]) => ratio < 4.5)
                    .map(([ratio, e]) => ratio.toFixed(1) + e.textContent.trim().slice(0, 40));
            }"""
        )
        assert weak == []
    context.close()


def test_every_field_is_reached_and_changed_by_keyboard_alone(page: Page, server: Server) -> None:
    go(page, server)
    wanted = page.locator(".stMain input:not([type=file]):not([disabled]):visible").count()
    page.keyboard.press("Tab")
    reached: set[str] = set()
    for _ in range(120):
        label = page.evaluate(
            "(e => e.tagName === 'INPUT' ? e.ariaLabel || e.id : '')(document.activeElement)"
        )
        reached |= {label} - {""}
        if label == "volume (must be given)":
            page.keyboard.press("Control+A")
            page.keyboard.type("650 L")
            page.keyboard.press("Enter")
            settled(page)
        page.keyboard.press("Tab")
    assert len(reached) >= wanted, reached
    expect(strip(page)).to_contain_text("changed")
    expect(page.get_by_label("volume (must be given)", exact=True)).to_have_value("650 L")


def test_a_bad_entry_is_explained_beside_it_and_the_rest_goes_on(
    page: Page, server: Server
) -> None:
    go(page, server)
    typed(page, "volume (must be given)", "five buckets")
    message = page.get_by_text("begin with one number").last
    expect(message).to_be_visible()
    field = page.get_by_label("volume (must be given)", exact=True).bounding_box()
    beside = message.bounding_box()
    assert field is not None
    assert beside is not None
    assert 0.0 < beside["y"] - field["y"] < 200.0
    expect(strip(page)).to_contain_text("1 field is not usable yet")
    expect(strip(page)).to_contain_text("Worst: Ms")
    assert "Traceback" not in page.content()
    page.get_by_role("button", name="Undo").click()
    settled(page)
    expect(page.get_by_label("volume (must be given)", exact=True)).to_have_value("500 L")


def test_a_study_is_described_saved_and_downloaded(
    page: Page, server: Server, tmp_path: Path
) -> None:
    go(page, server)
    typed(page, "volume (must be given)", "0,65 m3")
    choose(page, "Duty")
    typed(page, "hold band (must be given)", "4 %")
    page.get_by_text("Open another study, save or download this one").click()
    target = tmp_path / "my-plant.toml"
    typed(page, "Save to: a name of your own", str(target))
    page.get_by_role("button", name="Save the study").click()
    expect(page.get_by_text("Saved to")).to_be_visible()
    settled(page)
    saved = cc.load(target)
    assert saved.system.chamber.volume_m3 == pytest.approx(0.65)
    assert saved.duty.hold_band == pytest.approx(0.04)
    assert '"0,65 m3"' in target.read_text(encoding="utf-8")
    expect(strip(page)).to_contain_text("saved")
    with page.expect_download() as download:
        page.get_by_role("button", name="Download the study").click()
    assert download.value.suggested_filename == "my-plant.toml"
    assert Path(download.value.path()).read_bytes() == target.read_bytes()


def test_an_upload_is_bounded_and_validated(page: Page, server: Server, tmp_path: Path) -> None:
    go(page, server)
    page.get_by_text("Open another study, save or download this one").click()
    chooser = page.locator("input[type=file]").first
    good = tmp_path / "mine.toml"
    good.write_bytes(preset_path("student-rig").read_bytes())
    chooser.set_input_files(good)
    settled(page)
    expect(strip(page)).to_contain_text("Student's rig")
    big = tmp_path / "big.toml"
    big.write_bytes(b"#" * 1_200_000)
    page.locator("input[type=file]").first.set_input_files(big)
    expect(page.get_by_text("or smaller").first).to_be_visible()
    expect(strip(page)).to_contain_text("Student's rig")


def test_a_reload_and_a_crash_bring_the_last_change_back(page: Page, server: Server) -> None:
    go(page, server)
    typed(page, "volume (must be given)", "700 L")
    page.reload()
    settled(page)
    expect(page.get_by_label("volume (must be given)", exact=True)).to_have_value("700 L")
    typed(page, "volume (must be given)", "710 L")
    server.stop(signal.SIGKILL)
    server.start()
    page.reload()
    settled(page)
    expect(page.get_by_label("volume (must be given)", exact=True)).to_have_value("710 L")
    expect(strip(page)).to_contain_text("changed")


def test_the_server_is_killed_five_times_in_the_middle_of_a_save(
    page: Page, server: Server, tmp_path: Path
) -> None:
    """The file is always one of the whole versions, and the page has the last change."""
    target, chance = tmp_path / "plant.toml", random.Random(3)
    target.write_bytes(preset_path("reference-plant").read_bytes())
    go(page, server)
    page.get_by_text("Open another study, save or download this one").click()
    typed(page, "Or its path on this computer", str(target))
    page.get_by_role("button", name="Open this file").click()
    settled(page)
    expect(strip(page)).to_contain_text("saved")
    volumes = {0.5}
    for round_ in range(1, 6):
        typed(page, "volume (must be given)", f"{500 + round_} L")
        volumes.add((500 + round_) * 1e-3)
        page.get_by_role("button", name="Save the study").dispatch_event("click")
        time.sleep(chance.uniform(0.0, 0.2))
        server.stop(signal.SIGKILL)
        found = cc.load(target).system.chamber.volume_m3
        assert any(found == pytest.approx(volume) for volume in volumes)
        server.start()
        page.goto(f"{server.address}/?view=Describe&s={key(page)}")
        settled(page)
        expect(page.get_by_label("volume (must be given)", exact=True)).to_have_value(
            f"{500 + round_} L"
        )
        expect(strip(page)).to_contain_text(re.compile("saved"))
        page.get_by_text("Open another study, save or download this one").click()
    page.get_by_role("button", name="Save the study").click()
    settled(page)
    assert cc.load(target).system.chamber.volume_m3 == pytest.approx(0.505)
    assert sorted(path.name for path in tmp_path.iterdir() if path.suffix == ".toml") == [
        "plant.toml"
    ]


def test_undo_goes_on_after_a_reload(page: Page, server: Server) -> None:
    go(page, server)
    for volume in ("610 L", "620 L"):
        typed(page, "volume (must be given)", volume)
    page.reload()
    settled(page)
    field = page.get_by_label("volume (must be given)", exact=True)
    for volume in ("610 L", "500 L"):
        page.get_by_role("button", name="Undo").click()
        settled(page)
        expect(field).to_have_value(volume)
    page.get_by_role("button", name="Redo").click()
    settled(page)
    expect(field).to_have_value("610 L")


@contextmanager
def held(server: Server) -> Iterator[None]:
    """Stop the server for a while, as where a computer is busy with something else."""
    assert server.process is not None
    os.killpg(server.process.pid, signal.SIGSTOP)
    try:
        yield
    finally:
        os.killpg(server.process.pid, signal.SIGCONT)


def test_entries_typed_one_after_the_other_are_all_taken(page: Page, server: Server) -> None:
    """Whoever types does not wait for the page between one entry and the next."""
    go(page, server)
    page.get_by_text("Open another study, save or download this one").click()
    settled(page)
    page.locator("input[type=file]").first.set_input_files(preset_path("freeze-dryer"))
    settled(page)
    choose(page, "Pumps")
    entries = {
        "curve, row 1, second value": "9 m3/h", "curve, row 2, first value": "0,06 mbar",
        "curve, row 2, second value": "31 m3/h", "curve, row 3, first value": "0,11 mbar",
        "curve, row 3, second value": "43 m3/h", "curve, row 4, first value": "0,31 mbar",
        "curve, row 4, second value": "54 m3/h",
    }  # fmt: skip
    fields = [page.get_by_label(label, exact=True).first for label in entries]
    with held(server):
        for field, text in zip(fields, entries.values(), strict=True):
            field.fill(text)
            field.press("Tab")
    settled(page)
    for field, text in zip(fields, entries.values(), strict=True):
        expect(field).to_have_value(text)
    choose(page, "As text")
    study = page.get_by_label("Study (TOML)")
    for entry in entries.values():
        expect(study).to_have_value(re.compile(re.escape(f'"{entry}"')))


def test_a_slider_moved_by_the_keys_goes_where_they_lead(page: Page, server: Server) -> None:
    """Also while the page follows the moves before: it never falls to an end of its range."""
    go(page, server, "Tune")
    slider = page.get_by_role("slider").first
    exact = page.get_by_label("Gain [%/%], exactly", exact=True).first
    start, seen = float(exact.input_value()), []
    slider.focus()
    for _ in range(8):
        page.keyboard.press("ArrowRight")
        page.wait_for_timeout(120)
        seen.append(float(slider.get_attribute("aria-valuetext") or "nan"))
    settled(page)
    assert start < seen[0]
    assert seen == sorted(set(seen)), "it was set back on the way"
    assert float(slider.get_attribute("aria-valuetext") or "nan") == seen[-1]
    assert float(exact.input_value()) == seen[-1]


def test_settings_found_keep_the_reading_they_were_found_on(page: Page, server: Server) -> None:
    """They are the way back: what was typed before a change of the reading stays what it meant."""
    go(page, server, "Tune")
    found = page.get_by_role("button", name="Settings found in the controller")
    found.click()
    settled(page)
    typed(page, "Gain found [%/%]", "8")
    page.keyboard.press("Escape")
    page.get_by_role("radio", name="linear", exact=True).click()
    settled(page)
    found.click()
    settled(page)
    expect(page.get_by_label("Gain found [%/%]", exact=True)).to_have_value("8")
    typed(page, "Integral time found [s]", "25,5")
    page.keyboard.press("Escape")
    choose(page, "Describe")
    choose(page, "As text")
    text = page.get_by_label("Study (TOML)").input_value()
    record = text[text.index("as_found") :].split("\n\n")[0]
    for said in ('Kc = "8"', 'Ti = "25,5"', 'reading = "log10"'):
        assert said in record


def test_unsaved_work_is_offered_after_another_study_was_opened(page: Page, server: Server) -> None:
    go(page, server)
    typed(page, "volume (must be given)", "615 L")
    left = key(page)
    page.get_by_text("Open another study, save or download this one").click()
    settled(page)
    page.get_by_role("button", name="Open this preset").click()
    settled(page)
    assert key(page) != left
    page.locator(f'[class*="st-key-go-{left}"] button').click()
    settled(page)
    expect(page.get_by_label("volume (must be given)", exact=True)).to_have_value("615 L")


def test_on_a_telephone_the_strip_leaves_room(page: Page, server: Server) -> None:
    """All views side by side; Undo lies below, where there is anything to take back."""
    page.set_viewport_size({"width": 390, "height": 844})
    go(page, server, "Tune")
    tops = {
        strip(page).get_by_role("radio", name=view, exact=True).bounding_box()["y"]  # type: ignore[index]
        for view in VIEWS
    }
    assert len(tops) == 1
    box = strip(page).bounding_box()
    assert box is not None
    assert box["height"] <= 130
    undo = page.get_by_role("button", name="Undo")
    expect(undo).to_be_hidden()
    typed(page, "Gain [%/%], exactly", "9")
    expect(undo).to_be_in_viewport()
    undo.click()
    settled(page)
    expect(undo).to_be_hidden()


def test_a_page_that_fails_sends_nobody_elsewhere(server: Server) -> None:
    """No link to a search, no words of a service: an error of the page says no more than that."""
    from chamberctl.resources import resource_folder

    settings = (resource_folder("app") / ".streamlit" / "config.toml").read_text(encoding="utf-8")
    assert "showErrorLinks = false" in settings


def test_what_is_taken_back_while_settings_are_sought_stays_so(page: Page, server: Server) -> None:
    """A part of the page that draws itself anew reports fields that are gone: they say nothing."""
    go(page, server, "Tune")
    page.get_by_role("radio", name="on the nonlinear plant").click()
    settled(page)
    page.get_by_text("Published rules side by side").click()  # what makes the page slow
    settled(page)
    found = page.get_by_role("button", name="Settings found in the controller")
    found.click()
    settled(page)
    typed(page, "Gain found [%/%]", "8")
    typed(page, "Integral time found [s]", "25,5")
    page.keyboard.press("Escape")
    settled(page)
    page.get_by_role("button", name="Find robust settings").click()
    expect(page.get_by_text("Finding robust settings")).to_be_visible()
    page.get_by_role("button", name="Undo").click()
    page.wait_for_timeout(6_000)
    found.click()
    expect(page.get_by_label("Gain found [%/%]", exact=True)).to_have_value("8")
    expect(page.get_by_label("Integral time found [s]", exact=True)).to_have_value("")
