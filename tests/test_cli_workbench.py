"""The command that opens the page: where it listens, what it refuses, how it ends."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
import urllib.request
from pathlib import Path

import pytest

from chamberctl.cli import main, workbench

CHECKOUT = Path(__file__).resolve().parent.parent


def test_a_study_that_is_not_there_is_bad_input(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    missing = tmp_path / "plant.toml"
    assert main(["workbench", str(missing)]) == 2
    said = capsys.readouterr().err
    assert str(missing) in said
    assert "no such file" in said


@pytest.mark.parametrize("typed", ["80", "eight", "70000", "-1"])
def test_a_port_that_is_none_is_bad_input(typed: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["workbench", f"--port={typed}"]) == 2
    assert "1024 to 65535" in capsys.readouterr().err


def test_the_server_listens_here_only_reports_to_nobody_and_takes_entries_in_turn() -> None:
    command = workbench.command("preset:student-rig", 8600)
    pairs = dict(zip(command[5:-2:2], command[6:-2:2], strict=True))
    assert pairs["--server.address"] == "127.0.0.1"
    assert pairs["--browser.gatherUsageStats"] == "false"
    assert pairs["--runner.fastReruns"] == "false"
    assert pairs["--server.port"] == "8600"
    assert command[-2:] == ["--", "preset:student-rig"]


def test_a_server_that_fails_is_bad_input(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    failing = [sys.executable, "-c", "import sys; sys.exit(1)"]
    monkeypatch.setattr(workbench, "command", lambda study, port: failing)
    assert main(["workbench"]) == 2
    assert "--port" in capsys.readouterr().err


def test_the_address_is_said_and_opened_where_there_is_a_screen(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    opened: list[str] = []
    monkeypatch.setattr(workbench.webbrowser, "open", opened.append)
    monkeypatch.setenv("DISPLAY", ":0")
    serving = [sys.executable, "-c", "print('URL: http://127.0.0.1:8600')"]
    monkeypatch.setattr(workbench, "command", lambda study, port: serving)
    assert main(["workbench"]) == 0
    assert main(["workbench", "--no-browser"]) == 0
    assert opened == ["http://127.0.0.1:8600"]
    assert capsys.readouterr().out.count("http://127.0.0.1:8600") == 2


@pytest.mark.slow
@pytest.mark.skipif(os.name != "posix", reason="sends a POSIX signal")
@pytest.mark.parametrize("sent", [signal.SIGINT, signal.SIGTERM])
def test_it_serves_until_it_is_stopped_and_leaves_nothing_running(
    sent: signal.Signals, tmp_path: Path
) -> None:
    start = [sys.executable, "-m", "chamberctl", "workbench", "--no-browser"]
    environment = {
        **os.environ, "PYTHONPATH": str(CHECKOUT), "CHAMBERCTL_DATA": str(tmp_path),
        "HOME": str(tmp_path),
    }  # fmt: skip
    with subprocess.Popen(
        start, stdout=subprocess.PIPE, text=True, env=environment, start_new_session=True
    ) as server:
        assert server.stdout is not None
        address = re.search(r"http://127\.0\.0\.1:\d+", server.stdout.readline())
        assert address
        with urllib.request.urlopen(f"{address[0]}/_stcore/health", timeout=10) as answer:
            assert answer.status == 200
        os.killpg(server.pid, sent)
        assert server.wait(20) in (0, 130)
    with pytest.raises(OSError, match="refused"):
        urllib.request.urlopen(address[0], timeout=5)
