"""What the command `simulate` prints, for people and for other programs."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from chamberctl.cli import text
from chamberctl.cli.tried import Tried, title_of
from chamberctl.report import behavior_text, draws_text, run_text
from chamberctl.report.tables import as_text

if TYPE_CHECKING:
    from chamberctl.control.tuned import Tuning
    from chamberctl.study import Study


def print_runs(
    study: Study, tuning: Tuning, tried: Sequence[Tried], good: bool, *, noise: bool
) -> None:
    """Print runs for people: every metric of a single one, a table of several, then the draws."""
    found = [one.day for one in tried]
    ran = [one for one in tried if one.day.run is not None]
    print(f"{study.title or study.file}: {run_text.answer(found, good)}\n")
    if not tuning.holds:
        print(text.paragraph(run_text.UNFIT))
    if ran:
        print(text.paragraph(behavior_text.judgment(study, found)))
    else:
        print("Nothing was run.")
    for line in behavior_text.broken(study, found):
        print(text.paragraph(f"- {line}", "  "))
    if len(ran) > 1:
        print(f"\n{as_text(behavior_text.table(study, found, 'Metrics of the runs'))}")
    for one in ran:
        assert one.day.run is not None
        if len(ran) > 1 and one.draws is None:
            continue
        print(f"\n{title_of(study, one.day)}\n{text.paragraph(one.day.scenario.sentence)}")
        if len(ran) == 1:
            print(f"\n{as_text(run_text.table(study, one.day.run))}")
            if one.day.run.findings:
                print(f"\nFindings\n{text.findings(one.day.run.findings)}")
        if one.draws is not None:
            _print_draws(study, one, noise=noise)
    if len(ran) > 1 and (findings := behavior_text.findings(study, found)):
        print(f"\nFindings\n{text.findings(findings)}")
    if refusals := behavior_text.refusals(found):
        print("\nWhat cannot happen here")
        for line in refusals:
            print(text.paragraph(f"- {line}", "  "))
    _print_files(tried)
    print(f"\n{text.caution_lines()}")


def _print_files(tried: Sequence[Tried]) -> None:
    """Say what was written where."""
    paths = [path for one in tried for path in one.files]
    for folder in dict.fromkeys(path.parent for path in paths):
        print(f"\nWritten to {folder.resolve()}:")
        for path in paths:
            if path.parent == folder:
                print(f"  {path.name}")


def _print_draws(study: Study, one: Tried, *, noise: bool) -> None:
    assert one.draws is not None
    assert one.day.run is not None
    print()
    for line in draws_text.draws_text(study, one.draws):
        print(text.paragraph(line))
    if one.draws.runs:
        table = draws_text.draws_table(study, one.day.run.metrics, one.draws, noise=noise)
        print(f"\n{as_text(table)}")
    if one.draws.findings:
        print(text.findings(one.draws.findings))


def print_json(study: Study, tuning: Tuning, tried: Sequence[Tried], good: bool) -> None:
    """Print runs for other programs."""
    runs = []
    for one in tried:
        day = one.day
        runs.append({
            "scenario": day.scenario.name,
            "title": day.scenario.title,
            "point": behavior_text.label(study, day.point.where),
            "where": day.point.where,
            "happens": day.run is not None,
            "refusal": day.refusal or None,
            "good": one.good,
            **({} if day.run is None else run_text.run_json(day.run)),
            "draws": None if one.draws is None else draws_text.draws_json(one.draws),
            "files": [str(path) for path in one.files],
        })  # fmt: skip
    print(text.as_json({
        "title": study.title, "good": good, "margins_hold": tuning.holds, "runs": runs,
    }))  # fmt: skip
