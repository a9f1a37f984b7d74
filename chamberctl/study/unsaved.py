"""What tells recovery copies apart for a reader: their titles, and what was changed in them."""

from __future__ import annotations

import tomllib
from typing import TYPE_CHECKING

from chamberctl.errors import StudyError
from chamberctl.study.source import read_source

if TYPE_CHECKING:
    from chamberctl.study.recovery import RecoveryCopy

MOST_LETTERS = 48


def title_of(copy: RecoveryCopy) -> str:
    """Return the title of a copy's study; "" where its text does not say."""
    try:
        title = tomllib.loads(copy.text).get("title", "")
    except tomllib.TOMLDecodeError:
        return ""
    return _printable(title) if isinstance(title, str) else ""


def changes_of(copy: RecoveryCopy) -> tuple[str, int]:
    """Return the first line that a copy has other than what it was opened from, and how many more.

    Parameters
    ----------
    copy : RecoveryCopy

    Returns
    -------
    tuple of str and int
        The line, shortened, and the count of further ones; ("", 0) where its source cannot be
        read, as that of an upload.
    """
    try:
        before = set(read_source(copy.file or copy.source).splitlines())
    except StudyError:
        return "", 0
    told = [line for line in copy.text.splitlines() if line.strip() and line not in before]
    if not told:
        return "", 0
    first = _printable(told[0].strip())
    if len(first) > MOST_LETTERS:
        first = f"{first[:MOST_LETTERS].rstrip()} ..."
    return first, len(told) - 1


def _printable(text: str) -> str:
    """Return a text without half characters, which no page can show."""
    return text.encode("utf-8", "replace").decode()
