"""How long `chamberctl report` takes on each preset: the first run after installation, and later.

The first run is made with a copy of the package that has never been run: no caches, and compiled
no further than installing it does, which turns the modules into Python's bytecode.
"""

from __future__ import annotations

import compileall
import os
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

from chamberctl.plant.compiled import CACHE_VARIABLE
from chamberctl.study import presets
from tests.benchmarks import Result

CHECKOUT = Path(__file__).resolve().parent.parent.parent
LIMITS_S = {"first": 20.0, "later": 5.0}
LATER_RUNS = 3


def fresh_copy(folder: Path) -> Path:
    """Copy the package as it is installed, without anything that an earlier run left behind."""
    forget = shutil.ignore_patterns("__pycache__", "*.pyc", "*.nbi", "*.nbc")
    for name in ("chamberctl", "presets", "app"):
        shutil.copytree(CHECKOUT / name, folder / name, ignore=forget)
    shutil.copy(CHECKOUT / "pyproject.toml", folder)
    compileall.compile_dir(folder, quiet=1)
    return folder


def seconds(installed: Path, home: Path, name: str, out: Path) -> tuple[float, float]:
    """Time one run of the command in its own process: by the clock, and of the processor [s]."""
    caches = {
        "HOME": home,
        "USERPROFILE": home,
        "LOCALAPPDATA": home / "local",
        "XDG_CACHE_HOME": home / ".cache",
        "MPLCONFIGDIR": home / "matplotlib",
        "PYTHONPATH": installed,
        CACHE_VARIABLE: home / "compiled",
    }
    environment = {**os.environ, **{key: str(value) for key, value in caches.items()}}
    command = [sys.executable, "-m", "chamberctl", "report", f"preset:{name}", "--out", str(out)]
    before, start = os.times(), time.perf_counter()
    done = subprocess.run(command, cwd=home, env=environment, capture_output=True, check=False)
    taken, after = time.perf_counter() - start, os.times()
    if done.returncode not in (0, 1):  # a preset may say no
        raise RuntimeError(done.stderr.decode())
    work = after.children_user + after.children_system
    return taken, work - before.children_user - before.children_system


def run() -> dict[str, Any]:
    """Time the report on every preset; of the later runs the shortest counts, as other work adds.

    Returns
    -------
    dict
        Name and results.
    """
    results = []
    for name in presets():
        with tempfile.TemporaryDirectory() as scratch:
            home, installed = Path(scratch, "home"), Path(scratch, "installed")
            home.mkdir()
            installed.mkdir()
            fresh_copy(installed)
            out = Path(scratch, "out")
            first = seconds(installed, home, name, out)
            later = min(seconds(installed, home, name, out) for _ in range(LATER_RUNS))
        for which, (taken, work) in (("first", first), ("later", later)):
            limit = LIMITS_S[which]
            results += [
                Result(f"{name}: {which} run", taken, "s", f"at most {limit:g} s", taken <= limit),
                Result(f"{name}: {which} run, of the processor", work, "s"),
            ]
    return {"name": "chamberctl report", "results": results}
