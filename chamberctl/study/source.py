"""From a file to plain tables: size, characters and TOML syntax are judged here."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import Any

from chamberctl.errors import Problem, StudyError
from chamberctl.study.catalog import preset_path
from chamberctl.study.messages import nearest, shown

LARGEST_BYTES = 1_000_000
_TOO_LARGE = "too large for a study: at most 1 MB"
_TWICE = ("Cannot overwrite", "Cannot declare", "Duplicate", "Cannot mutate", "Cannot redefine")


class TypedFloat(float):
    """A number of a TOML file that remembers how it was typed."""

    text: str

    def __new__(cls, text: str) -> TypedFloat:
        """Read the number and keep its text."""
        number = super().__new__(cls, text)
        number.text = text
        return number


def refuse(file: str, field: str, given: str, remedy: str) -> StudyError:
    """Return the error for one problem."""
    return StudyError((Problem(file, field, given, remedy),))


def read_source(source: str | Path) -> str:
    """Return the text of a study file or preset; what is no text of fair size is refused."""
    file = str(source)
    if "\0" in file:
        raise refuse(shown(file), "file", "a name with a zero byte", "give the path of a study")
    if file.startswith("preset:"):
        path = preset_path(file.removeprefix("preset:"))
    else:
        path = Path(source)
    return decode_source(_bytes_of(path, file), file)


def _bytes_of(path: Path, file: str) -> bytes:
    try:
        if path.is_dir():
            raise refuse(file, "file", "a folder", "give the path of a study file inside it")
        if path.exists() and not path.is_file():
            raise refuse(file, "file", "no regular file", "give the path of a study file")
        size = path.stat().st_size
        if size > LARGEST_BYTES:
            raise refuse(file, "file", f"{size / 1e6:.1f} MB", _TOO_LARGE)
        with path.open("rb") as stream:
            return stream.read(LARGEST_BYTES + 1)
    except FileNotFoundError:
        beside = path.parent.glob("*.toml") if path.parent.is_dir() else ()
        hint = nearest(path.name, [other.name for other in beside])
        if not Path(file).suffix:
            hint += "; a study that comes with chamberctl is given as preset:NAME"
        raise refuse(file, "file", "a path where nothing is", f"no such file{hint}") from None
    except OSError as error:
        reason = error.strerror or "unknown reason"
        raise refuse(file, "file", "a file that cannot be read", f"check it: {reason}") from None


def decode_source(content: bytes, file: str) -> str:
    """Return the text of a study's bytes; what is no text of fair size is refused."""
    if len(content) > LARGEST_BYTES:
        raise refuse(file, "file", "more than 1 MB", _TOO_LARGE)
    if not content.strip():
        raise refuse(file, "file", "an empty file", "begin with a preset: chamberctl presets")
    if b"\0" in content:
        where = content.index(b"\0")
        raise refuse(
            file, "file", f"binary content (a zero byte at {where})",
            "a study is a text file in TOML; if it is one, save it as UTF-8",
        )  # fmt: skip
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        raise refuse(
            file, f"line {line}", f"the byte 0x{content[error.start]:02x}",
            "no UTF-8 text; save the file with the encoding UTF-8",
        ) from None  # fmt: skip


def parse_toml(text: str, file: str) -> dict[str, Any]:
    """Return the tables of a TOML text, or say which line is wrong."""
    try:
        return tomllib.loads(text, parse_float=TypedFloat)
    except tomllib.TOMLDecodeError as error:
        raise _syntax_error(text, file, str(error)) from None
    except RecursionError:
        raise refuse(
            file, "file", "brackets nested too deep to read", "a study nests three levels at most"
        ) from None
    except ValueError:
        raise refuse(
            file, "file", "a number with thousands of digits", "write it shorter, such as 1e5"
        ) from None


def _syntax_error(text: str, file: str, message: str) -> StudyError:
    place = re.search(r"\(at line (\d+), column (\d+)\)", message)
    lines = text.splitlines() or [""]
    number = min(int(place[1]) if place else len(lines), len(lines))
    line = lines[number - 1].strip()
    if not line and number > 1 and place and place[2] == "1":
        number, line = number - 1, lines[number - 2].strip()
    if any(word in message for word in _TWICE):
        remedy = "this field or table is given twice; keep one of them"
    else:
        reason = re.sub(r" \(at .*\)$", "", message)
        remedy = f'not TOML: {reason}; a field is written volume = "500 L", with the text in quotes'
    return refuse(file, f"line {number}", shown(line), remedy)
