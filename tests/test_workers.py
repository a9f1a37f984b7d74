"""Pieces of work are done once, by whoever is free, and none is lost."""

from __future__ import annotations

import multiprocessing
import os
import signal
import subprocess
import sys
import threading
import time
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from pathlib import Path
from typing import Any

import pytest

from chamberctl.errors import Infeasible
from chamberctl.workers import Desk, Workers, desk_beside, results
from tests.house import CHECKOUT


def _refuse(reason: str) -> None:
    raise Infeasible(reason, "nearer")


def _die_elsewhere(home: int) -> int:
    if os.getpid() != home:
        os._exit(1)
    return home


def test_alone_work_is_done_when_it_is_asked_for_and_once() -> None:
    done: list[int] = []
    piece = Desk().lay_down(lambda: done.append(len(done)) or len(done))
    assert done == []
    assert (piece.result(), piece.result()) == (1, 1)


def test_two_share_the_work_from_both_ends_and_each_piece_is_done_once() -> None:
    done: list[tuple[int, str]] = []

    def work(number: int) -> int:
        time.sleep(0.01)
        done.append((number, threading.current_thread().name))
        return number * number

    with ThreadPoolExecutor(1, thread_name_prefix="other") as other:
        desk = Desk(other)
        pieces = [desk.lay_down(work, number) for number in range(20)]
        found = [piece.result() for piece in reversed(pieces)]
    assert found == [number * number for number in reversed(range(20))]
    assert sorted(number for number, _ in done) == list(range(20))
    others = [number for number, who in done if who.startswith("other")]
    mine = [number for number, who in done if not who.startswith("other")]
    assert others == sorted(others)
    assert mine == sorted(mine, reverse=True)
    assert len(others) > 4
    assert len(mine) > 4


def test_nobody_waits_for_a_piece_while_another_is_left() -> None:
    mine_done = threading.Event()
    done: list[int] = []

    def held_until_the_rest_is_done(number: int) -> int:
        assert mine_done.wait(timeout=30.0)
        return number

    def work(number: int) -> int:
        done.append(number)
        if len(done) == 4:
            mine_done.set()
        return number

    with ThreadPoolExecutor(1) as other:
        desk = Desk(other)
        first = desk.lay_down(held_until_the_rest_is_done, 0)
        rest = [desk.lay_down(work, number) for number in range(1, 5)]
        assert results([first, *rest]) == [0, 1, 2, 3, 4]
    assert done == [1, 2, 3, 4]


def test_what_is_wanted_once_is_one_piece_for_all_who_ask() -> None:
    done: list[int] = []
    desk = Desk()
    first, second = desk.once(done.append, 1), desk.once(done.append, 1)
    assert first is second
    assert desk.once(done.append, 2) is not first
    first.result()
    second.result()
    assert done == [1]


def test_an_error_comes_to_the_one_who_asks() -> None:
    for desk in (Desk(), Desk(ThreadPoolExecutor(1))):
        piece = desk.lay_down(_refuse, "no pump")
        for _ in range(2):
            with pytest.raises(Infeasible, match="no pump") as refused:
                piece.result()
            assert refused.value.nearest == "nearer"


@pytest.mark.slow
def test_work_of_a_process_that_is_killed_is_done_here() -> None:
    home = os.getpid()
    with Workers(1) as executor:
        desk = Desk(executor)
        pieces = [desk.lay_down(_die_elsewhere, home) for _ in range(5)]
        time.sleep(1.0)
        assert [piece.result() for piece in pieces] == [home] * 5
        assert desk.lay_down(_die_elsewhere, home).result() == home


@pytest.mark.slow
def test_a_refusal_from_another_process_is_whole() -> None:
    with Workers(1) as executor:
        piece = Desk(executor).lay_down(_refuse, "no pump")
        time.sleep(1.0)
        with pytest.raises(Infeasible, match="no pump") as refused:
            piece.result()
    assert refused.value.nearest == "nearer"


def test_a_process_that_cannot_be_started_leaves_the_work_here() -> None:
    class Nowhere(ThreadPoolExecutor):
        def submit(self, *_arguments: Any, **_named: Any) -> Any:
            raise OSError("AF_UNIX path too long")

    with Nowhere(1) as executor:
        desk = Desk(executor)
        pieces = [desk.lay_down(abs, -number) for number in range(3)]
        assert [piece.result() for piece in pieces] == [0, 1, 2]


def test_a_script_that_shares_work_does_it_alone() -> None:
    """Another process would run the whole script once more; tests are such a script."""
    with desk_beside() as beside:
        assert beside.lay_down(os.getpid).result() == os.getpid()
        assert multiprocessing.active_children() == []


@pytest.mark.slow
@pytest.mark.skipif(os.name != "posix", reason="sends a POSIX signal")
@pytest.mark.parametrize("after_s", [1.0, 4.0])
def test_a_report_that_is_interrupted_ends_soon_and_leaves_no_process(
    tmp_path: Path, after_s: float
) -> None:
    command = [sys.executable, "-m", "chamberctl", "report", "preset:freeze-dryer", "--out", "out"]
    with subprocess.Popen(
        command,
        cwd=tmp_path,
        env={**os.environ, "PYTHONPATH": str(CHECKOUT)},
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        start_new_session=True,
        # also where whoever began ignores it
        preexec_fn=partial(signal.signal, signal.SIGINT, signal.SIG_DFL),
    ) as running:
        time.sleep(after_s)
        os.killpg(running.pid, signal.SIGINT)
        said, _ = running.communicate(timeout=60.0)  # ends when no process holds the output open
    assert running.returncode in (130, -signal.SIGINT), said
    assert "Traceback" not in said
    assert not (tmp_path / "out").exists()


@pytest.mark.slow
def test_no_process_outlives_the_one_that_was_killed(tmp_path: Path) -> None:
    script = tmp_path / "caller.py"
    script.write_text(
        "import os, time\n"
        "from chamberctl.workers import Workers\n"
        "if __name__ == '__main__':\n"
        "    workers = Workers(1)\n"  # one that nobody holds any more ends its process
        "    print(workers.submit(os.getpid).result(), flush=True)\n"
        "    time.sleep(600)\n"
    )
    with subprocess.Popen(
        [sys.executable, script],
        stdout=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONPATH": str(CHECKOUT)},
    ) as caller:
        assert caller.stdout is not None
        worker = int(caller.stdout.readline())
        ran = _runs(worker)
        caller.kill()
    assert ran
    end = time.monotonic() + 20.0
    while time.monotonic() < end and _runs(worker):
        time.sleep(0.1)
    assert not _runs(worker)


def _runs(pid: int) -> bool:
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    stat = Path(f"/proc/{pid}/stat")  # one that has ended and waits to be seen still has a number
    return not stat.exists() or stat.read_text().rpartition(")")[2].split()[0] != "Z"
