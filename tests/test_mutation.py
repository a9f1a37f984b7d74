"""Breaking any formula by 2 % fails a test; minutes, so it is not part of the fast suite."""

from __future__ import annotations

import subprocess
import sys

import pytest

from tests import mutation

#: Their tests run for a quarter of a minute to minutes with all mutants.
LONG = (
    "physics.passages", "physics.pumps", "plant.sensitivity", "control.rules", "control.step_rules",
    "control.frequency_rules", "control.controller", "control.margins", "control.frequency",
    "control.gain_gaps", "control.crossing_limits", "control.loop_excess", "control.calmness",
)  # fmt: skip


@pytest.mark.parametrize(
    "module",
    [
        pytest.param(name, marks=pytest.mark.thorough if name in LONG else pytest.mark.slow)
        for name in mutation.SUITES
    ],
)
def test_no_formula_can_be_broken_unnoticed(module: str) -> None:
    """In a process of its own: workers that others have started have the package loaded already."""
    run = subprocess.run(
        [sys.executable, "-m", "tests.mutation", module],
        capture_output=True, text=True, check=False, cwd=mutation.CHECKOUT,
    )  # fmt: skip
    assert run.returncode == 0, run.stdout + run.stderr


def test_the_script_finds_what_it_breaks() -> None:
    mutants = mutation.mutants_of("physics.chamber")
    assert [mutant.what for mutant in mutants] == ["returned value"]
    assert mutation.broken((1.0, "a", None, 2)) == (1.02, "a", None, 2)
