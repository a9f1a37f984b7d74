"""Recovery copies and saving: nothing torn, nothing lost, nobody's changes written over."""

from __future__ import annotations

import json
import os
import random
import signal
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path
from typing import IO

import pytest

from chamberctl.errors import StudyError
from chamberctl.study import files, recovery, unsaved
from chamberctl.study.recovery import RecoveryCopy
from chamberctl.study.source import read_source

CHECKOUT = Path(__file__).resolve().parent.parent
KEY = "abcdefgh12345678"


@pytest.fixture(autouse=True)
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv(recovery.FOLDER_VARIABLE, str(tmp_path / "data"))
    return tmp_path / "data" / "recovery"


def copy(text: str = "title = 3 # no study\n", key: str = KEY, **more: object) -> RecoveryCopy:
    return RecoveryCopy(key, text, "preset:x", more=more)


def test_a_copy_comes_back_as_it_was_also_when_it_is_no_study() -> None:
    text = 'µ "quotes" \\ \x01 \ud800 no TOML [['
    kept = copy(text, settings={"name": "mine", "texts": {"Kc": "1,5"}})
    recovery.keep(kept)
    back = recovery.recall(KEY)
    assert back is not None
    assert (back.text, back.more, back.source) == (text, kept.more, kept.source)
    assert abs(back.saved_at_s - time.time()) < 60.0
    assert back.saved_at_text.startswith("20")


def test_a_copy_knows_whether_its_text_was_saved() -> None:
    same = files.fingerprint(b"a = 1\n")
    assert not RecoveryCopy(KEY, "a = 1\n", text_fingerprint=same).differs
    assert RecoveryCopy(KEY, "a = 2\n", text_fingerprint=same).differs


def test_copies_are_told_apart_by_title_and_what_was_changed() -> None:
    text = read_source("preset:reference-plant")
    changed = text.replace('"500 L"', '"615 L"', 1).replace("[drive]", "[drive] # mine")
    one = RecoveryCopy(KEY, changed, "preset:reference-plant")
    assert unsaved.title_of(one) == "Reference plant"
    line, more = unsaved.changes_of(one)
    assert '"615 L"' in line
    assert len(line) <= unsaved.MOST_LETTERS + 4
    assert more == changed.count("[drive] # mine")
    assert unsaved.changes_of(RecoveryCopy(KEY, text, "preset:reference-plant")) == ("", 0)


@pytest.mark.parametrize("text", ['title = "\ud800"\n', "[[", "title = 3"])
def test_copies_that_are_no_study_are_told_apart_as_far_as_they_can_be(text: str) -> None:
    one = RecoveryCopy(KEY, text, "preset:reference-plant")
    unsaved.title_of(one).encode("utf-8")
    unsaved.changes_of(one)[0].encode("utf-8")
    assert unsaved.changes_of(RecoveryCopy(KEY, text, "an upload.toml")) == ("", 0)


@pytest.mark.parametrize(
    ("typed", "name"),
    [("mine", "mine.toml"), ("~/my.plant", "~/my.plant.toml"), ("a/mine.TOML", "a/mine.TOML"),
     ("", ""), ("folder/", "folder/"), ("..", "..")],
)  # fmt: skip
def test_a_new_study_gets_its_ending(typed: str, name: str) -> None:
    assert files.named(typed) == name


@pytest.mark.parametrize(
    "key", ["", "../../etc/passwd", "short", "a" * 41, "abcdefgh/1", "abcd\0efgh"]
)
def test_an_address_with_anything_in_it_leads_nowhere(key: str) -> None:
    assert recovery.recall(key) is None
    assert recovery.written(key) == ""
    recovery.forget(key)


def test_keys_of_pages_are_not_guessed_or_repeated() -> None:
    keys = {recovery.new_key() for _ in range(200)}
    assert len(keys) == 200
    assert all(len(key) >= 16 for key in keys)


