"""The answer at the head of the report: yes or no, and what it rests on."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from chamberctl.cautions import GAS_ADVICE
from chamberctl.control.left_settings import left_otherwise
from chamberctl.errors import Infeasible
from chamberctl.report import behavior_text, margins_text, study_text, window_text
from chamberctl.report.drawings import join_words

if TYPE_CHECKING:
    from chamberctl.control.tuning import Tuning
    from chamberctl.plant.point import OperatingPoint
    from chamberctl.plant.window import OperatingWindow
    from chamberctl.simulation.days import Day
    from chamberctl.study import Study

#: Findings that say in other words that a duty point is not reachable.
_SAID = ("not reachable", "duty not reachable")
_MOST = 4
_LEFT = (
    "These settings hold, but the controller was left with others that do not: as it stands, the "
    "loop must not run."
)


@dataclass(frozen=True)
class Verdict:
    """The answer.

    Parameters
    ----------
    good : bool
        Whether it is yes.
    lead : str
        The answer in one sentence or two.
    points : tuple of str
        Reasons, the worst point and what is assumed.
    """

    good: bool
    lead: str
    points: tuple[str, ...]


def verdict(
    study: Study,
    tuning: Tuning | Infeasible,
    window: OperatingWindow,
    days: Sequence[Day] = (),
) -> Verdict:
    """Return the answer to whether one set of gains serves the whole duty.

    Parameters
    ----------
    study : Study
    tuning : Tuning or Infeasible
    window : OperatingWindow
    days : sequence of Day
        Scenarios that were run; one that breaks a limit of the duty makes the answer a no.
    """
    blocked = [(i, p) for i, p in enumerate(window.duty_points, start=1) if not p.feasible]
    reasons = unreachable(blocked)
    total = len(window.duty_points)
    if isinstance(tuning, Infeasible):
        lead = (
            f"No settings are given: none of the {total} duty points can be held by speed."
            if len(blocked) == total
            else f"No settings are given: {tuning.reason} {tuning.nearest}".strip()
        )
        return Verdict(False, lead, tuple(reasons))
    broken = [
        f"Point {label} ({point.point.where}) fails: {', '.join(names)}."
        for label, point in zip(margins_text.labels(tuning), tuning.points, strict=True)
        if (names := margins_text.fails(study, point.margins))
    ]
    noes = [
        f"{f.subject[:1].upper()}{f.subject[1:]}: {f.text}"
        for f in window_text.gathered((*tuning.findings, *window.findings))
        if f.severity == "no" and f.subject not in (*_SAID, "margins", "stability")
    ]
    bases = study_text.bases(study)
    assumed = (
        f"Assumed values it rests on: {bases[study_text.ASSUMED]} typed and "
        f"{bases[study_text.DEFAULT]} where the study is silent. "
        "Section 2 of the report marks them."
    )
    bad_days = behavior_text.broken(study, days)
    left = left_otherwise(study, tuning)
    points = (
        *([left.text] if left else []), *few(broken), *reasons, *noes, *few(bad_days),
        margins_text.text(study, tuning), assumed,
    )  # fmt: skip
    if tuning.holds and not bad_days and left is not None and not left.holds:
        return Verdict(False, _LEFT, points)
    if tuning.holds and not bad_days:
        limits = join_words(margins_text.limits_in_words(study))
        return Verdict(
            True, f"These settings hold at all {total} duty points. Limits kept: {limits}.", points
        )
    failing = sum(not day.holds for day in days)
    return Verdict(False, _no(len(blocked), len(broken), total, failing), points)


def _no(blocked: int, broken: int, total: int, failing: int = 0) -> str:
    """Return the no in one sentence."""
    parts = []
    if blocked:
        parts.append(f"{blocked} of {total} duty points cannot be held by speed")
    if broken:
        parts.append(f"{broken} of {total} do not keep the margins asked for")
    if failing:
        runs = "1 simulated run does" if failing == 1 else f"{failing} simulated runs do"
        parts.append(f"{runs} not keep the limits on overshoot, settling and the like")
    if not parts:
        return "These settings must not be used as they are; the reasons follow."
    return f"The duty cannot be met as stated: {join_words(parts)}."


def few(lines: Sequence[str]) -> list[str]:
    """Return the first few lines and how many more there are."""
    if len(lines) <= _MOST:
        return list(lines)
    return [*lines[: _MOST - 1], f"{len(lines) - _MOST + 1} more; the tables below name them."]


def unreachable(blocked: Sequence[tuple[int, OperatingPoint]], *, every: bool = False) -> list[str]:
    """Return why numbered points cannot be held and what is nearest; the advice on gas once.

    Parameters
    ----------
    blocked : sequence of (int, OperatingPoint)
        Points without steady state, with their numbers.
    every : bool
        Name all of them instead of the first few.
    """
    lines = []
    for number, point in blocked:
        nearest = point.nearest.replace(GAS_ADVICE, "").strip()
        lines.append(f"Point {number}: {point.reason} {nearest}".strip())
    shown = lines if every else few(lines)
    advice = any(GAS_ADVICE in point.nearest for _, point in blocked)
    return [*shown, GAS_ADVICE] if advice else shown
