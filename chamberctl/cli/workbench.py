"""The command `workbench`: starts the page's server on this computer and opens the page.

The page is a program of its own: it runs in a process that this one starts and waits for.
"""

from __future__ import annotations

import argparse
import os
import re
import signal
import subprocess
import sys
import webbrowser
from importlib.util import find_spec
from pathlib import Path
from typing import Final

from chamberctl.cli.arguments import UsageError
from chamberctl.errors import InputError

LOOPBACK: Final = "127.0.0.1"
_ADDRESS = re.compile(rf"http://{re.escape(LOOPBACK)}:[0-9]+")
PORTS: Final = range(1024, 65536)
STARTED_ALONE: Final = "CHAMBERCTL_STARTED_ALONE"
"""Set where no terminal is there to stop the server: the page then offers to end it."""


def workbench(arguments: argparse.Namespace) -> bool:
    """Open the workbench page; return when it is stopped."""
    study = arguments.study
    if study is not None:
        from chamberctl.study.source import read_source

        read_source(study)  # what cannot be read is refused here; what is no study is mended there
        if not study.startswith("preset:"):
            study = str(Path(study).absolute())
    status = _served(command(study, arguments.port), browser=not arguments.no_browser)
    if status:
        raise UsageError(
            f"the workbench did not start or ended with an error (status {status}); "
            "if the port is taken, give another one with --port"
        )
    return True


def _served(server_command: list[str], *, browser: bool) -> int:
    """Run the server until it ends or is stopped; return its status, 0 where it was stopped."""
    with subprocess.Popen(
        server_command, stdout=subprocess.PIPE, text=True, errors="replace"
    ) as server:
        previous = signal.signal(signal.SIGTERM, lambda *_: server.terminate())
        try:
            assert server.stdout is not None
            for line in server.stdout:
                found = _ADDRESS.search(line)
                if found:
                    _announce(found[0], browser)
            return max(server.wait(), 0)  # negative: stopped by a signal
        except KeyboardInterrupt:
            server.wait()  # it got the same signal
            return 0
        finally:
            server.terminate()
            signal.signal(signal.SIGTERM, previous)


def _announce(address: str, browser: bool) -> None:
    """Say where the page is, and open it where there is a screen to open it on."""
    print(f"The workbench is at {address} on this computer only. Ctrl-C stops it; what is not "
          "saved is kept.", flush=True)  # fmt: skip
    on_x = sys.platform in ("win32", "darwin")
    if browser and (on_x or os.environ.get("DISPLAY") or os.environ.get("WAYLAND_DISPLAY")):
        webbrowser.open(address)


def command(study: str | None, port: int | None) -> list[str]:
    """Return the command that starts the page's server.

    Parameters
    ----------
    study : str or None
        Study to open, an absolute path or a preset.
    port : int or None
        Port on this computer; the first free one from 8501 if not given.

    Raises
    ------
    InputError
        The library that draws the page is not installed.
    """
    from chamberctl.resources import resource_folder

    if find_spec("streamlit") is None:
        raise InputError(
            "the page needs streamlit, which is not installed here; install chamberctl again",
            field="workbench",
        )
    # Where the page listens, that it reports to nobody and that it takes one entry after the other
    # is said here, beside the page's own settings file, so that no settings of the user's undo it.
    options = {
        "--server.address": LOOPBACK,
        "--browser.serverAddress": LOOPBACK,
        "--browser.gatherUsageStats": "false",
        "--server.showEmailPrompt": "false",
        "--runner.fastReruns": "false",
        "--server.headless": "true",  # the browser is opened here
        "--logger.level": "warning",
    }
    if port is not None:
        options["--server.port"] = str(port)
    page = str(resource_folder("app") / "workbench.py")
    flat = [word for option in options.items() for word in option]
    after = ["--", study] if study is not None else []
    return [sys.executable, "-m", "streamlit", "run", page, *flat, *after]


def port_number(typed: str) -> int:
    """Return a typed port."""
    if not typed.isdecimal() or int(typed) not in PORTS:
        raise argparse.ArgumentTypeError(f"'{typed}' is no port: {PORTS[0]} to {PORTS[-1]}")
    return int(typed)


def start() -> int:
    """Start the page without a terminal, as from a menu or an icon; return the exit status."""
    os.environ[STARTED_ALONE] = "1"
    if sys.stdout is None or sys.stderr is None:  # started by a window system
        sys.stdout = sys.stderr = Path(os.devnull).open("w", encoding="utf-8")  # noqa: SIM115
    os.chdir(Path.home())  # where a name without a folder is saved
    from chamberctl.cli import main

    return main(["workbench", *sys.argv[1:]])
