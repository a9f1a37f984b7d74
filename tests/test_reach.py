"""What reference tables vouch for is what the command line runs: no formula beside the product."""

from __future__ import annotations

import importlib
import json
import subprocess
import sys
from pathlib import Path
from types import CodeType, FunctionType, ModuleType
from typing import Any

import pytest

TESTS = Path(__file__).resolve().parent

#: Floors whose functions count.
FLOORS = ("chamberctl.physics", "chamberctl.plant", "chamberctl.control")

#: Definitions that the product writes together with units; their tests compare both ways.
TOGETHER = {
    ("chamberctl.control.conversions", "engineering_gain"),
    ("chamberctl.control.conversions", "parallel_from_ideal"),
}

RUN = """
import json, pathlib, sys, threading

seen = set()

def watch(frame, event, _argument):
    if event == "call":
        module = frame.f_globals.get("__name__", "")
        if module.startswith("chamberctl."):
            seen.add((module, frame.f_code.co_qualname))

from chamberctl.cli import main

threading.setprofile(watch)
sys.setprofile(watch)
folder = sys.argv[1]
main(["check", "preset:crystal-furnace"])
main(["report", "preset:reference-plant", "--out", f"{folder}/reference-plant"])
main(["rules", "preset:crystal-furnace"])
for name in ("crystal-furnace", "heat-treatment-furnace", "freeze-dryer"):
    main(["window", f"preset:{name}"])
main(["check", "--self-test"])
main(["presets", "copy", "reference-plant", f"{folder}/study.toml"])
study = pathlib.Path(folder, "study.toml").read_text(encoding="utf-8")
for form, gain in (("series", "proportional band"), ("parallel", "engineering")):
    other = study.replace('form = "ideal"', f'form = "{form}"')
    other = other.replace('gain_as = "gain"', f'gain_as = "{gain}"')
    pathlib.Path(folder, f"{form}.toml").write_text(other, encoding="utf-8")
    main(["tune", f"{folder}/{form}.toml"])
sys.setprofile(None)
print("reached:" + json.dumps(sorted(seen)))
"""


def called_by_reference_tests() -> dict[tuple[str, str], str]:
    """Functions of the package that tests with the `validation` fixture call, and one such test."""
    found: dict[tuple[str, str], str] = {}
    for path in sorted(TESTS.rglob("test_*.py")):
        if "validation" not in path.read_text(encoding="utf-8") or path.parent.name == "browser":
            continue
        name = ".".join(("tests", *path.relative_to(TESTS).with_suffix("").parts))
        module = importlib.import_module(name)
        for test in vars(module).values():
            if not isinstance(test, FunctionType) or not test.__name__.startswith("test_"):
                continue
            if {"validation", "check"} & set(
                test.__code__.co_varnames[: test.__code__.co_argcount]
            ):
                for key in _called(test):
                    found.setdefault(key, f"{name}.{test.__name__}")
    return found


def _called(test: FunctionType) -> set[tuple[str, str]]:
    """Follow a test through the helpers of the tests to the package's functions."""
    found: set[tuple[str, str]] = set()
    done: set[FunctionType] = set()
    waiting = [test]
    while waiting:
        function = waiting.pop()
        if function in done:
            continue
        done.add(function)
        for used in _named(function.__code__, function.__globals__):
            if used.__module__.startswith(FLOORS):
                found.add((used.__module__, used.__qualname__))
            elif used.__module__.startswith("tests."):
                waiting.append(used)
    return found


def _named(code: CodeType, names: dict[str, Any]) -> list[FunctionType]:
    """Functions that a piece of code names, directly or as `module.function`."""
    codes = [code]
    for part in codes:
        codes += [inner for inner in part.co_consts if isinstance(inner, CodeType)]
    words = {word for part in codes for word in part.co_names}
    values = [names.get(word) for word in words]
    for module in [value for value in values if isinstance(value, ModuleType)]:
        if module.__name__.startswith("chamberctl"):
            values += [vars(module).get(word) for word in words]
    return [
        getattr(value, "__wrapped__", value)
        for value in values
        if isinstance(getattr(value, "__wrapped__", value), FunctionType)
    ]


@pytest.mark.slow
def test_every_function_a_reference_test_calls_is_reached_from_the_command_line(tmp_path):
    run = subprocess.run(
        [sys.executable, "-c", RUN, str(tmp_path)],
        capture_output=True,
        text=True,
        check=True,
        cwd=TESTS.parent,
    )
    line = next(line for line in run.stdout.splitlines() if line.startswith("reached:"))
    reached = {(module, name) for module, name in json.loads(line.removeprefix("reached:"))}
    called = {k: v for k, v in called_by_reference_tests().items() if k not in TOGETHER}
    assert len(called) >= 15
    missing = {f"{m}.{n}": test for (m, n), test in called.items() if (m, n) not in reached}
    assert not missing, "\n".join(f"{name} in {test}" for name, test in missing.items())
