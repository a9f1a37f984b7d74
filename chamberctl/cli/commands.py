"""What each command does; every function returns whether the answer is good."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING, Any

from chamberctl.cli import text
from chamberctl.cli.arguments import UsageError
from chamberctl.cli.progress import Progress
from chamberctl.cli.tuned import tuned_or_refused
from chamberctl.errors import Infeasible, InputError

if TYPE_CHECKING:
    from chamberctl.plant.window import OperatingWindow
    from chamberctl.study import Study


def _window(study: Study, progress: Progress) -> OperatingWindow:
    from chamberctl.plant.window import operating_window

    progress.step("computing the operating window")
    return operating_window(study)


def simulating(progress: Progress, what: str) -> None:
    """Say that simulation begins; before the first run ever, that it has to be compiled."""
    from chamberctl.plant.compiled import is_kept
    from chamberctl.simulation.core import run

    first = "" if is_kept(run) else "compiling, once per installation; then "
    progress.step(f"{first}simulating {what}")


def check(arguments: argparse.Namespace) -> bool:
    """Read a study; say what it rests on and whether gauge and window fit its duty."""
    if arguments.self_test:
        if arguments.study is not None:
            raise UsageError("--self-test checks this machine and takes no study")
        from chamberctl.cli.self_test import self_test

        return self_test(arguments.json)
    if arguments.study is None:
        raise UsageError("give a study file, preset:NAME or --self-test\ntry: chamberctl presets")
    from chamberctl.cli.window import print_window_text
    from chamberctl.control.tuning_findings import hold_band_findings
    from chamberctl.report import study_text, window_text
    from chamberctl.report.tables import as_text
    from chamberctl.study import load

    with Progress() as progress:
        study = load(arguments.study)
        window = _window(study, progress)
    unreachable = [point for point in window.duty_points if not point.feasible]
    at_points = window_text.point_findings(window.duty_points)
    findings = [
        *hold_band_findings(study, study.loop_gauge()),
        *(finding for finding in at_points if finding.severity == "no"),
    ]
    good = not unreachable and not any(finding.severity == "no" for finding in findings)
    if arguments.json:
        print(text.as_json({
            "study": study.file,
            "title": study.title,
            "valid": True,
            "good": good,
            "duty_reachable": not unreachable,
            "unreachable": [_some(point, "where", "reason", "nearest") for point in unreachable],
            "hold_band": study.duty.hold_band,
            "findings": [_some(finding, "severity", "subject", "text") for finding in findings],
            "bases": dict(study_text.bases(study)),
        }))  # fmt: skip
        return good
    print(f"{study.title or study.file}: the study is complete and free of contradictions.\n")
    print(as_text(study_text.given(study)))
    print(f"\n{text.paragraph(study_text.summary(study))}")
    print(text.paragraph(study_text.hold_band(study)))
    print_window_text(study, window)
    if findings:
        print(f"\nFindings\n{text.findings(findings)}")
    print(f"\n{text.caution_lines()}")
    return good


def _some(thing: Any, *names: str) -> dict[str, Any]:
    return {name: getattr(thing, name) for name in names}


def window(arguments: argparse.Namespace) -> bool:
    """Show what the pump can hold, or compare two studies."""
    from chamberctl.study import load

    if arguments.second is not None:
        from chamberctl.cli.window import comparison

        return comparison(arguments)
    from chamberctl.cli.window import whole

    with Progress() as progress:
        study = load(arguments.study)
        found = _window(study, progress)
        try:
            tuning = tuned_or_refused(study, progress)
        except InputError:  # the window does not depend on how the settings are written down
            tuning = None
        progress.step("changing every uncertain input")
        more = whole(study, found, tuning)
    return more.show(arguments.json)


def tune(arguments: argparse.Namespace) -> bool:
    """Find settings and check them over the duty."""
    from chamberctl.report import gains_text, margins_text, proposal_text, schedule_text, words
    from chamberctl.report.tables import as_text
    from chamberctl.report.verdict import verdict
    from chamberctl.study import load

    with Progress() as progress:
        study = load(arguments.study)
        tuning = tuned_or_refused(study, progress)
        window = _window(study, progress)
    answer = verdict(study, tuning, window)
    if arguments.json:
        from chamberctl.cli.results import tuning_json

        print(text.as_json(tuning_json(study, tuning, answer)))
        return answer.good
    print(f"{study.title or study.file}: {'YES' if answer.good else 'NO'}\n")
    print(text.paragraph(answer.lead))
    for point in answer.points:
        print(text.paragraph(f"- {point}", "  "))
    if not isinstance(tuning, Infeasible):
        print(f"\n{words.ACTION_SENTENCE}")
        for number, step in enumerate(tuning.check_steps, start=1):
            print(text.paragraph(f"{number}. {step}", "   "))
        print(f"\n{as_text(gains_text.typed(study, tuning))}\n")
        for name, value in gains_text.spans(study, tuning):
            print(text.paragraph(f"{name}: {value}", "    "))
        print(f"\n{as_text(margins_text.at_points(study, tuning))}")
        if tuning.schedule is not None:
            print(f"\n{text.paragraph(schedule_text.lead(tuning, tuning.schedule))}")
        for table in schedule_text.tables(study, tuning):
            print(f"\n{as_text(table)}")
        print("\nHow these settings were found")
        for reason in tuning.why:
            print(text.paragraph(f"- {reason}", "  "))
        for table in proposal_text.tables(tuning):
            print(f"\n{as_text(table)}")
        print(f"\nFindings\n{text.findings(tuning.findings)}")
    print(f"\n{text.caution_lines()}")
    return answer.good


def rules(arguments: argparse.Namespace) -> bool:
    """Compare what published rules would give."""
    from chamberctl.cli.rules import rules as command

    return command(arguments)


def convert(arguments: argparse.Namespace) -> bool:
    """Write settings for a changed controller."""
    from chamberctl.cli.convert import convert as command

    return command(arguments)


def simulate(arguments: argparse.Namespace) -> bool:
    """Run scenarios on the nonlinear plant."""
    from chamberctl.cli.simulate import simulate as run

    return run(arguments)


def workbench(arguments: argparse.Namespace) -> bool:
    """Open the page."""
    from chamberctl.cli.workbench import workbench as run

    return run(arguments)


def report(arguments: argparse.Namespace) -> bool:
    """Tune and write the report."""
    from importlib import import_module

    from chamberctl.report.folder import refuse_unusable
    from chamberctl.study import load
    from chamberctl.workers import desk_beside

    with Progress() as progress:
        study = load(arguments.study)
        name = arguments.study.removeprefix("preset:")
        out = Path(arguments.out or f"report-{Path(name).stem}")
        refuse_unusable(out)
        with desk_beside() as desk:
            # the other process loads what it will need while this one does
            desk.lay_down(import_module, "chamberctl.report.chapters")
            from chamberctl.report import days_of, write
            from chamberctl.report.chapters import Chapters

            chapters = Chapters(study, desk)
            tuning = tuned_or_refused(study, progress)
            chapters.begin(tuning)
            simulating(progress, "every scenario at the corners of the duty")
            days = days_of(study, tuning)
            progress.step("drawing and writing the report")
            files = write(chapters, tuning, out, days)
    from chamberctl.report.verdict import verdict

    answer = verdict(study, tuning, chapters.plain.found, days)
    if arguments.json:
        paths = {key: None if path is None else str(path) for key, path in vars(files).items()}
        print(text.as_json({"good": answer.good, "lead": answer.lead, "files": paths}))
        return answer.good
    print(text.paragraph(f"{'YES' if answer.good else 'NO'}: {answer.lead}"))
    print(f"\nReport: {files.html.resolve()}")
    for what, path in (
        ("Loop for other software", files.loop_json),
        ("Settings as a table", files.gains_csv),
        ("Study", files.study),
    ):
        if path is not None:
            print(f"{what}: {path.resolve()}")
    print(f"\n{text.caution_lines()}")
    return answer.good


def presets(arguments: argparse.Namespace) -> bool:
    """List the studies that come along, or copy one out."""
    from chamberctl.study import load
    from chamberctl.study import presets as known

    if arguments.action == "copy":
        return _copy_preset(arguments)
    if arguments.name is not None:
        raise UsageError("'presets list' takes no further words; to copy: presets copy NAME PATH")
    titles = {name: load(f"preset:{name}").title for name in known()}
    if arguments.json:
        print(text.as_json({"presets": titles}))
        return True
    wide = max(map(len, titles), default=0)
    for name, title in titles.items():
        print(f"preset:{name.ljust(wide)}  {title}")
    print("\nCopy one out to change it: chamberctl presets copy NAME PATH")
    return True


def _copy_preset(arguments: argparse.Namespace) -> bool:
    from chamberctl.study import preset_path

    if arguments.name is None or arguments.path is None:
        raise UsageError("say which and where: chamberctl presets copy NAME PATH")
    name = arguments.name.removeprefix("preset:")
    data = preset_path(name).read_bytes()
    target = Path(arguments.path)
    if target.is_dir():
        target = target / f"{name}.toml"
    try:
        with target.open("xb") as stream:
            stream.write(data)
    except FileExistsError as error:
        raise InputError(
            "this file exists and is not overwritten; give another name", given=str(target)
        ) from error
    except OSError as error:
        raise InputError(
            f"cannot be written: {error.strerror}; give a path in a folder that exists and may be "
            "written",
            given=str(target),
        ) from error
    if arguments.json:
        print(text.as_json({"copied": name, "path": str(target)}))
    else:
        print(f"Copied to {target.resolve()}")
    return True
