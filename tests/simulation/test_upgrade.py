"""Compiled code after an upgrade: a change anywhere in the package changes the results."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

import chamberctl
from chamberctl.plant.compiled import CACHE_VARIABLE

PACKAGE = Path(chamberctl.__file__).parent

#: A run whose start, load and output are given, so that only compiled code makes the pressures.
RUN = """
import json, sys
import numpy as np
import chamberctl as cc
from chamberctl.plant.compiled import cache_findings
from chamberctl.simulation.engine import Happenings, Start, compiled_run, simulate_loop
from chamberctl.simulation.prepared import memory_at

study = cc.load(sys.argv[1])
start = Start(np.array([2000.0, 1900.0, 1800.0, 5000.0]), 0.6, memory_at(0.6))
load = np.array([[0.0, 100.0]])
trace = simulate_loop(
    study.system, study.loop_gauge(), cc.PidSettings(kc=1e-9, scan_time_s=0.2), start,
    Happenings(10.0, np.array([2000.0]), load),
)
run = compiled_run()
print(json.dumps({
    "pressure": trace.pressure_pa[-1],
    "loaded": sum(run.stats.cache_hits.values()),
    "notes": [finding.text for finding in cache_findings()],
}))
"""


def run_in(folder: Path, cache: str) -> dict[str, Any]:
    """Run the script with the package that lies in a folder."""
    study = PACKAGE.parent / "presets" / "crystal-furnace.toml"
    environment = {**os.environ, "PYTHONPATH": str(folder), CACHE_VARIABLE: cache}
    done = subprocess.run(
        [sys.executable, "-c", RUN, str(study)], cwd=folder, env=environment, text=True,
        capture_output=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    found: dict[str, Any] = json.loads(done.stdout)
    return found


@pytest.mark.slow
def test_a_changed_constant_in_a_called_module_changes_the_trace(tmp_path: Path) -> None:
    """The cache is warm; the file of the compiled function itself is not touched."""
    shutil.copytree(PACKAGE, tmp_path / "chamberctl", ignore=shutil.ignore_patterns("__pycache__"))
    cache = tmp_path / "cache"
    first = run_in(tmp_path, str(cache))
    assert first["loaded"] == 0
    again = run_in(tmp_path, str(cache))
    assert again["loaded"] == 1
    assert again["pressure"] == first["pressure"]
    passages = tmp_path / "chamberctl" / "physics" / "passages.py"
    text = passages.read_text(encoding="utf-8")
    before, after = "SLIP_COEFFICIENT = 1.018", "SLIP_COEFFICIENT = 3.054"
    assert text.count(before) == 1
    passages.write_text(text.replace(before, after), encoding="utf-8")
    changed = run_in(tmp_path, str(cache))
    assert changed["loaded"] == 0
    assert abs(changed["pressure"] / first["pressure"] - 1.0) > 1e-9
    assert not changed["notes"]


@pytest.mark.slow
def test_without_a_folder_that_can_be_written_it_compiles_each_time_and_says_so(
    tmp_path: Path,
) -> None:
    nowhere = tmp_path / "file"
    nowhere.touch()
    for _ in range(2):
        found = run_in(PACKAGE.parent, str(nowhere / "cache"))
        assert found["loaded"] == 0
        assert "compiled anew" in found["notes"][0]
        assert str(nowhere / "cache") in found["notes"][0]
        assert CACHE_VARIABLE in found["notes"][0]
