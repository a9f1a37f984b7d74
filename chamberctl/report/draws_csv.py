"""Many draws as a table for other software: each plant that was drawn, and what it did."""

from __future__ import annotations

import io
from collections.abc import Iterator
from typing import TYPE_CHECKING

from chamberctl import __version__
from chamberctl.cautions import CAUTIONS

if TYPE_CHECKING:
    from chamberctl.simulation.runs import MonteCarlo
    from chamberctl.study import Study

__all__ = ["draws_csv"]

FORMAT = "chamberctl-draws/1"


def draws_csv(study: Study, title: str, found: MonteCarlo) -> str:
    """Return many draws as comma-separated text.

    Parameters
    ----------
    study : Study
        What was simulated.
    title : str
        The scenario and where it was run.
    found : MonteCarlo
        The draws.

    Returns
    -------
    str
        Comment lines that start with "#", a header row, and one row for each draw: its number, the
        factor on every uncertain field, its metrics in SI units and fractions, and the reason where
        it has none.
    """
    text = io.StringIO()
    for comment in _comments(study, title, found):
        text.write(f"# {' '.join(comment.split())}\n")
    fields = [field.path for field in found.fields]
    measures = list(found.runs[0].measures) if found.runs else []
    text.write(",".join(["draw", *(f"factor {path}" for path in fields), *measures, "failed"]))
    text.write("\n")
    for row in sorted(_rows(found, fields, measures), key=lambda row: int(row[0])):
        text.write(",".join(row) + "\n")
    return text.getvalue()


def _rows(found: MonteCarlo, fields: list[str], measures: list[str]) -> Iterator[list[str]]:
    for run in found.runs:
        values = [run.factors[path] for path in fields]
        values += [run.measures[name] for name in measures]
        yield [str(run.number), *map(_cell, values), ""]
    for failure in found.failures:
        drawn = [_cell(failure.factors[path]) if failure.factors else "" for path in fields]
        reason = failure.reason.replace('"', '""')
        yield [str(failure.number), *drawn, *([""] * len(measures)), f'"{reason}"']


def _cell(value: float) -> str:
    return "" if value != value else repr(value)


def _comments(study: Study, title: str, found: MonteCarlo) -> list[str]:
    made = len(found.runs) + len(found.failures)
    return [
        f"{FORMAT}: {title}, simulated by chamberctl {__version__}",
        f"Loop {study.controller.tag}: {study.title}",
        f"Computed from a model, not measured. {made} draws of {found.asked}, seed {found.seed}",
        *(f"{finding.subject}: {finding.text}" for finding in found.findings),
        "Factor: what the field of the study was multiplied by, uniform within its tolerance. "
        "Metrics as in the documentation, in SI units and fractions; an empty cell does not exist, "
        "inf: not within the run.",
        *(f"{caution.title}: {caution.text}" for caution in CAUTIONS),
    ]
