"""The command `rules`: every published rule on one study, side by side."""

from __future__ import annotations

import argparse

from chamberctl.cli import text
from chamberctl.cli.progress import Progress
from chamberctl.cli.tuned import tuned


def rules(arguments: argparse.Namespace) -> bool:
    """Compare published rules; good if the recommended settings keep the duty's limits."""
    from chamberctl.report import rules_text
    from chamberctl.report.tables import as_text
    from chamberctl.study import load

    with Progress() as progress:
        study = load(arguments.study)
        tuning = tuned(study, progress)
        from chamberctl.control.rule_comparison import compare_rules

        progress.step("checking what every published rule gives")
        found = compare_rules(study, tuning)
    good = found.rows[0].holds
    if arguments.json:
        print(text.as_json({"title": study.title, "good": good, **rules_text.as_json(found)}))
        return good
    print(f"{study.title or study.file}: published rules\n")
    print(text.paragraph(rules_text.lead(found)))
    print(f"\n{as_text(rules_text.table(found))}\n")
    for line in (*rules_text.text(found), *rules_text.sources(found)):
        print(text.paragraph(f"- {line}", "  "))
    print(f"\n{text.caution_lines()}")
    return good
