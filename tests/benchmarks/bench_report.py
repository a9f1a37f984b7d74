"""How long `chamberctl report` takes on each preset: the first run after installation, and later.

The first run is made with a copy of the package that has never been run: nothing compiled, no
caches.
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

from chamberctl.study import presets

CHECKOUT = Path(__file__).resolve().parent.parent.parent
LIMITS_S = {"first": 20.0, "later": 5.0}
LATER_RUNS = 3


def fresh_copy(folder: Path) -> Path:
    """Copy the package without anything that an earlier run left behind."""
    forget = shutil.ignore_patterns("__pycache__", "*.pyc", "*.nbi", "*.nbc")
    for name in ("chamberctl", "presets", "app"):
        shutil.copytree(CHECKOUT / name, folder / name, ignore=forget)
    shutil.copy(CHECKOUT / "pyproject.toml", folder)
    return folder


def seconds(installed: Path, home: Path, name: str, out: Path) -> float:
    """Time one run of the command in a process of its own [s]."""
    caches = {
        "HOME": home,
        "USERPROFILE": home,
        "LOCALAPPDATA": home / "local",
        "XDG_CACHE_HOME": home / ".cache",
        "MPLCONFIGDIR": home / "matplotlib",
        "PYTHONPATH": installed,
    }
    environment = {**os.environ, **{key: str(value) for key, value in caches.items()}}
    command = [sys.executable, "-m", "chamberctl.cli", "report", f"preset:{name}"]
    start = time.perf_counter()
    subprocess.run(
        [*command, "--out", str(out)],
        cwd=home,
        env=environment,
        check=True,
        capture_output=True,
    )
    return time.perf_counter() - start


def run() -> dict[str, Any]:
    """Time the report on every preset.

    Returns
    -------
    dict
        ``{"name", "limits_s", "results": {preset: {"first_s", "later_s"}}, "passed"}``; ``later_s``
        is the median of the later runs.
    """
    results: dict[str, dict[str, float]] = {}
    for name in presets():
        with tempfile.TemporaryDirectory() as scratch:
            home = Path(scratch, "home")
            home.mkdir()
            installed = Path(scratch, "installed")
            installed.mkdir()
            fresh_copy(installed)
            out = Path(scratch, "out")
            first = seconds(installed, home, name, out)
            later = sorted(seconds(installed, home, name, out) for _ in range(LATER_RUNS))
            results[name] = {"first_s": first, "later_s": later[LATER_RUNS // 2]}
    passed = all(
        row["first_s"] <= LIMITS_S["first"] and row["later_s"] <= LIMITS_S["later"]
        for row in results.values()
    )
    return {"name": "report", "limits_s": LIMITS_S, "results": results, "passed": passed}


if __name__ == "__main__":
    print(json.dumps(run(), indent=2))
