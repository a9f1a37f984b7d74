"""A scenario a thousand times: every uncertain input within its tolerance, noise anew each time.

Runs are independent, so that any `concurrent.futures` executor may work on them; by default all
cores of this computer do. A run is drawn from the seed and its own number alone: the result does
not depend on the executor or on how the runs were shared out.
"""

from __future__ import annotations

import math
import os
import signal
import threading
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import (
    FIRST_COMPLETED,
    BrokenExecutor,
    Executor,
    Future,
    wait,
)
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

from chamberctl.errors import InputError
from chamberctl.findings import Finding
from chamberctl.plant.compiled import cache_findings
from chamberctl.plant.tolerances import TolerancedField, toleranced_fields
from chamberctl.simulation.draws import Measure, Task, metric_values, shown_times, work
from chamberctl.simulation.runs import Failure, MonteCarlo, Run
from chamberctl.simulation.scenarios import prepare
from chamberctl.workers import Workers

if TYPE_CHECKING:
    from types import FrameType

    from chamberctl.control.controller import PidSettings
    from chamberctl.control.gain_steps import GainSteps
    from chamberctl.control.tuned import Tuning
    from chamberctl.plant.point import OperatingPoint
    from chamberctl.study import Study

__all__ = ["Failure", "MonteCarlo", "Run", "monte_carlo"]

CHUNKS_PER_WORKER = 8
LARGEST_CHUNK = 50
MOST_RUNS = 1_000_000
_LOOK_EVERY_S = 0.2


def monte_carlo(
    study: Study,
    settings: PidSettings | Tuning | GainSteps,
    scenario: str = "gas-step",
    *,
    runs: int = 1000,
    seed: int = 0,
    point: OperatingPoint | None = None,
    executor: Executor | None = None,
    progress: Callable[[int, int], None] | None = None,
    stop: Callable[[], bool] | None = None,
    measure: Measure | None = None,
) -> MonteCarlo:
    """Run a scenario many times, over tolerances and noise.

    Parameters
    ----------
    study : Study
        System, duty and controller, with the tolerances of its values.
    settings : PidSettings, Tuning or GainSteps
        The controller's settings, as of `simulate`. They are the same in every run.
    scenario : str
        One of `scenarios.SCENARIOS`.
    runs : int
        How many runs [-].
    seed : int
        Seed of all draws [-].
    point : OperatingPoint, optional
        The steady state that the loop holds; the worst duty point of the tuning if not given.
    executor : concurrent.futures.Executor, optional
        What works on the runs; a process on every core of this computer if not given. It is not
        shut down.
    progress : callable, optional
        Called with the number of runs that are done, and of all.
    stop : callable, optional
        Asked every now and then; where it returns True, no more runs are begun.
    measure : callable, optional
        From a trace and what was run to numbers by name; sent to the workers, so a function of a
        module. `metric_values` if not given.

    Returns
    -------
    MonteCarlo
        Runs and failures; after `stop` or an interrupt from the keyboard, those that were done.

    Raises
    ------
    InputError
        If there is no such scenario, or the number of runs is out of bounds.
    Infeasible
        If the scenario cannot be prepared at the point as described.

    Notes
    -----
    Each field of `toleranced_fields` is multiplied by its own factor, uniform between 1 - t and
    1 + t (assumed: a tolerance names a half width and nothing else). Setpoint and settings stay.

    Processes import the calling script: there, call this under ``if __name__ == "__main__":``.
    On a cluster: ``monte_carlo(..., executor=dask.distributed.Client(address).get_executor())``.
    """
    if not 1 <= runs <= MOST_RUNS:
        remedy = f"a number of runs is 1 to {MOST_RUNS}"
        raise InputError(remedy, given=str(runs), field="runs")
    prepared = prepare(study, settings, scenario, point=point)
    fields = toleranced_fields(study)
    prepared.run()  # compiled once, before there are workers
    with _working(executor) as worker:
        workers = getattr(worker, "_max_workers", None) or os.cpu_count() or 1
        chunk = min(max(1, math.ceil(runs / (workers * CHUNKS_PER_WORKER))), LARGEST_CHUNK)
        tasks = [
            Task(study, prepared, fields, seed, range(begin, min(begin + chunk, runs)),
                 measure or metric_values)
            for begin in range(0, runs, chunk)
        ]  # fmt: skip
        done, cancelled = _collect(worker, tasks, runs, progress, stop)
    done.sort(key=lambda one: one.number)
    complete = tuple(one for one in done if isinstance(one, Run))
    failures = tuple(one for one in done if isinstance(one, Failure))
    return MonteCarlo(
        scenario=scenario,
        asked=runs,
        seed=seed,
        fields=fields,
        time_s=shown_times(prepared),
        runs=complete,
        failures=failures,
        cancelled=cancelled,
        findings=_findings(runs, fields, complete, failures, cancelled),
    )


