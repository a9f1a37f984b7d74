"""Many draws of a scenario, made in the background while the page goes on.

The compiled runs let other threads work, so threads are enough, and nothing is left behind: a job
that is cancelled, or that no page asks after any more, ends after the runs it has begun.
"""

from __future__ import annotations

import os
import threading
import time
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from chamberctl.errors import ChamberctlError
from chamberctl.simulation.draws import repeated
from chamberctl.simulation.monte_carlo import monte_carlo
from chamberctl.simulation.scenarios import prepare

if TYPE_CHECKING:
    from chamberctl.control.tuned import Tuning
    from chamberctl.plant.point import OperatingPoint
    from chamberctl.simulation.runs import MonteCarlo
    from chamberctl.simulation.scenarios import ScenarioRun

State = Literal["running", "done", "cancelled", "failed"]

FORGOTTEN_S = 180.0
"""A job that no page asked after for so long is given up. Browsers let pages in the background ask
once a minute."""


@dataclass(frozen=True)
class Asked:
    """What a job was asked for.

    Parameters
    ----------
    tuning : Tuning
        Settings.
    name : str
        What they are called.
    scenario : str
        One of `scenarios.SCENARIOS`.
    point : OperatingPoint
        Where the loop holds.
    runs, seed : int
        How many draws, and the seed of all.
    """

    tuning: Tuning
    name: str
    scenario: str
    point: OperatingPoint
    runs: int
    seed: int = 0


class DrawsJob:
    """Draws that are being made; ask after it now and then, or it is given up."""

    def __init__(self, asked: Asked) -> None:
        self.asked = asked
        self.done = 0
        self.found: MonteCarlo | None = None
        self.worst: ScenarioRun | None = None
        self.failure: ChamberctlError | None = None
        self._cancelled = threading.Event()
        self._last_asked_s = time.monotonic()
        self._thread = threading.Thread(target=self._work, name="draws", daemon=True)
        self._thread.start()

    def ask(self) -> State:
        """Return how the job stands; a page that asks is still there."""
        self._last_asked_s = time.monotonic()
        if self._thread.is_alive():
            return "running"
        if self.failure is not None:
            return "failed"
        return "cancelled" if self.found is None or self.found.cancelled else "done"

    @property
    def share(self) -> float:
        """How much of it is done, from 0 to 1."""
        return min(self.done / self.asked.runs, 1.0)

    @property
    def progress_text(self) -> str:
        """How much of it is done, in words."""
        return f"{self.done} of {self.asked.runs} draws"

    def cancel(self) -> None:
        """Begin no more runs; those that were made are kept."""
        self._cancelled.set()

    def wait(self, longest_s: float) -> None:
        """Wait until it has ended, at most so long [s]."""
        self._thread.join(longest_s)

    def _stops(self) -> bool:
        forgotten = time.monotonic() - self._last_asked_s > FORGOTTEN_S
        # the interpreter waits for threads at its end: they must see that it ends
        return self._cancelled.is_set() or forgotten or not threading.main_thread().is_alive()

    def _work(self) -> None:
        asked = self.asked
        study = asked.tuning.study
        try:
            with ThreadPoolExecutor(os.cpu_count() or 1, thread_name_prefix="draw") as threads:
                self.found = monte_carlo(
                    study, asked.tuning, asked.scenario, runs=asked.runs, seed=asked.seed,
                    point=asked.point, executor=threads, progress=self._count, stop=self._stops,
                )  # fmt: skip
            drawn = self.found.worst()
            if drawn is not None:
                prepared = prepare(study, asked.tuning, asked.scenario, point=asked.point)
                self.worst = repeated(study, prepared, drawn.number, seed=asked.seed)
        except ChamberctlError as error:
            self.failure = error

    def _count(self, done: int, _of: int) -> None:
        self.done = done