@pytest.mark.parametrize(
    "content", [b"", b"{", b"[]", b'{"format": "chamberctl-recovery/9"}',
                b'{"format": "chamberctl-recovery/1", "key": 3, "text": "x"}', b"\xff\xfe"],
)  # fmt: skip
def test_a_copy_that_was_tampered_with_is_named_and_left_alone(
    folder: Path, content: bytes
) -> None:
    folder.mkdir(parents=True)
    path = folder / f"{KEY}.json"
    path.write_bytes(content)
    with pytest.raises(StudyError, match="no recovery copy of this version"):
        recovery.recall(KEY)
    assert path.read_bytes() == content
    assert recovery.recent() == ()


def test_the_newest_copies_are_kept_and_old_ones_removed(folder: Path) -> None:
    for number in range(recovery.MOST_COPIES + 5):
        key = f"page-number-{number:03d}"
        recovery.keep(copy(key=key))
        os.utime(folder / f"{key}.json", (1e9 + number, 1e9 + number))
    left = sorted(path.stem for path in folder.glob("*.json"))
    assert len(left) <= recovery.MOST_COPIES
    assert f"page-number-{recovery.MOST_COPIES + 4:03d}" in left


def test_unsaved_work_is_not_pushed_out_by_pages_on_which_nothing_was_done(folder: Path) -> None:
    recovery.keep(copy(key="unsaved-work"))
    os.utime(folder / "unsaved-work.json", (time.time() - 86400, time.time() - 86400))
    for number in range(recovery.MOST_COPIES + 5):
        saved = copy(key=f"page-number-{number:03d}")
        recovery.keep(replace(saved, text_fingerprint=files.fingerprint(saved.text.encode())))
    found = {found.key for found in recovery.recent()}
    assert len(found) == recovery.MOST_COPIES
    assert "unsaved-work" in found


def test_recent_work_is_listed_newest_first(folder: Path) -> None:
    for key in ("first-page-1", "second-page-2"):
        recovery.keep(copy(key=key))
    assert [found.key for found in recovery.recent()] == ["second-page-2", "first-page-1"]
    recovery.forget("second-page-2")
    assert [found.key for found in recovery.recent()] == ["first-page-1"]


def test_a_folder_that_cannot_be_made_is_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "file").write_text("x")
    monkeypatch.setenv(recovery.FOLDER_VARIABLE, str(tmp_path / "file" / "below"))
    with pytest.raises(StudyError, match="CHAMBERCTL_DATA"):
        recovery.keep(copy())


