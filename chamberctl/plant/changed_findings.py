"""Which findings one window has and another one has not, in plain words."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import TYPE_CHECKING

from chamberctl.findings import Finding

if TYPE_CHECKING:
    from chamberctl.plant.point import OperatingPoint
    from chamberctl.plant.window import OperatingWindow

_TOLD_ELSEWHERE = ("duty not reachable", "no steady state", "speed has little effect")
"""A comparison says at each point what becomes of these."""

_NUMBER = re.compile(r"\d+(?:\.\d+)?(?:e[-+]?\d+)?")


def changed_findings(first: OperatingWindow, second: OperatingWindow) -> tuple[str, ...]:
    """Say which findings appear or vanish from one window to another over the same duty.

    Parameters
    ----------
    first, second : OperatingWindow
        The windows; their duty points belong together.

    Returns
    -------
    tuple of str
        First what is new in the second, in full; then what it no longer has, by subject. Findings
        on the window as a whole that differ in their numbers alone are the same; of single points
        cautions and noes count, one line per subject.
    """
    new = [*_window(first, second), *_points(first, second)]
    gone = [*_window(second, first), *_points(second, first)]
    return (
        *(f"New in the second{where}: {found.severity}: {found.text}" for where, found in new),
        *(f"No longer in the second{where}: {found.subject}." for where, found in gone),
    )


def _window(before: OperatingWindow, after: OperatingWindow) -> Iterator[tuple[str, Finding]]:
    known = {_without_numbers(finding) for finding in before.findings}
    for finding in after.findings:
        if finding.subject not in _TOLD_ELSEWHERE and _without_numbers(finding) not in known:
            yield "", finding


def _points(before: OperatingWindow, after: OperatingWindow) -> Iterator[tuple[str, Finding]]:
    found: dict[str, tuple[list[int], Finding]] = {}
    pairs = zip(before.duty_points, after.duty_points, strict=True)
    for label, (old, now) in enumerate(pairs, start=1):
        if not (old.feasible and now.feasible):
            continue
        known = {finding.subject for finding in _weighty(old)}
        for finding in _weighty(now):
            if finding.subject not in known:
                found.setdefault(finding.subject, ([], finding))[0].append(label)
    for labels, finding in found.values():
        listed = ", ".join(map(str, labels))
        yield f" at point{'s' if len(labels) > 1 else ''} {listed}", finding


def _weighty(point: OperatingPoint) -> Iterator[Finding]:
    for finding in point.findings:
        told = finding.subject in _TOLD_ELSEWHERE or bool(point.limited_by)
        if finding.severity != "note" and not told:
            yield finding


def _without_numbers(finding: Finding) -> tuple[str, str, str]:
    return finding.severity, finding.subject, _NUMBER.sub("#", finding.text)
