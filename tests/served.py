"""The workbench page as it is served to a real browser, and the browser to open it in."""

from __future__ import annotations

import os
import shutil
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

from tests.house import CHECKOUT

STARTED_WITHIN_S = 60.0


def chromium() -> str | None:
    """Return the path of an installed Chromium, None where there is none."""
    found = shutil.which("chromium") or "/usr/bin/chromium"
    return found if Path(found).is_file() else None


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@contextmanager
def served(command: Sequence[str], port: int, data: Path) -> Iterator[str]:
    """Run a server until the block ends; yield its address once it answers."""
    environment = {**os.environ, "PYTHONPATH": str(CHECKOUT), "CHAMBERCTL_DATA": str(data)}
    process = subprocess.Popen(
        command, cwd=data, env=environment, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        start_new_session=True,
    )  # fmt: skip
    try:
        deadline = time.monotonic() + STARTED_WITHIN_S
        while True:
            assert process.poll() is None, "the server ended at once"
            assert time.monotonic() < deadline, "the server does not answer"
            try:
                socket.create_connection(("127.0.0.1", port), timeout=1.0).close()
                break
            except OSError:
                time.sleep(0.1)
        yield f"http://127.0.0.1:{port}"
    finally:
        os.killpg(process.pid, signal.SIGTERM)
        process.wait(20.0)


@contextmanager
def workbench(study: str, data: Path) -> Iterator[str]:
    """Serve the workbench on a study, as its command does."""
    port = free_port()
    command = [
        sys.executable, "-m", "chamberctl", "workbench", study, "--no-browser", "--port", str(port),
    ]  # fmt: skip
    with served(command, port, data) as address:
        yield address
