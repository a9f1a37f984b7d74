"""The command `convert`: the same settings for another form, other units, spans or registers."""

from __future__ import annotations

import argparse
from typing import Any

from chamberctl.cli import text
from chamberctl.cli.arguments import UsageError
from chamberctl.cli.progress import Progress
from chamberctl.cli.tuned import tuned

WORDS = (
    "form", "gain_as", "integral_as", "derivative_as", "filter_as", "reading_unit", "output_unit",
)  # fmt: skip
"""Options that are fields of the controller's table."""

PARTS = ("gain", "integral", "derivative", "filter")


def convert(arguments: argparse.Namespace) -> bool:
    """Write settings for a changed controller; good if nothing found says no."""
    from chamberctl.control.retyping import retype
    from chamberctl.study import load

    changes = _changes(arguments)
    with Progress() as progress:
        study, recorded = load(arguments.study), arguments.settings.replace("-", "_")
        if arguments.set and recorded != "tuned":
            raise UsageError("--set gives the settings: leave out --settings")
        progress.step("loading the control library")
        source: Any = recorded
        if arguments.set:
            from chamberctl.control.found import settings_from

            source = settings_from(study, _typed(arguments.set), "--set")
        elif recorded == "tuned":
            source = tuned(study, progress)
        progress.step("converting, and checking every duty point")
        found = retype(study, source, changes)
    from chamberctl.control.forms import ACTION_SENTENCE
    from chamberctl.report import gains_text, retyped_text
    from chamberctl.report.tables import as_text

    if arguments.json:
        answer = {"title": study.title, "good": found.good, **retyped_text.as_json(found)}
        print(text.as_json(answer))
        return found.good
    print(f"{study.title or study.file}: {'YES' if found.good else 'NO'}\n")
    print(text.paragraph(found.origin))
    print(f"\n{ACTION_SENTENCE}")
    if found.tuning is not None:
        for number, step in enumerate(found.tuning.check_steps, start=1):
            print(text.paragraph(f"{number}. {step}", "   "))
    print(f"\n{as_text(retyped_text.table(found))}\n")
    for name, value in retyped_text.spans(found):
        print(text.paragraph(f"{name}: {value}", "    "))
    notations, notes = gains_text.notations_table(found.notations)
    print(f"\n{as_text(notations, 90)}\n")
    print(text.paragraph(notes))
    if found.findings:
        print(f"\nFindings\n{text.findings(found.findings)}")
    print(f"\n{text.caution_lines()}")
    return found.good


def _changes(arguments: argparse.Namespace) -> dict[str, Any]:
    """Fields of the controller's table that the options change."""
    found: dict[str, Any] = {
        word: getattr(arguments, word) for word in WORDS if getattr(arguments, word) is not None
    }
    for option in ("reading", "output"):
        span = getattr(arguments, f"{option}_span")
        if span is not None:
            found[f"{option}_low"], found[f"{option}_high"] = span
    if arguments.decimals is not None:
        found |= {
            f"decimals.{part}": places
            for part, places in zip(PARTS, arguments.decimals, strict=True)
        }
    if arguments.registers is not None:
        kind, *scales = arguments.registers
        found["integers.kind"] = kind
        found |= {f"integers.{part}": scale for part, scale in zip(PARTS, scales, strict=True)}
    return found


def _typed(entries: list[str]) -> dict[str, str]:
    typed = {}
    for entry in entries:
        name, equals, value = entry.partition("=")
        if not equals or not name.strip() or not value.strip():
            raise UsageError(f"--set needs NAME=NUMBER, such as gain=2; given '{entry}'")
        if name.strip() in typed:
            raise UsageError(f"--set gives {name.strip()} twice; keep one")
        typed[name.strip()] = value.strip()
    return typed
