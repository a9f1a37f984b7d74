"""A report does not show by whom its chapters were made."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import pytest

from chamberctl.cli import main
from tests.house import CHECKOUT


def written(folder: Path) -> dict[str, str]:
    files = {path.name: path.read_text(encoding="utf-8") for path in folder.iterdir()}
    del files["report-files.json"]  # hashes, of a page with its date among them
    date = r"\d{4}-\d\d-\d\d \d\d:\d\d [+-]\d{4}"
    files["report.html"] = re.sub(date, "", files["report.html"])
    return files


@pytest.mark.slow
@pytest.mark.parametrize("name", ["reference-plant", "freeze-dryer"])
def test_two_processes_write_what_one_writes(name: str, tmp_path: Path) -> None:
    """Called from here it works alone, as from any script; as a command of its own it does not."""
    wanted = ["report", f"preset:{name}", "--out"]
    main([*wanted, str(tmp_path / "alone")])
    command = [sys.executable, "-m", "chamberctl", *wanted, str(tmp_path / "shared")]
    subprocess.run(command, cwd=CHECKOUT, check=False, capture_output=True)
    alone, shared = written(tmp_path / "alone"), written(tmp_path / "shared")
    assert set(alone) == set(shared) >= {"report.html", "loop.json", "gains.csv", "study.toml"}
    assert alone == shared