@contextmanager
def _working(executor: Executor | None) -> Iterator[Executor]:
    """The executor that was given, or one of our own for the while."""
    if executor is not None:
        yield executor
        return
    with Workers() as own:
        yield own


def _collect(
    worker: Executor,
    tasks: Sequence[Task],
    runs: int,
    progress: Callable[[int, int], None] | None,
    stop: Callable[[], bool] | None,
) -> tuple[list[Run | Failure], bool]:
    """Send out tasks and take in what comes back; true where Ctrl-C came or not all was done."""
    found: list[Run | Failure] = []
    pending: dict[Future[list[Run | Failure]], Task] = {}
    stopped = again = False
    with _interruption() as interrupted:
        try:
            for task in tasks:
                pending[worker.submit(work, task)] = task
            while pending and not stopped:
                ready, _ = wait(pending, timeout=_LOOK_EVERY_S, return_when=FIRST_COMPLETED)
                for future in ready:
                    found += _result(future, pending.pop(future))
                if ready and progress is not None:
                    progress(len(found), runs)
                stopped = interrupted() or (stop is not None and stop())
        except KeyboardInterrupt:
            again = True
        begun = _call_off(worker, pending)
        was_interrupted = again or interrupted()
    for future in begun:
        if not future.cancelled():
            found += _result(future, pending[future])
    return found, was_interrupted or len(found) < runs


def _call_off(worker: Executor, pending: Iterable[Future[Any]]) -> list[Future[Any]]:
    """Call off what was not begun; returns the work that was, when it is done."""
    if isinstance(worker, Workers):  # it does not bear that single pieces are taken from it
        worker.shutdown(cancel_futures=True)
        return [future for future in pending if not future.cancelled()]
    begun = [future for future in pending if not future.cancel()]
    wait(begun)
    return begun


@contextmanager
def _interruption() -> Iterator[Callable[[], bool]]:
    """Tell whether Ctrl-C was pressed; pressed again it interrupts as ever.

    An exception in the middle of handing out work could leave the executor's locks taken.
    """
    pressed = threading.Event()
    if threading.current_thread() is not threading.main_thread():
        yield pressed.is_set
        return
    before = signal.getsignal(signal.SIGINT)

    def press(_number: int, _frame: FrameType | None) -> None:
        pressed.set()
        signal.signal(signal.SIGINT, before)

    signal.signal(signal.SIGINT, press)
    try:
        yield pressed.is_set
    finally:
        signal.signal(signal.SIGINT, before)


def _result(future: Future[list[Run | Failure]], task: Task) -> list[Run | Failure]:
    """What a task brought; where its worker died, a failure for each of its runs."""
    try:
        return future.result()
    except BrokenExecutor as error:
        reason = (
            f"The worker process ended: {error} A script must call this under "
            'if __name__ == "__main__":.'
        )
        return [Failure(number, {}, reason) for number in task.numbers]


def _findings(
    asked: int,
    fields: Sequence[TolerancedField],
    runs: Sequence[Run],
    failures: Sequence[Failure],
    cancelled: bool,
) -> tuple[Finding, ...]:
    found = list(cache_findings())
    if cancelled:
        made = len(runs) + len(failures)
        text = f"Stopped early: {made} of {asked} runs were made."
        if made == asked:
            text = f"Stopped when all {asked} runs were made."
        found.append(Finding("caution", "runs", text))
    if not fields:
        text = "No value of the study states a tolerance or is assumed: only the noise was drawn."
        found.append(Finding("note", "tolerances", text))
    reasons: dict[str, int] = {}
    for failure in failures:
        reasons[failure.reason] = reasons.get(failure.reason, 0) + 1
    for reason, count in sorted(reasons.items(), key=lambda item: -item[1])[:5]:
        text = f"{count} of {len(runs) + len(failures)} runs have no result. {reason}"
        found.append(Finding("caution", "failed runs", text))
    return tuple(found)
