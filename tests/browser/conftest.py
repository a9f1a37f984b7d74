"""The workbench's server and a browser that can reach nothing but this computer."""

from __future__ import annotations

import os
import re
import shutil
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, expect, sync_playwright

#: A busy machine takes its time: what is expected may come as late as what is waited for.
expect.set_options(timeout=60_000)

#: Width and height of the papers that are printed on [mm], and the margin they leave.
PAPERS = {"A4": (210.0, 297.0), "Letter": (215.9, 279.4)}
MARGIN_MM = 15.0

CHECKOUT = Path(__file__).resolve().parents[2]
#: No name but the loopback's own address is ever resolved.
CUT_OFF = "--host-resolver-rules=MAP * ~NOTFOUND , EXCLUDE 127.0.0.1"


def content_px(paper: str) -> int:
    """Return what is left of a paper's width between its margins, in CSS pixels, 96 to the inch."""
    return int((PAPERS[paper][0] - 2.0 * MARGIN_MM) / 25.4 * 96)


class Server:
    """The page's server as a user starts it, on a data folder of the tests' own."""

    def __init__(self, home: Path, study: str = "preset:reference-plant") -> None:
        self.home, self.study, self.address = home, study, ""
        self.process: subprocess.Popen[str] | None = None

    def start(self) -> None:
        """Start it; after the first time on the same port."""
        port = ["--port", self.address.rpartition(":")[2]] if self.address else []
        command = [sys.executable, "-m", "chamberctl", "workbench", self.study, "--no-browser"]
        environment = {
            **os.environ, "PYTHONPATH": str(CHECKOUT), "HOME": str(self.home),
            "CHAMBERCTL_DATA": str(self.home / "data"),
        }  # fmt: skip
        self.process = subprocess.Popen(
            [*command, *port], stdout=subprocess.PIPE, text=True, env=environment,
            cwd=self.home, start_new_session=True,
        )  # fmt: skip
        assert self.process.stdout is not None
        found = re.search(r"http://127\.0\.0\.1:\d+", self.process.stdout.readline())
        assert found, "the server said no address"
        self.address = found[0]

    def stop(self, sent: signal.Signals = signal.SIGTERM) -> None:
        """End it with all its processes."""
        assert self.process is not None
        os.killpg(self.process.pid, sent)
        self.process.wait(20)
        assert self.process.stdout is not None
        self.process.stdout.close()


@pytest.fixture(scope="session")
def chromium_path() -> str:
    found = shutil.which("chromium") or "/usr/bin/chromium"
    if not Path(found).is_file():
        pytest.fail("Chromium is not installed; these tests need it")
    return found


@pytest.fixture(scope="module")
def cut_off(chromium_path: str) -> Iterator[Browser]:
    """A browser without a network."""
    with sync_playwright() as playwright:
        started = playwright.chromium.launch(
            executable_path=chromium_path, args=["--no-sandbox", CUT_OFF]
        )
        yield started
        started.close()


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    started = Server(tmp_path_factory.mktemp("home"))
    started.start()
    yield started
    started.stop()


@pytest.fixture
def asked_for() -> list[str]:
    """Every address that a page asked for."""
    return []


@pytest.fixture
def page(cut_off: Browser, server: Server, asked_for: list[str]) -> Iterator[Page]:
    """An empty page that writes down what it asks for; nothing may leave this computer."""
    context = cut_off.new_context(viewport={"width": 1366, "height": 768})
    opened = context.new_page()
    opened.set_default_timeout(60_000)
    opened.on("request", lambda request: asked_for.append(request.url))
    opened.on("websocket", lambda socket: asked_for.append(socket.url))
    yield opened
    context.close()
    own = server.address.removeprefix("http://")
    left = [
        url for url in asked_for if not re.match(rf"(http|ws)://{re.escape(own)}/|data:|blob:", url)
    ]
    assert not left, left
