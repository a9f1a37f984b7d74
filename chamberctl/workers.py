"""Work handed to other processes: processes that Ctrl-C leaves alone, and pieces of one answer.

A piece is done by whoever is free first: by another process, or by the one that asks for it.
"""

from __future__ import annotations

import multiprocessing
import os
import signal
import sys
import threading
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import BrokenExecutor, Executor, Future, ProcessPoolExecutor
from contextlib import contextmanager
from contextvars import ContextVar
from multiprocessing import connection
from pathlib import Path
from typing import Any, Generic, TypeVar

from chamberctl.memory import collect_rarely

T = TypeVar("T")


class Workers(ProcessPoolExecutor):
    """Processes to which Ctrl-C never comes, not even while they start.

    A terminal sends it to all of them. One that dies of it breaks the executor, which then waits
    for ever where work was called off at the same time.

    Parameters
    ----------
    count : int, optional
        How many; as many as there are cores if not given.
    """

    def __init__(self, count: int | None = None) -> None:
        # a page has threads, and a process that is forked from them may never wake
        ways = multiprocessing.get_all_start_methods()
        context = multiprocessing.get_context("forkserver" if "forkserver" in ways else "spawn")
        super().__init__(count, mp_context=context, initializer=_begin_work)

    def submit(self, fn: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:
        """Hand in work; a process that is started for it inherits that interrupts are held back."""
        if not hasattr(signal, "pthread_sigmask"):
            return super().submit(fn, *args, **kwargs)
        before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
        try:
            return super().submit(fn, *args, **kwargs)
        finally:
            signal.pthread_sigmask(signal.SIG_SETMASK, before)


def _begin_work() -> None:
    """Leave Ctrl-C to the process that asked for the work, and do not outlive it."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=_end_with_parent, daemon=True).start()
    collect_rarely()


def _end_with_parent() -> None:
    """End this process when the one that asked for its work was killed."""
    parent = multiprocessing.parent_process()
    if parent is not None:
        connection.wait([parent.sentinel])
        os._exit(1)


class Piece(Generic[T]):
    """One piece of work, done here or elsewhere.

    Parameters
    ----------
    desk : Desk
        Where it lies.
    function, arguments : callable, tuple
        What is to be called.
    """

    def __init__(self, desk: Desk, function: Callable[..., T], arguments: tuple[Any, ...]) -> None:
        self.function, self.arguments = function, arguments
        self.elsewhere: Future[T] = Future()
        self._desk = desk
        self._here = False
        self._made: tuple[T] | None = None

    def result(self) -> T:
        """Return what the work came to; it is done here where nobody has begun it.

        Raises whatever the work raises.
        """
        self._here = self._here or self._desk.take_back(self)
        if not self._here:
            try:
                return self.elsewhere.result()
            except BrokenExecutor:  # the other process was killed: the work is late, not lost
                self._here = True
        if self._made is None:
            self._made = (self.function(*self.arguments),)
        return self._made[0]

    def do_if_left(self) -> None:
        """Do the work here where nobody has begun it; raises whatever it raises."""
        if self._desk.take_back(self):
            self._here = True
            self.result()


def results(pieces: Iterable[Piece[T]]) -> list[T]:
    """Return what came of pieces, in their order; nobody waits while any of them is left to do.

    Parameters
    ----------
    pieces : iterable of Piece
        In the order in which this process takes what is left.
    """
    pieces = list(pieces)
    for piece in pieces:
        piece.do_if_left()
    return [piece.result() for piece in pieces]


class Desk:
    """Where pieces of work lie until somebody takes them.

    Parameters
    ----------
    executor : concurrent.futures.Executor, optional
        Takes one piece at a time, in the order in which they were laid down. Without one, all work
        is done by the process that asks for it, when it does.
    """

    def __init__(self, executor: Executor | None = None) -> None:
        self._executor = executor
        self._waiting: deque[Piece[Any]] = deque()
        self._once: dict[tuple[Any, ...], Piece[Any]] = {}
        self._busy = executor is None
        self._lock = threading.Lock()

    def lay_down(
        self, function: Callable[..., T], *arguments: Any, urgent: bool = False
    ) -> Piece[T]:
        """Return a piece of work that anybody may take from now on.

        Parameters
        ----------
        function : callable
            At the top level of a module, as another process has to find it.
        *arguments : object
            Its arguments.
        urgent : bool
            Whether it comes before all that lies there.
        """
        piece: Piece[T] = Piece(self, function, arguments)
        with self._lock:
            (self._waiting.appendleft if urgent else self._waiting.append)(piece)
            idle, self._busy = not self._busy, True
        if idle:
            self._hand_over()
        return piece

    def once(self, function: Callable[..., T], *arguments: Any) -> Piece[T]:
        """Return the piece of work that is laid down only once, whoever asks for it first.

        Parameters
        ----------
        function, *arguments
            As for `lay_down`; the arguments can be keys.
        """
        key = function, arguments
        if key not in self._once:
            self._once[key] = self.lay_down(function, *arguments)
        return self._once[key]

    def take_back(self, piece: Piece[Any]) -> bool:
        """Take a piece from the desk; false where somebody else has it."""
        with self._lock:
            if piece in self._waiting:
                self._waiting.remove(piece)
                return True
            return False

    def _hand_over(self) -> None:
        """Give the executor the next piece, if there is one."""
        with self._lock:
            self._busy = bool(self._waiting)
            if not self._busy:
                return
            piece = self._waiting.popleft()
        assert self._executor is not None
        try:
            future = self._executor.submit(piece.function, *piece.arguments)
        except (RuntimeError, OSError) as error:  # closed, broken or not to be started: not again
            piece.elsewhere.set_exception(BrokenExecutor(str(error)))
            return
        future.add_done_callback(lambda done: self._done(piece, done))

    def _done(self, piece: Piece[Any], future: Future[Any]) -> None:
        """Keep what came of a piece, and go on with the next unless the executor is gone."""
        error = BrokenExecutor("called off") if future.cancelled() else future.exception()
        if error is None:
            piece.elsewhere.set_result(future.result())
        else:
            piece.elsewhere.set_exception(error)
        if not isinstance(error, BrokenExecutor):
            self._hand_over()


def _is_own_command() -> bool:
    """Tell whether this process was started as chamberctl, not as a script that imports it."""
    main = sys.modules["__main__"]
    spec = getattr(main, "__spec__", None)
    name = spec.name if spec is not None else Path(getattr(main, "__file__", None) or "").stem
    return bool(name.partition(".")[0] == "chamberctl")


def _one_more() -> Workers | None:
    try:
        return Workers(1)
    except (ImportError, NotImplementedError, OSError):  # no semaphores, or no more processes
        return None


_SHARED: ContextVar[Desk | None] = ContextVar("desk", default=None)


def desk() -> Desk:
    """Return the desk that work is shared on here; one without a helper outside `desk_beside`."""
    return _SHARED.get() or Desk()


def cores() -> int:
    """Return how many cores this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


@contextmanager
def desk_beside() -> Iterator[Desk]:
    """Share work with one process beside this one, on the desk that `desk` then returns.

    Work that nobody waits for is given up at the end. There is no other process on a single core,
    where the system has none to give, and in a script that calls the command line: it would be run
    once more by the other process.
    """
    executor = _one_more() if cores() > 1 and _is_own_command() else None
    if executor is None:
        yield Desk()
        return
    shared = Desk(executor)
    before = _SHARED.set(shared)
    try:
        yield shared
    finally:
        # the piece at work comes to its end: a process that is ended while it sends a result leaves
        # the one that reads it waiting for ever
        _SHARED.reset(before)
        executor.shutdown(wait=False, cancel_futures=True)
