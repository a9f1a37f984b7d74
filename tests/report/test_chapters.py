"""A report does not show by whom its chapters were made."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from chamberctl.cli import main


def written(folder: Path) -> dict[str, str]:
    files = {path.name: path.read_text(encoding="utf-8") for path in folder.iterdir()}
    del files["report-files.json"]  # hashes, of a page with its date among them
    date = r"\d{4}-\d\d-\d\d \d\d:\d\d [+-]\d{4}"
    files["report.html"] = re.sub(date, "", files["report.html"])
    return files


@pytest.mark.slow
@pytest.mark.parametrize("name", ["reference-plant", "freeze-dryer"])
def test_two_processes_write_what_one_writes(
    name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for cores in (1, 2):
        monkeypatch.setattr("chamberctl.workers.os.cpu_count", lambda cores=cores: cores)
        main(["report", f"preset:{name}", "--out", str(tmp_path / str(cores))])
    alone, shared = written(tmp_path / "1"), written(tmp_path / "2")
    assert set(alone) == set(shared) >= {"report.html", "loop.json", "gains.csv", "study.toml"}
    assert alone == shared
