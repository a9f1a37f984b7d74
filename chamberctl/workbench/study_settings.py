"""Settings in use as a part of the study's text, under the name that a person gave them."""

from __future__ import annotations

import re
from collections.abc import Mapping

import tomlkit
from tomlkit.exceptions import TOMLKitError

from chamberctl.study import editing
from chamberctl.workbench.candidates import Candidate

PATH = "controller.settings"
UNNAMED = "as the study states"
"""Name of settings whose study does not name them."""

_NAME, _NOTE = "name", "note"
_CONTROLLER = re.compile(r"^\[controller\][^\n]*\n", re.MULTILINE)


def split(text: str) -> tuple[str, Candidate | None]:
    """Return a study's text without the settings that a person chose, and these.

    Parameters
    ----------
    text : str
        TOML text, valid or not; where it is no TOML or has no such settings it stays as it is.
    """
    if "settings" not in text:
        return text, None
    try:
        table = tomlkit.parse(text).get("controller", {}).get("settings")
    except (TOMLKitError, AttributeError):
        return text, None
    if not isinstance(table, Mapping) or not all(isinstance(v, str) for v in table.values()):
        return text, None  # what is wrong with it is said where the study is read
    texts = {str(key): str(value) for key, value in table.items()}
    name, note = texts.pop(_NAME, UNNAMED), texts.pop(_NOTE, "")
    return editing.with_changes(text, {PATH: None}), Candidate(name, texts, note)


def joined(text: str, settings: Candidate | None) -> str:
    """Return a study's text with settings that a person chose; inverse of `split`."""
    if settings is None:
        return text
    named = {_NAME: settings.name, **settings.texts}
    if settings.note:
        named[_NOTE] = settings.note
    written = ", ".join(
        f"{key} = {tomlkit.string(value).as_string()}" for key, value in named.items()
    )
    head = _CONTROLLER.search(text)
    if head is None:  # the table is written in some other way
        return editing.with_changes(text, {PATH: named})
    # a line of its own at the table's head: this is done at every move of a slider
    return f"{text[: head.end()]}settings = {{ {written} }}\n{text[head.end() :]}"
