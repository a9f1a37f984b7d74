"""A report as files to take away: the page by itself, and everything in one archive."""

from __future__ import annotations

import io
import tempfile
import zipfile
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from chamberctl.errors import Infeasible
from chamberctl.proposal.propose import tune
from chamberctl.report import write_report
from chamberctl.study.reading import loads

if TYPE_CHECKING:
    from chamberctl.control.tuning import Tuning
    from chamberctl.plant.window import OperatingWindow

_TIME = (1980, 1, 1, 0, 0, 0)
"""Every file in an archive bears the earliest time there is: same content, same archive."""


@dataclass(frozen=True)
class Bundle:
    """A report as bytes.

    Parameters
    ----------
    html : bytes
        The page, complete in itself.
    archive : bytes
        The page with all files beside it, as a zip archive.
    names : tuple of str
        Files in the archive.
    """

    html: bytes
    archive: bytes
    names: tuple[str, ...]


def bundle(text: str, file: str, window: OperatingWindow | None = None) -> Bundle:
    """Write a study's report and return its files.

    Parameters
    ----------
    text : str
        The study's text, with the settings that are handed over: `chamberctl report` makes the
        same of it.
    file : str
        Name of the study in the report.
    window : OperatingWindow, optional
        The study's operating window; computed where it is not given.

    Raises
    ------
    StudyError
        If the text is no study.
    """
    study = loads(text, file)
    tuning: Tuning | Infeasible
    try:
        tuning = tune(study)
    except Infeasible as refusal:
        tuning = refusal
    with tempfile.TemporaryDirectory(prefix="chamberctl-report-") as folder:
        write_report(study, tuning, folder, window)
        files = {path.name: path.read_bytes() for path in sorted(Path(folder).iterdir())}
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in files.items():
            archive.writestr(zipfile.ZipInfo(name, _TIME), content, zipfile.ZIP_DEFLATED)
    return Bundle(files["report.html"], stream.getvalue(), tuple(files))
