"""A word on standard error when something takes longer than two seconds."""

from __future__ import annotations

import sys
import threading
import time
from types import TracebackType

SILENT_S = 2.0
REPEAT_S = 10.0


class Progress:
    """Says what is being done, once two seconds have passed; each later step is then named.

    Used as a context manager; `step` names what begins now.
    """

    def __init__(self) -> None:
        self._started = time.monotonic()
        self._step = "starting"
        self._said = ""
        self._change = threading.Condition()
        self._over = False
        self._thread = threading.Thread(target=self._watch, daemon=True)

    def __enter__(self) -> Progress:
        self._thread.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        with self._change:
            self._over = True
            self._change.notify()
        self._thread.join()

    def step(self, text: str) -> None:
        """Name what begins now."""
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
