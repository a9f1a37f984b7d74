"""Writing a report's files into a folder without ever touching a file of the user's.

A small list of what was written, with hashes, lies in the folder. A file that is not on the list,
or was changed since, is the user's.
"""

from __future__ import annotations

import hashlib
import json
import os
import tempfile
from collections.abc import Mapping
from pathlib import Path

from chamberctl.errors import InputError

LIST_NAME = "report-files.json"
_FORMAT = "chamberctl-report-files/1"


def sha256(data: bytes) -> str:
    """Return the SHA-256 of some bytes as text."""
    return hashlib.sha256(data).hexdigest()


def refuse_unusable(folder: Path) -> None:
    """Refuse a folder that plainly cannot be written, before any work is done for it.

    Raises
    ------
    InputError
        If it is a file, lies below one, or lies where nothing may be written.
    """
    found = next(p for p in (folder.absolute(), *folder.absolute().parents) if p.exists())
    if not found.is_dir():
        below = "this is" if found == folder.absolute() else f"{found} is"
        remedy = f"{below} a file; give a folder for the report"
    elif not os.access(found, os.W_OK | os.X_OK):
        remedy = f"{found} may not be written; give another folder"
    else:
        return
    raise InputError(remedy, given=str(folder), field="--out")


def write_files(folder: Path, files: Mapping[str, bytes]) -> None:
    """Write files into a folder, each in one step; remove own files that are no longer made.

    Parameters
    ----------
    folder : Path
        Made if it does not exist.
    files : mapping of str to bytes
        Content by file name.

    Raises
    ------
    InputError
        If the folder cannot be written, or a name is taken by a file that was not written here.
        Nothing has been changed then, except that an earlier report may be replaced in part when
        the disk fails between two files.
    """
    refuse_unusable(folder)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        known = _known(folder)
        _refuse_foreign(folder, files, known)
        _replace_all(folder, files, known)
    except OSError as error:
        raise InputError(
            f"the report cannot be written: {error.strerror or error}; free some space or give "
            "another folder, the study is untouched",
            given=str(folder),
            field="--out",
        ) from error


def _known(folder: Path) -> dict[str, list[str]]:
    """Return the hashes of what was written here before, by file name."""
    path = folder / LIST_NAME
    if not path.is_file():
        return {}
    try:
        listed = json.loads(path.read_text(encoding="utf-8"))
        if listed["format"] != _FORMAT:
            raise KeyError("format")
        return {str(name): [str(h) for h in hashes] for name, hashes in listed["files"].items()}
    except (ValueError, KeyError, TypeError, AttributeError) as error:
        raise InputError(
            "this file is not a list of report files; remove it or give another folder",
            given=str(path),
            field="--out",
        ) from error


def _is_ours(path: Path, known: Mapping[str, list[str]]) -> bool:
    return path.is_file() and sha256(path.read_bytes()) in known.get(path.name, ())


def _refuse_foreign(
    folder: Path, files: Mapping[str, bytes], known: Mapping[str, list[str]]
) -> None:
    for name, data in files.items():
        path = folder / name
        if not (path.exists() or path.is_symlink()) or _is_ours(path, known):
            continue
        if path.is_file() and not path.is_symlink() and path.read_bytes() == data:
            continue
        raise InputError(
            "a file of this name is there already and was not written, or was changed, since the "
            "last report; move it away or give another folder",
            given=str(path),
            field="--out",
        )


def _replace_all(folder: Path, files: Mapping[str, bytes], known: Mapping[str, list[str]]) -> None:
    new = {name: sha256(data) for name, data in files.items()}
    with tempfile.TemporaryDirectory(prefix=".report-", dir=folder) as waiting:
        for name, data in files.items():
            _write(Path(waiting, name), data)
        both = {n: sorted({*known.get(n, ()), *([new[n]] if n in new else [])})
                for n in sorted({*known, *new})}  # fmt: skip
        _write_list(Path(waiting), folder, both)
        for name in files:
            Path(waiting, name).replace(folder / name)
        for name in known:
            if name not in new and _is_ours(folder / name, known):
                (folder / name).unlink()
        _write_list(Path(waiting), folder, {name: [digest] for name, digest in new.items()})


def _write_list(waiting: Path, folder: Path, hashes: Mapping[str, list[str]]) -> None:
    text = json.dumps({"format": _FORMAT, "files": hashes}, indent=2) + "\n"
    _write(waiting / LIST_NAME, text.encode())
    (waiting / LIST_NAME).replace(folder / LIST_NAME)


def _write(path: Path, data: bytes) -> None:
    with path.open("wb") as stream:
        stream.write(data)
        stream.flush()
        os.fsync(stream.fileno())
