"""Breaking any formula by 2 % fails a test; minutes, so it is not part of the fast suite."""

from __future__ import annotations

import subprocess
import sys

import pytest

from tests import mutation

#: A few seconds each; the others run for up to minutes with all their mutants, by hand.
SHORT = ("physics.constants", "physics.chamber", "physics.loads", "physics.transpiration")


@pytest.mark.parametrize(
    "module",
    [
        pytest.param(name, marks=pytest.mark.slow if name in SHORT else pytest.mark.thorough)
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
