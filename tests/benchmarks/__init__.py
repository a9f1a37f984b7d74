"""Benchmarks: run all of them with ``python -m tests.benchmarks``, and ``--json FILE``.

A benchmark is a module ``bench_NAME.py`` with a function ``run()``. It returns
``{"name": ..., "results": [Result, ...]}``, a `Result` for each number it measures.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Result:
    """One measured number; `target` in words, `holds` None where there is none."""

    quantity: str
    value: float
    unit: str
    target: str = ""
    holds: bool | None = None
