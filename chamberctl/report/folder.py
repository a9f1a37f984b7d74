"""Writing files into a folder without ever touching a file of the user's.

A small list of what was written, with hashes, lies in the folder. A file that is not on the list,
or was changed since, is the user's. Reports and simulated runs have lists of their own.
"""

from __future__ import annotations

import hashlib
import json
import os
import tempfile
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path

from chamberctl.errors import InputError


@dataclass(frozen=True)
class Kind:
    """What is written into a folder.

    Parameters
    ----------
    what : str
        What it is, as in "the report".
    option : str
        The option that names the folder.
    list_name, list_format : str
        Name of the list of what was written, and what its format is called.
    clears : bool
        Whether own files that are no longer made are removed.
    """

    what: str
    option: str
    list_name: str
    list_format: str
    clears: bool


REPORT = Kind("the report", "--out", "report-files.json", "chamberctl-report-files/1", clears=True)


def sha256(data: bytes) -> str:
    """Return the SHA-256 of some bytes as text."""
    return hashlib.sha256(data).hexdigest()


def refuse_unusable(folder: Path, kind: Kind = REPORT) -> None:
    """Refuse a folder that plainly cannot be written, before any work is done for it.

    Parameters
    ----------
    folder : Path
    kind : Kind
        What is to be written.

    Raises
    ------
    InputError
        If it is a file, lies below one, or lies where nothing may be written.
    """
    found = next(p for p in (folder.absolute(), *folder.absolute().parents) if p.exists())
    if not found.is_dir():
        below = "this is" if found == folder.absolute() else f"{found} is"
        remedy = f"{below} a file; give a folder for {kind.what}"
    elif not os.access(found, os.W_OK | os.X_OK):
        remedy = f"{found} may not be written; give another folder"
    else:
        return
    raise InputError(remedy, given=str(folder), field=kind.option)


def refuse_taken(folder: Path, names: Iterable[str], kind: Kind) -> None:
    """Refuse names that files of the user's have, before any work is done for them.

    Parameters
    ----------
    folder : Path
    names : iterable of str
        Files that will be written.
    kind : Kind
        What is to be written.

    Raises
    ------
    InputError
        If the folder cannot be written, or a name is taken by a file that was not written here.
    """
    refuse_unusable(folder, kind)
    known = _known(folder, kind)
    for name in names:
        path = folder / name
        if (path.exists() or path.is_symlink()) and not _is_ours(path, known):
            raise _taken(path, kind)


def write_files(folder: Path, files: Mapping[str, bytes], kind: Kind = REPORT) -> None:
    """Write files into a folder, each in one step.

    Parameters
    ----------
    folder : Path
        Made if it does not exist.
    files : mapping of str to bytes
        Content by file name.
    kind : Kind
        What they are; own files that are no longer made are removed where it says so.

    Raises
    ------
    InputError
        If the folder cannot be written, or a name is taken by a file that was not written here.
        Nothing has been changed then, except that an earlier report may be replaced in part when
        the disk fails between two files.
    """
    refuse_unusable(folder, kind)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        known = _known(folder, kind)
        _refuse_foreign(folder, files, known, kind)
        _replace_all(folder, files, known, kind)
    except OSError as error:
        raise InputError(
            f"{kind.what} cannot be written: {error.strerror or error}; free some space or give "
            "another folder, the study is untouched",
            given=str(folder),
            field=kind.option,
        ) from error


def _known(folder: Path, kind: Kind) -> dict[str, list[str]]:
    """Return the hashes of what was written here before, by file name."""
    path = folder / kind.list_name
    if not path.is_file():
        return {}
    try:
        listed = json.loads(path.read_text(encoding="utf-8"))
        if listed["format"] != kind.list_format:
            raise KeyError("format")
        return {str(name): [str(h) for h in hashes] for name, hashes in listed["files"].items()}
    except (ValueError, KeyError, TypeError, AttributeError) as error:
        raise InputError(
            f"this file is not the list of the files of {kind.what}; remove it or give another "
            "folder",
            given=str(path),
            field=kind.option,
        ) from error


def _is_ours(path: Path, known: Mapping[str, list[str]]) -> bool:
    return path.is_file() and sha256(path.read_bytes()) in known.get(path.name, ())


def _refuse_foreign(
    folder: Path, files: Mapping[str, bytes], known: Mapping[str, list[str]], kind: Kind
) -> None:
    for name, data in files.items():
        path = folder / name
        if not (path.exists() or path.is_symlink()) or _is_ours(path, known):
            continue
        if path.is_file() and not path.is_symlink() and path.read_bytes() == data:
            continue
        raise _taken(path, kind)


def _taken(path: Path, kind: Kind) -> InputError:
    return InputError(
        f"a file of this name is there already and is not of {kind.what} made here before, or was "
        "changed since; move it away or give another folder",
        given=str(path),
        field=kind.option,
    )


def _replace_all(
    folder: Path, files: Mapping[str, bytes], known: Mapping[str, list[str]], kind: Kind
) -> None:
    new = {name: sha256(data) for name, data in files.items()}
    with tempfile.TemporaryDirectory(prefix=".writing-", dir=folder) as waiting:
        for name, data in files.items():
            _write(Path(waiting, name), data)
        both = {n: sorted({*known.get(n, ()), *([new[n]] if n in new else [])})
                for n in sorted({*known, *new})}  # fmt: skip
        _write_list(Path(waiting), folder, both, kind)
        for name in files:
            Path(waiting, name).replace(folder / name)
        kept = {} if kind.clears else {n: h for n, h in known.items() if n not in new}
        for name in known:
            if kind.clears and name not in new and _is_ours(folder / name, known):
                (folder / name).unlink()
        final = {**kept, **{name: [digest] for name, digest in new.items()}}
        _write_list(Path(waiting), folder, final, kind)


def _write_list(waiting: Path, folder: Path, hashes: Mapping[str, list[str]], kind: Kind) -> None:
    text = json.dumps({"format": kind.list_format, "files": hashes}, indent=2) + "\n"
    _write(waiting / kind.list_name, text.encode())
    (waiting / kind.list_name).replace(folder / kind.list_name)


def _write(path: Path, data: bytes) -> None:
    with path.open("wb") as stream:
        stream.write(data)
        stream.flush()
        os.fsync(stream.fileno())
