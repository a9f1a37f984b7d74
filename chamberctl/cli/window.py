"""The command `window`: one study with all that hangs on it, or two side by side."""

from __future__ import annotations

import argparse
from dataclasses import dataclass
from typing import TYPE_CHECKING

from chamberctl.cli import text
from chamberctl.cli.progress import Progress
from chamberctl.errors import Infeasible

if TYPE_CHECKING:
    from chamberctl.control.influence import Influences
    from chamberctl.control.tuning import Tuning
    from chamberctl.findings import Finding
    from chamberctl.plant.handle import HandleVerdict
    from chamberctl.plant.window import OperatingWindow
    from chamberctl.study import Study


@dataclass(frozen=True)
class Whole:
    """The window of one study, the verdict on speed as a handle, and what it all hangs on."""

    study: Study
    window: OperatingWindow
    handle: HandleVerdict
    influence: Influences

    def show(self, as_json: bool) -> bool:
        """Print it; return whether the answer is good."""
        findings = self._findings()
        good = not any(f.severity == "no" for f in (*findings, *self.window.findings))
        if as_json:
            self._print_json(good)
        else:
            self._print(findings)
        return good

    def _findings(self) -> list[Finding]:
        from chamberctl.report import window_text

        return window_text.gathered(
            [f for f in self.window.findings if f.subject != "duty not reachable"]
            + window_text.point_findings(self.window.duty_points)
        )

    def _print_json(self, good: bool) -> None:
        from chamberctl.report import handle_text, influence_text, window_text

        answer = window_text.as_json(self.study, self.window)
        answer |= {
            "handle": handle_text.as_json(self.handle),
            "influence": influence_text.as_json(self.influence),
        }
        print(text.as_json({"good": good, **answer}))

    def _print(self, findings: list[Finding]) -> None:
        from chamberctl.report import handle_text, influence_text, window_text
        from chamberctl.report.tables import as_text

        study = self.study
        print(f"{study.title or study.file}\n")
        print_window_text(study, self.window)
        for make in (window_text.reach, window_text.points, window_text.answers,
                     window_text.booster):  # fmt: skip
            table = make(study, self.window)
            if table.rows:
                print(f"\n{as_text(table)}")
        if findings:
            print(f"\nFindings\n{text.findings(findings)}")
        print("\nIs speed the right handle?")
        print(text.paragraph(handle_text.lead(self.handle)))
        print(text.findings(self.handle.reasons))
        print(f"\n{as_text(handle_text.table(study, self.handle))}")
        for line in handle_text.notes(self.handle):
            print(text.paragraph(f"- {line}", "  "))
        print("\nWhat the answer hangs on")
        for line in influence_text.text(self.influence):
            print(text.paragraph(line))
        if self.influence.rows:
            print(text.paragraph(influence_text.nominal(self.influence)))
            print(f"\n{as_text(influence_text.table(self.influence))}")
        print(f"\n{text.caution_lines()}")


def whole(study: Study, window: OperatingWindow, tuning: Tuning | Infeasible | None) -> Whole:
    """Gather all that the command shows of one study."""
    from chamberctl.control.influence import influences
    from chamberctl.plant.handle import handle_verdict

    settings = None if isinstance(tuning, Infeasible) else tuning
    points = window.duty_points
    return Whole(study, window, handle_verdict(study, points), influences(study, settings, points))


def print_window_text(study: Study, window: OperatingWindow) -> None:
    """Print the window in words, and the points out of reach."""
    from chamberctl.report import verdict, window_text

    for line in window_text.text(study, window):
        print(text.paragraph(line))
    blocked = [(i, p) for i, p in enumerate(window.duty_points, start=1) if not p.feasible]
    for line in verdict.unreachable(blocked, every=True):
        print(text.paragraph(f"- {line}", "  "))


def comparison(arguments: argparse.Namespace) -> bool:
    """Compare two studies; good if the second holds every duty point of the first."""
    from chamberctl.plant.comparison import compare
    from chamberctl.report import comparison_text
    from chamberctl.report.tables import as_text
    from chamberctl.study import load

    with Progress() as progress:
        first, second = load(arguments.study), load(arguments.second)
        progress.step("computing both windows")
        found = compare(first, second)
    seconds = [pair.second for pair in found.points]
    good = all(
        point.feasible and not any(finding.severity == "no" for finding in point.findings)
        for point in seconds
    )
    if arguments.json:
        print(text.as_json({"good": good, **comparison_text.as_json(found)}))
        return good
    print(f"First:  {found.titles[0]}\nSecond: {found.titles[1]}\n")
    for line in found.text:
        print(text.paragraph(f"- {line}", "  "))
    for table in (
        comparison_text.reach(first, found),
        comparison_text.points(first, found),
        comparison_text.changes(found),
    ):
        if table.rows:
            print(f"\n{as_text(table)}")
    print(f"\n{text.caution_lines()}")
    return good
