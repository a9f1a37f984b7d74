"""Texts on disk: a file is either as it was or whole, and nobody's changes are written over."""

from __future__ import annotations

import hashlib
import os
import tempfile
from pathlib import Path

from chamberctl.study.source import refuse

_PREFIX, _SUFFIX = ".study-", ".tmp"
ENDING = ".toml"


def fingerprint(content: bytes) -> str:
    """Return the SHA-256 of some bytes as text.

    Parameters
    ----------
    content : bytes
        Any bytes.

    Returns
    -------
    str
        64 hexadecimal digits.
    """
    return hashlib.sha256(content).hexdigest()


def named(path: str) -> str:
    """Return a name for a new study as typed, with the ending of studies where it has none.

    Parameters
    ----------
    path : str
        A file's name, with or without its folder; "" stays so.

    Returns
    -------
    str
        It ends in ".toml", unless it names a folder.
    """
    if not path or path.endswith((".", os.sep, "/")) or path.lower().endswith(ENDING):
        return path
    return f"{path}{ENDING}"


def file_fingerprint(path: str | Path) -> str:
    """Return the fingerprint of a file as it is now; "" where there is none.

    Parameters
    ----------
    path : str or pathlib.Path
        The file.

    Returns
    -------
    str
        See `fingerprint`.

    Raises
    ------
    StudyError
        The file is there and cannot be read.
    """
    try:
        return fingerprint(Path(path).read_bytes())
    except (FileNotFoundError, NotADirectoryError):
        return ""
    except OSError as error:
        raise refuse(
            str(path), "file", "a file that cannot be read",
            f"check it: {error.strerror or 'unknown reason'}",
        ) from None  # fmt: skip


def write_in_one_step(path: str | Path, content: bytes, *, only_new: bool = False) -> None:
    """Write beside the old file, force it to disk, then put it in its place in one step.

    Parameters
    ----------
    path : str or pathlib.Path
        File to write; a link is followed.
    content : bytes
        The whole new content.
    only_new : bool
        Refuse, in the same step, where a file has this name.

    Raises
    ------
    StudyError
        The file cannot be written; it is as it was.
    """
    target = Path(os.path.realpath(path))
    temporary = ""
    try:
        handle, temporary = tempfile.mkstemp(dir=target.parent, prefix=_PREFIX, suffix=_SUFFIX)
        with os.fdopen(handle, "wb") as stream:
            stream.write(content)
            stream.flush()
            os.fsync(stream.fileno())
        Path(temporary).chmod(_mode(target))
        if only_new:
            _put_where_nothing_is(temporary, target)
        else:
            os.replace(temporary, target)  # noqa: PTH105 - says what it does
        _force_folder(target.parent)
    except FileExistsError:
        raise refuse(
            str(path), "file", "a name that another file has", "choose another name, or open that "
            "file and change it",
        ) from None  # fmt: skip
    except OSError as error:
        raise refuse(
            str(path), "file", "a place that cannot be written",
            f"save into a folder that exists and may be written: "
            f"{error.strerror or 'unknown reason'}",
        ) from None  # fmt: skip
    finally:
        if temporary:
            Path(temporary).unlink(missing_ok=True)


def save_unless_changed(path: str | Path, text: str, known: str) -> str:
    """Write a text to a file that is still as it was when it was read.

    Parameters
    ----------
    path : str or pathlib.Path
        The file.
    text : str
        The whole new text.
    known : str
        Fingerprint of the file when it was read or last written; "" for a file that must be new.

    Returns
    -------
    str
        Fingerprint of the file as written.

    Raises
    ------
    StudyError
        Someone else changed or removed the file, or it cannot be written; nothing is written.
    """
    content = text.encode("utf-8")
    now = file_fingerprint(path)
    if known and now != known and now != fingerprint(content):
        what = "changed" if now else "removed"
        raise refuse(
            str(path), "file", f"a file that someone else {what} since it was opened",
            "nothing was written; save under another name, then compare the two",
        )  # fmt: skip
    write_in_one_step(path, content, only_new=not known)
    return fingerprint(content)


def leftovers(folder: Path) -> list[Path]:
    """Return the temporary files that a write left in a folder when its process was killed."""
    return sorted(folder.glob(f"{_PREFIX}*{_SUFFIX}"))


def _put_where_nothing_is(temporary: str, target: Path) -> None:
    """Give the file its name, failing where the name is taken."""
    try:
        os.link(temporary, target)
    except FileExistsError:
        raise
    except OSError:
        # a file system without hard links: looked at first, then written
        if target.exists():
            raise FileExistsError from None
        os.replace(temporary, target)  # noqa: PTH105


def _force_folder(folder: Path) -> None:
    """Force the new name to disk where a folder can be forced (Windows cannot)."""
    if os.name != "posix":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _mode(target: Path) -> int:
    if target.exists():
        return target.stat().st_mode & 0o777
    mask = os.umask(0)
    os.umask(mask)
    return 0o666 & ~mask