@pytest.mark.parametrize(
    "platform, variable, below",
    [
        ("linux", "XDG_DATA_HOME", "chamberctl"),
        ("win32", "LOCALAPPDATA", "chamberctl"),
        ("darwin", "", "Library/Application Support/chamberctl"),
        ("linux", "", ".local/share/chamberctl"),
    ],
)
def test_copies_lie_where_the_system_wants_them(
    platform: str, variable: str, below: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name in (recovery.FOLDER_VARIABLE, "XDG_DATA_HOME", "LOCALAPPDATA"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setenv("HOME", str(tmp_path))
    monkeypatch.setattr(recovery.sys, "platform", platform)
    if variable:
        monkeypatch.setenv(variable, str(tmp_path))
    assert recovery.data_folder() == tmp_path / below


def test_saving_refuses_where_the_file_changed_since_it_was_opened(tmp_path: Path) -> None:
    path = tmp_path / "plant.toml"
    known = files.save_unless_changed(path, "a = 1\n", "")
    assert files.save_unless_changed(path, "a = 2\n", known) != known
    path.write_text("a = 3 # someone else\n")
    with pytest.raises(StudyError, match=r"someone else changed .* save under another name"):
        files.save_unless_changed(path, "a = 4\n", known)
    assert path.read_text() == "a = 3 # someone else\n"
    known = files.file_fingerprint(path)
    path.unlink()
    with pytest.raises(StudyError, match="removed"):
        files.save_unless_changed(path, "a = 4\n", known)


def test_a_new_file_never_takes_the_place_of_another(tmp_path: Path) -> None:
    path = tmp_path / "plant.toml"
    path.write_text("mine")
    with pytest.raises(StudyError, match="a name that another file has"):
        files.save_unless_changed(path, "a = 4\n", "")
    assert path.read_text() == "mine"
    assert [found.name for found in tmp_path.iterdir() if found.is_file()] == ["plant.toml"]


def test_a_file_system_without_links_is_written_all_the_same(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def no_links(*_: object) -> None:
        raise PermissionError(1, "no links here")

    monkeypatch.setattr(files.os, "link", no_links)
    path = tmp_path / "plant.toml"
    files.save_unless_changed(path, "a = 4\n", "")
    assert path.read_text() == "a = 4\n"
    with pytest.raises(StudyError, match="another file has"):
        files.save_unless_changed(path, "a = 5\n", "")


SAVERS = """
import itertools, os, sys
from chamberctl.study import files, recovery

def save_for_ever(path, start):
    known = files.file_fingerprint(path)
    for number in itertools.count(start):
        text = f"{number}\\n" * 4000 + "end\\n"
        recovery.keep(recovery.RecoveryCopy("abcdefgh12345678", text, "here"))
        known = files.save_unless_changed(path, text, known)
        os.write(1, f"saved {number}\\n".encode())

for line in sys.stdin:
    child = os.fork()
    if not child:
        save_for_ever(sys.argv[1], int(line))
    os.write(1, f"begun {child}\\n".encode())
    os.waitpid(child, 0)
    os.write(1, b"gone 0\\n")
"""


def lines_until(stream: IO[str], word: str) -> list[tuple[str, int]]:
    """Lines of the saving processes up to the one that begins with a word."""
    found = []
    for line in stream:
        said, number = line.split()
        found.append((said, int(number)))
        if said == word:
            break
    return found


def checked(saved: str, last: int) -> int:
    """Number of the save that a file holds, whole and not older than the last one announced."""
    number = int(saved.split("\n", 1)[0])
    assert saved == f"{number}\n" * 4000 + "end\n", "a torn file"
    assert last <= number <= last + 1, "a lost save"
    kept = recovery.recall(KEY)
    assert kept is not None
    assert int(kept.text.split("\n", 1)[0]) in (number, number + 1)
    return number


@pytest.mark.slow
@pytest.mark.skipif(os.name != "posix", reason="kills by a POSIX signal")
def test_two_hundred_kills_tear_nothing_and_lose_nothing(tmp_path: Path, folder: Path) -> None:
    """A saving process is killed at random instants: what it said was saved is there, whole."""
    path, chance, last = tmp_path / "plant.toml", random.Random(7), 0
    with subprocess.Popen(
        [sys.executable, "-c", SAVERS, str(path)],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
        env={**os.environ, "PYTHONPATH": str(CHECKOUT)},
    ) as savers:  # fmt: skip
        assert savers.stdin is not None
        assert savers.stdout is not None
        for _ in range(200):
            print(last + 1, file=savers.stdin, flush=True)
            begun = lines_until(savers.stdout, "begun")
            time.sleep(chance.uniform(0.0, 0.05))
            os.kill(begun[-1][1], signal.SIGKILL)
            said = (*begun, *lines_until(savers.stdout, "gone"))
            last = max([last, *(number for word, number in said if word == "saved")])
            if path.exists():
                last = checked(path.read_text(), last)
            assert path.exists() or not last
        savers.stdin.close()
    assert last > 50, "the process was killed before it did anything"
    recovery.keep(copy(key="another-page-9"))  # a new page tidies up what is old
    for left in files.leftovers(folder):
        os.utime(left, (1e9, 1e9))
    recovery.keep(copy(key="another-page-10"))
    assert files.leftovers(folder) == []
    assert json.loads((folder / f"{KEY}.json").read_bytes())["key"] == KEY
