"""The report: one self-contained page, with the files to recompute and to type in from."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from chamberctl.errors import Infeasible

if TYPE_CHECKING:
    from chamberctl.control.tuning import Tuning
    from chamberctl.plant.window import OperatingWindow
    from chamberctl.report.chapters import Chapters
    from chamberctl.simulation.days import Day
    from chamberctl.study import Study

__all__ = ["ReportFiles", "days_of", "write", "write_report"]


@dataclass(frozen=True)
class ReportFiles:
    """The files of one report.

    Parameters
    ----------
    html, study : Path
        The page, and the study it was made from.
    loop_json, gains_csv : Path or None
        The loop for other software and the settings as a table; None where there are no settings.
    """

    html: Path
    study: Path
    loop_json: Path | None
    gains_csv: Path | None


def write_report(
    study: Study,
    tuning: Tuning | Infeasible,
    out_dir: str | Path,
    window: OperatingWindow | None = None,
    days: Sequence[Day] | None = None,
) -> ReportFiles:
    """Write the report of a study into a folder.

    Parameters
    ----------
    study : Study
        System, duty and controller.
    tuning : Tuning or Infeasible
        Settings with their margins from `tune`, or the refusal it raised: then the report is headed
        by the no and holds no settings.
    out_dir : str or Path
        Folder to write into; made if it does not exist. Files of the user's are never overwritten.
    window : OperatingWindow, optional
        The study's operating window; computed where it is not given.
    days : sequence of Day, optional
        Every scenario at the corners of the duty, from `days_of`; simulated where not given.

    Returns
    -------
    ReportFiles
        Paths of the files written.

    Raises
    ------
    InputError
        If the folder cannot be written, or a name in it is taken by a file of the user's.
    """
    from chamberctl.report.chapters import Chapters
    from chamberctl.workers import Desk

    chapters = Chapters(study, Desk(), window)
    chapters.begin(tuning)
    days = days_of(study, tuning) if days is None else days
    return write(chapters, tuning, out_dir, days)


def write(
    chapters: Chapters, tuning: Tuning | Infeasible, out_dir: str | Path, days: Sequence[Day]
) -> ReportFiles:
    """Write a report whose long chapters were begun before.

    Parameters
    ----------
    chapters : Chapters
        Of the study, begun with the tuning.
    tuning : Tuning or Infeasible
        Settings, or the refusal.
    out_dir : str or Path
        As for `write_report`.
    days : sequence of Day
        Every scenario at the corners of the duty, from `days_of`.

    Returns
    -------
    ReportFiles
        Paths of the files written.

    Raises
    ------
    InputError
        As for `write_report`.
    """
    from chamberctl.report import context, exports, folder, html

    study = chapters.study
    text = study.text.encode()
    now = dt.datetime.now().astimezone().strftime("%Y-%m-%d %H:%M %z")
    origin = context.Origin(folder.sha256(text), now)
    page = html.render(context.build(study, tuning, chapters, origin, days))
    files = {"report.html": page.encode(), "study.toml": text}
    if not isinstance(tuning, Infeasible):
        files["loop.json"] = exports.loop_json(study, tuning).encode()
        files["gains.csv"] = exports.gains_csv(study, tuning).encode()
    out = Path(out_dir)
    folder.write_files(out, files)
    return ReportFiles(
        out / "report.html",
        out / "study.toml",
        out / "loop.json" if "loop.json" in files else None,
        out / "gains.csv" if "gains.csv" in files else None,
    )


def days_of(study: Study, tuning: Tuning | Infeasible) -> tuple[Day, ...]:
    """Run every scenario at the corners of the duty, for a report.

    Parameters
    ----------
    study : Study
        System, duty and controller.
    tuning : Tuning or Infeasible
        Settings to try; without settings nothing is run.

    Returns
    -------
    tuple of Day
        Scenario by scenario, corner by corner.
    """
    if isinstance(tuning, Infeasible):
        return ()
    from chamberctl.simulation.days import days
    from chamberctl.simulation.scenarios import corners

    return days(study, tuning, corners(study, tuning.duty_points))
