"""What all tests share: the record of comparisons with reference tables."""

from __future__ import annotations

import gc
from pathlib import Path
from typing import Any

import pytest
from hypothesis import settings

from chamberctl.memory import collect_rarely
from tests import validation as validation_page

# A busy machine is no failure, so there are no deadlines. Where CI is set, Hypothesis has a profile
# of its own that repeats the same examples.
if settings.get_current_profile_name() == "default":
    settings.register_profile("house", deadline=None)
    settings.load_profile("house")


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption(
        "--write-validation",
        metavar="PATH",
        default=None,
        help="write docs/reference/validation.md from the comparisons of a complete, passing run",
    )


def pytest_configure(config: pytest.Config) -> None:
    config.pluginmanager.register(_Records(config), "chamberctl-validation-records")


def pytest_collection_finish() -> None:
    """What was collected stays to the end: Python need not look through it for garbage."""
    collect_rarely()
    gc.freeze()


@pytest.fixture
def validation(request: pytest.FixtureRequest) -> validation_page.Validation:
    """Compare with a reference table.

    ``validation.check(table, quantity, expected, computed, rel=...)`` asserts, and records one line
    of docs/reference/validation.md. Comparisons belong to the fast suite, because the page is
    written from one run of it.
    """
    for marker in ("slow", "browser", "thorough"):
        if request.node.get_closest_marker(marker):
            pytest.fail(f"'validation' is for the fast suite; this test is marked {marker}")
    test = request.node.nodeid.partition("[")[0]
    return validation_page.Validation(test, request.node.user_properties)


class _Records:
    """Collects the records of all reports; with pytest-xdist they arrive in the main process."""

    def __init__(self, config: pytest.Config) -> None:
        target = config.getoption("--write-validation")
        self._target = Path(config.invocation_params.dir, target) if target else None
        self._is_worker = hasattr(config, "workerinput")
        self._records: list[dict[str, Any]] = []

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        if report.when == "call":
            self._records += [
                value for key, value in report.user_properties if key == validation_page.PROPERTY
            ]

    def pytest_sessionfinish(self, exitstatus: int) -> None:
        if self._target and not self._is_worker and exitstatus == pytest.ExitCode.OK:
            validation_page.write(self._target, self._records)
