"""Benches of the presets, each made once."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache

import pytest

import chamberctl as cc
from chamberctl.control.designs import simc_design
from chamberctl.control.duty_loops import duty_loops
from chamberctl.control.tuning import assessed
from chamberctl.workbench.candidates import Bench


@cache
def _bench(preset: str) -> Bench:
    """Make a bench on which the study's own settings are those of a rule, which is quick."""
    loops = duty_loops(cc.load(f"preset:{preset}"))
    return Bench(loops, assessed(loops, simc_design(loops)))


@pytest.fixture(scope="session")
def bench_of() -> Callable[[str], Bench]:
    return _bench


@pytest.fixture(scope="session")
def bench(bench_of: Callable[[str], Bench]) -> Bench:
    return bench_of("reference-plant")
