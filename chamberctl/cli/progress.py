"""A word on standard error when something takes longer than two seconds."""

from __future__ import annotations

import signal
import sys
import threading
import time
from types import FrameType, TracebackType

SILENT_S = 2.0
REPEAT_S = 10.0


class Progress:
    """Says what is being done, once two seconds have passed; each later step is then named.

    Used as a context manager; `step` names what begins now. A Ctrl-C that was lost (what is raised
    while a library calls back may be swallowed there) counts when the next step begins.
    """

    def __init__(self) -> None:
        self._started = time.monotonic()
        self._step = "starting"
        self._said = ""
        self._change = threading.Condition()
        self._over = False
        self._thread = threading.Thread(target=self._watch, daemon=True)
        self._interrupted = self._listens = False

    def __enter__(self) -> Progress:
        main = threading.current_thread() is threading.main_thread()
        if main and signal.getsignal(signal.SIGINT) is signal.default_int_handler:
            signal.signal(signal.SIGINT, self._interrupt)
            self._listens = True
        self._thread.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if self._listens:
            signal.signal(signal.SIGINT, signal.default_int_handler)
        with self._change:
            self._over = True
            self._change.notify()
        self._thread.join()

    def heed(self) -> None:
        """Take note that a Ctrl-C has been acted on."""
        self._interrupted = False

    def _interrupt(self, _number: int, _frame: FrameType | None) -> None:
        self._interrupted = True
        raise KeyboardInterrupt

    def step(self, text: str) -> None:
        """Name what begins now.

        Raises KeyboardInterrupt where one was raised before that nobody acted on.
        """
        if self._interrupted:
            self._interrupted = False
            raise KeyboardInterrupt
        with self._change:
            self._step = text
            self._change.notify()

    def _watch(self) -> None:
        with self._change:
            while not self._over and self._elapsed() < SILENT_S:
                self._change.wait(SILENT_S - self._elapsed())
            while not self._over:
                self._say()
                self._change.wait(REPEAT_S)

    def _elapsed(self) -> float:
        return time.monotonic() - self._started

    def _say(self) -> None:
        again = " (still)" if self._step == self._said else ""
        self._said = self._step
        print(f"{self._elapsed():4.0f} s  {self._step}{again} ...", file=sys.stderr, flush=True)
