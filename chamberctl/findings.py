"""Plain-language statements that accompany a result."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

Severity = Literal["note", "caution", "no"]


@dataclass(frozen=True)
class Finding:
    """One statement about a result.

    Parameters
    ----------
    severity : {"note", "caution", "no"}
        "no" means that the answer to the user's question is no (exit status 1).
    subject : str
        What the statement is about, in two or three words.
    text : str
        The statement, in plain words with numbers and units.
    """

    severity: Severity
    subject: str
    text: str


_RANK: dict[Severity, int] = {"no": 0, "caution": 1, "note": 2}


def gravest_first(findings: Iterable[Finding]) -> tuple[Finding, ...]:
    """Return findings by severity; those of one severity stay in their order.

    Parameters
    ----------
    findings : iterable of Finding

    Returns
    -------
    tuple of Finding
        Every "no" first, then cautions, then notes.
    """
    return tuple(sorted(findings, key=lambda finding: _RANK[finding.severity]))
