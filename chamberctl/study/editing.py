"""Editing a study's text field by field, also through states in which it is no valid study."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import tomlkit
from tomlkit.exceptions import TOMLKitError

from chamberctl.errors import Problem, StudyError
from chamberctl.study.messages import shown
from chamberctl.study.model import Study
from chamberctl.study.paths import split_path
from chamberctl.study.reading import loads
from chamberctl.study.source import refuse
from chamberctl.study.writing import put


@dataclass(frozen=True)
class Judged:
    """A text, and the study that can be worked with while it is being edited.

    Parameters
    ----------
    study : Study or None
        The text's own study; while the text is none, the last good one with all the changes that
        can be used. None where there never was a good one.
    text : str
        That study's text; "" where there is none.
    problems : tuple of Problem
        What keeps the text from being a study; each names its field.
    """

    study: Study | None
    text: str
    problems: tuple[Problem, ...]


def with_changes(text: str, changes: Mapping[str, Any], file: str = "study") -> str:
    """Return a study's text with some fields typed anew; nothing is checked but the path.

    Parameters
    ----------
    text : str
        TOML text of a study, valid or not.
    changes : Mapping[str, Any]
        Typed value by path, as in `Study.with_text`; None removes the field. A dict at the index
        behind the last is a new table of an array.
    file : str
        Name for messages.

    Returns
    -------
    str
        The new text.

    Raises
    ------
    StudyError
        The text is no TOML, or a path leads nowhere.
    """
    try:
        document = tomlkit.parse(text)
    except TOMLKitError:
        raise refuse(file, "file", "no TOML", "mend the text of the study first") from None
    for path, value in changes.items():
        try:
            if value is not None or _at(document, path) is not None:
                put(document, path, value)
        except (AttributeError, LookupError, TypeError, ValueError, TOMLKitError):
            raise refuse(file, path, shown(value), "this path leads nowhere in the study") from None
    return str(tomlkit.dumps(document))


def moved_up(text: str, path: str, file: str = "study") -> str:
    """Return a study's text with one table of an array before the one that was before it.

    Parameters
    ----------
    text : str
        TOML text of a study, valid or not.
    path : str
        Path of the table, such as "system.line[1]"; the first one stays where it is.
    file : str
        Name for messages.

    Raises
    ------
    StudyError
        The text is no TOML, or there is no such table.
    """
    steps = split_path(path)
    index = steps[-1]
    try:
        document = tomlkit.parse(text)
        array = _at(document, path.rpartition("[")[0])
        if isinstance(index, int) and 0 < index < len(array):
            upper, lower = array[index - 1], array[index]
            array[index - 1], array[index] = lower, upper
    except (TOMLKitError, TypeError):
        raise refuse(file, path, "", "this path leads to no table of the study") from None
    return str(tomlkit.dumps(document))


def judge(text: str, file: str = "study", last_good: Study | None = None) -> Judged:
    """Read a text that is being edited.

    Parameters
    ----------
    text : str
        TOML text of a study, valid or not.
    file : str
        Name for messages.
    last_good : Study, optional
        What was good before.

    Returns
    -------
    Judged
        Where some fields are wrong, these are as in the last good study and all others as typed,
        if that makes a study; else the last good study as it was.
    """
    try:
        return Judged(loads(text, file), text, ())
    except StudyError as error:
        problems = error.problems
    if last_good is None:
        return Judged(None, "", problems)
    usable = _without(text, problems, last_good)
    try:
        return Judged(loads(usable, file), usable, problems)
    except StudyError:
        return Judged(last_good, last_good.text, problems)


def _without(text: str, problems: tuple[Problem, ...], last_good: Study) -> str:
    """Return a text with its wrong fields put back; where that cannot be, the last good one."""
    old = last_good.text
    try:
        now, good = tomlkit.parse(text), tomlkit.parse(old)
        for problem in problems:
            path = re.sub(r"\.(basis|tolerance|note)$", "", problem.field)
            before = _at(good, path)
            if before is not None or _at(now, path) is not None:
                _exchange(now, path, before)
        return str(tomlkit.dumps(now))
    except (AttributeError, LookupError, TypeError, ValueError, TOMLKitError):
        return old


def _at(document: Any, path: str) -> Any:
    place = document
    for step in split_path(path):
        if isinstance(step, int):
            if step >= len(place):
                return None
        elif not isinstance(place, dict) or step not in place:
            return None
        place = place[step]
    return place


def _exchange(document: Any, path: str, value: Any) -> None:
    """Put a whole value, with its basis, in a field's place; None removes the field."""
    if value is not None and _at(document, path) is not None:
        put(document, path, None)
    put(document, path, value)
