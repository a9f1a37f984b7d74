"""Recovery copies: what stood on a page at its last change, kept in the user's data folder.

One copy for each page that is open, under the page's own key. A copy keeps the study's text even
while it is no valid study, and says which file it came from.
"""

from __future__ import annotations

import json
import os
import re
import secrets
import sys
import time
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, fields
from pathlib import Path
from typing import Any, Final

from chamberctl.errors import StudyError
from chamberctl.study.files import file_fingerprint, fingerprint, leftovers, write_in_one_step
from chamberctl.study.source import refuse

FORMAT: Final = "chamberctl-recovery/1"
FOLDER_VARIABLE: Final = "CHAMBERCTL_DATA"
"""Environment variable that names another data folder."""

MOST_COPIES: Final = 40
OLDEST_S: Final = 90 * 86400.0
"""A copy that was not touched for so long is removed: by then the work is saved or forgotten."""

_LEFTOVER_S: Final = 3600.0
_KEY = re.compile(r"[A-Za-z0-9_-]{8,40}")


@dataclass(frozen=True)
class RecoveryCopy:
    """What stood on one page.

    Parameters
    ----------
    key : str
        The page's own key.
    text : str
        The study's text, valid or not.
    source : str
        Where the study came from, in the words shown to the user.
    file : str
        File it is saved to; empty where there is none yet.
    file_fingerprint : str
        Fingerprint of that file when it was last read or written.
    text_fingerprint : str
        Fingerprint of the text as it was opened or last saved.
    more : mapping
        What the page keeps beside the study, in plain JSON values.
    saved_at_s : float
        When the copy was written, seconds since 1970.
    """

    key: str
    text: str
    source: str = ""
    file: str = ""
    file_fingerprint: str = ""
    text_fingerprint: str = ""
    more: Mapping[str, Any] = field(default_factory=dict)
    saved_at_s: float = 0.0

    @property
    def differs(self) -> bool:
        """Whether the text is another one than was opened or last saved."""
        return fingerprint(self.text.encode("utf-8")) != self.text_fingerprint

    @property
    def saved_at_text(self) -> str:
        """When the copy was written, in local time."""
        return time.strftime("%Y-%m-%d %H:%M:%S", time.localtime(self.saved_at_s))


def new_key() -> str:
    """Return a key for a new page, which nobody guesses."""
    return secrets.token_urlsafe(12)


def data_folder() -> Path:
    """Return the user's data folder for chamberctl, where the system wants such files.

    Returns
    -------
    pathlib.Path
        It need not exist yet.
    """
    own = os.environ.get(FOLDER_VARIABLE)
    if own:
        return Path(own)
    home = Path.home()
    if sys.platform == "win32":
        base = os.environ.get("LOCALAPPDATA") or str(home / "AppData" / "Local")
    elif sys.platform == "darwin":
        base = str(home / "Library" / "Application Support")
    else:
        base = os.environ.get("XDG_DATA_HOME") or str(home / ".local" / "share")
    return Path(base, "chamberctl")


def recovery_folder() -> Path:
    """Return the folder of all recovery copies; it need not exist yet."""
    return data_folder() / "recovery"


def keep(copy: RecoveryCopy) -> str:
    """Write a recovery copy in one step, in place of the older one of the same page.

    Parameters
    ----------
    copy : RecoveryCopy
        Its time is set here.

    Returns
    -------
    str
        Fingerprint of the file written; see `written`.

    Raises
    ------
    StudyError
        The copy cannot be written; an older one is as it was.
    """
    path = _path(copy.key)
    is_new = not path.exists()
    try:
        path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
    except OSError as error:
        raise refuse(
            str(path.parent), "file", "a folder that cannot be made",
            f"recovery copies need it; name another one in the environment variable "
            f"{FOLDER_VARIABLE}: {error.strerror or 'unknown reason'}",
        ) from None  # fmt: skip
    entries = {"format": FORMAT, **asdict(copy), "saved_at_s": time.time()}
    content = json.dumps(entries, indent=1).encode("ascii")
    write_in_one_step(path, content)
    if is_new:
        _thin_out(keep=path)
    return fingerprint(content)


def written(key: str) -> str:
    """Return the fingerprint of a page's copy as it lies on disk; "" where there is none."""
    return file_fingerprint(_path(key)) if _KEY.fullmatch(key) else ""


def recall(key: str) -> RecoveryCopy | None:
    """Return the recovery copy of a page.

    Parameters
    ----------
    key : str
        The page's key, as typed into an address: anything.

    Returns
    -------
    RecoveryCopy or None
        None where there is none.

    Raises
    ------
    StudyError
        The copy is there and cannot be read.
    """
    if not _KEY.fullmatch(key):
        return None
    path = _path(key)
    try:
        entries = json.loads(path.read_bytes())
        if entries.pop("format") != FORMAT:
            raise ValueError(FORMAT)
        copy = RecoveryCopy(**entries)
        _check_types(copy)
    except FileNotFoundError:
        return None
    except OSError as error:
        raise refuse(
            str(path), "file", "a recovery copy that cannot be read",
            f"check it: {error.strerror or 'unknown reason'}",
        ) from None  # fmt: skip
    except (ValueError, TypeError, KeyError, AttributeError):
        raise refuse(
            str(path), "file", "no recovery copy of this version",
            "it was changed or written by another version; the study's text in it can be read with "
            "any editor",
        ) from None  # fmt: skip
    return copy


def recent() -> tuple[RecoveryCopy, ...]:
    """Return all recovery copies that can be read, the newest first."""
    found = []
    for path in recovery_folder().glob("*.json"):
        try:
            copy = recall(path.stem)
        except StudyError:
            continue  # a page names it when it is asked for
        if copy is not None:
            found.append(copy)
    return tuple(sorted(found, key=lambda copy: -copy.saved_at_s))


def forget(key: str) -> None:
    """Remove the recovery copy of a page, where there is one."""
    if _KEY.fullmatch(key):
        _path(key).unlink(missing_ok=True)


def _path(key: str) -> Path:
    if not _KEY.fullmatch(key):
        raise ValueError(key)
    return recovery_folder() / f"{key}.json"


def _check_types(copy: RecoveryCopy) -> None:
    for item in fields(copy):
        value = getattr(copy, item.name)
        wanted = {"more": dict, "saved_at_s": (int, float)}.get(item.name, str)
        if not isinstance(value, wanted):  # type: ignore[arg-type]
            raise TypeError(item.name)


def _thin_out(keep: Path) -> None:
    """Remove copies that are too old or too many, and what killed writes left behind.

    Where there are too many, those without unsaved work go first, then the oldest.
    """
    now, folder = time.time(), recovery_folder()
    ages = {path: now - path.stat().st_mtime for path in folder.glob("*.json") if path != keep}
    excess = len(ages) - (MOST_COPIES - 1)
    unsaved = {copy.key for copy in recent() if copy.differs} if excess > 0 else set()
    order = sorted(ages, key=lambda path: (path.stem in unsaved, -ages[path]))
    for place, path in enumerate(order):
        if ages[path] > OLDEST_S or place < excess:
            path.unlink(missing_ok=True)
    for path in leftovers(folder):
        if now - path.stat().st_mtime > _LEFTOVER_S:
            path.unlink(missing_ok=True)
