"""How long it takes from a move of the gain's slider to the redrawn page, browser to browser.

A key moves the slider by one step. The time ends with the last change of the page, when every
picture and number of the view is there again; the same is measured on a page with nothing but a
slider. Needs an installed Chromium; without one nothing is measured, and that is said.
"""

from __future__ import annotations

import statistics
import sys
import tempfile
from pathlib import Path
from typing import Any

from tests.benchmarks import Result
from tests.served import chromium, free_port, served, workbench

PRESET = "preset:crystal-furnace"
LIMIT_S = 0.35
MOVES = 24
STILL_MS = 500

EMPTY = """
import streamlit as st
st.write("chosen", st.select_slider("slider", list(range(100)), 50))
"""

#: Notes when anything on the page changed last, and when a picture was last ready to be seen.
WATCH = """
() => {
    window.moved = window.last = 0;
    document.addEventListener("keydown", () => { window.moved = performance.now(); }, true);
    const seen = () => { window.last = performance.now(); };
    new MutationObserver(records => {
        seen();
        for (const record of records)
            for (const node of [record.target, ...record.addedNodes])
                if (node.querySelectorAll)
                    for (const image of [node, ...node.querySelectorAll("img")])
                        if (image.tagName === "IMG") image.decode().then(seen, () => {});
    }).observe(document.body, {subtree: true, childList: true, characterData: true,
                               attributes: true, attributeFilter: ["src", "value"]});
}
"""


def run() -> dict[str, Any]:
    """Measure both pages.

    Returns
    -------
    dict
        Name and results: medians, and the slowest of the moves.
    """
    name = "from the slider to the redrawn page"
    if chromium() is None:
        note = Result("no Chromium is installed: not measured", float("nan"), "s")
        return {"name": name, "results": [note]}
    with tempfile.TemporaryDirectory() as folder:
        page = Path(folder, "empty.py")
        page.write_text(EMPTY, encoding="utf-8")
        port = free_port()
        command = [
            sys.executable, "-m", "streamlit", "run", str(page), "--server.port", str(port),
            "--server.address", "127.0.0.1", "--server.headless", "true",
            "--browser.gatherUsageStats", "false",
        ]  # fmt: skip
        with served(command, port, Path(folder)) as address:
            empty = moves(address, "")
        with workbench(PRESET, Path(folder)) as address:
            tuned = moves(f"{address}/?view=Tune", ".picture")
    median = statistics.median(tuned)
    return {
        "name": name,
        "results": [
            Result("an empty page with a slider, median", statistics.median(empty), "s"),
            Result(f"{PRESET}, view Tune, median of {MOVES} moves", median, "s",
                   f"at most {LIMIT_S:g} s", median <= LIMIT_S),
            Result("the slowest of these", max(tuned), "s"),
        ],
    }  # fmt: skip


def moves(address: str, wait_for: str) -> list[float]:
    """Move the first slider of a page to and fro; return the times until it stands still [s]."""
    from playwright.sync_api import sync_playwright

    found = []
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=chromium(), args=["--no-sandbox"])
        page = browser.new_page(viewport={"width": 1366, "height": 768})
        page.goto(address)
        slider = page.locator("input[type=range]").first
        slider.wait_for(state="attached", timeout=180_000)
        if wait_for:
            page.wait_for_selector(wait_for, timeout=180_000)
        page.wait_for_timeout(2000)
        page.evaluate(WATCH)
        slider.focus()
        for move in range(MOVES + 2):
            page.keyboard.press("ArrowRight" if move % 8 < 4 else "ArrowLeft")
            page.wait_for_function(
                f"window.last > window.moved && performance.now() - window.last > {STILL_MS}",
                timeout=60_000,
            )
            if move >= 2:  # the first ones bring undo into reach and fill caches
                found.append(float(page.evaluate("window.last - window.moved")) / 1000.0)
        browser.close()
    return found
