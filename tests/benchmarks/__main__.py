"""Run every benchmark, print one table, write JSON with ``--json FILE``."""

from __future__ import annotations

import argparse
import importlib
import json
import platform
import sys
from dataclasses import asdict
from pathlib import Path

from tests.benchmarks import Result


def main() -> int:
    """Return 0 where all targets hold, else 1."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks", description=__doc__)
    parser.add_argument("--json", metavar="FILE", type=Path, help="write all numbers to this file")
    parser.add_argument("names", nargs="*", help="only these, such as 'margins'")
    wanted = parser.parse_args()
    files = sorted(Path(__file__).parent.glob("bench_*.py"))
    names = [file.stem.removeprefix("bench_") for file in files]
    unknown = sorted(set(wanted.names) - set(names))
    if unknown:
        parser.error(f"no benchmark '{unknown[0]}'; there are: {', '.join(names)}")
    found = []
    for name in names:
        if not wanted.names or name in wanted.names:
            print(f"running {name} ...", file=sys.stderr, flush=True)
            found.append(importlib.import_module(f"tests.benchmarks.bench_{name}").run())
    for benchmark in found:
        print(f"\n{benchmark['name']}")
        for result in benchmark["results"]:
            print(_line(result))
    if wanted.json:
        wanted.json.write_text(json.dumps(_document(found), indent=2) + "\n", encoding="utf-8")
    missed = [r for benchmark in found for r in benchmark["results"] if r.holds is False]
    return 1 if missed else 0


def _line(result: Result) -> str:
    verdict = {True: "holds", False: "MISSED", None: ""}[result.holds]
    value = f"{result.value:.4g} {result.unit}"
    return f"  {result.quantity:<58} {value:>16}  {result.target:<16} {verdict}".rstrip()


def _document(found: list[dict]) -> dict:
    return {
        "python": platform.python_version(),
        "machine": platform.machine(),
        "benchmarks": [
            {"name": one["name"], "results": [asdict(result) for result in one["results"]]}
            for one in found
        ],
    }


if __name__ == "__main__":
    sys.exit(main())
