"""The command `simulate`: scenarios on the nonlinear plant, one by one or in many draws."""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

from chamberctl.cli.arguments import UsageError
from chamberctl.cli.progress import Progress
from chamberctl.cli.run_files import Writing
from chamberctl.cli.run_output import print_json, print_runs
from chamberctl.cli.tried import Tried
from chamberctl.cli.tuned import tuned
from chamberctl.errors import Infeasible, InputError

if TYPE_CHECKING:
    from chamberctl.control.tuned import Tuning
    from chamberctl.plant.point import OperatingPoint
    from chamberctl.study import Study

CORNERS = "corners"
SPOKEN_EVERY_S = 2.0


def simulate(arguments: argparse.Namespace) -> bool:
    """Run scenarios; good if every one keeps the limits that the duty states."""
    names = _names(arguments)
    from chamberctl.cli.commands import simulating
    from chamberctl.study import load

    with Progress() as progress:
        study = load(arguments.study)
        writing = Writing.of(arguments)
        tuning = tuned(study, progress)
        points = _points(study, tuning, arguments.point)
        simulating(progress, "the scenarios")
        tried = _days(study, tuning, points, names, arguments.seed, progress)
        writing.refuse_taken(tried)
        try:
            cancelled = _draw(study, tuning, tried, arguments, progress)
        except KeyboardInterrupt:  # between the draws of two scenarios
            cancelled = True
        if cancelled:  # what is done is written and shown, also where it was pressed twice
            progress.heed()
        failure = None
        try:
            if writing.folders:
                progress.step("writing files")
                writing.write(study, tried, arguments.seed)
        except InputError as error:  # what was computed is shown before it is said
            failure = error
    happened = arguments.all or all(one.day.run is not None for one in tried)
    good = happened and all(one.good for one in tried)
    if arguments.json:
        print_json(study, tuning, tried, good)
    else:
        print_runs(study, tuning, tried, good, noise=arguments.seed is not None)
    if failure is not None:
        raise failure
    if cancelled:
        raise KeyboardInterrupt
    return good


def _names(arguments: argparse.Namespace) -> tuple[str, ...]:
    """Scenarios that were asked for, each once."""
    from chamberctl.simulation.scenarios import SCENARIOS
    from chamberctl.study.messages import nearest

    if arguments.all == bool(arguments.scenario):
        listed = "\n".join(f"  {name}" for name in SCENARIOS)
        raise UsageError(f"give --scenario NAME, several if wanted, or --all. There are:\n{listed}")
    for name in arguments.scenario or ():
        if name not in SCENARIOS:
            remedy = f"no such scenario{nearest(name, SCENARIOS)}"
            raise InputError(remedy, given=repr(name), field="--scenario")
    return tuple(SCENARIOS) if arguments.all else tuple(dict.fromkeys(arguments.scenario))


def _points(study: Study, tuning: Tuning, wanted: str | None) -> tuple[OperatingPoint, ...]:
    """Where the loop is to hold."""
    from chamberctl.plant.window import duty_points
    from chamberctl.simulation.scenarios import corners, worst_point

    if wanted is None:
        return (worst_point(tuning),)
    if wanted == CORNERS:
        return corners(study)
    count = len(study.duty_points())
    if not (wanted.isdecimal() and 1 <= int(wanted) <= count):
        raise InputError(
            f"give the number of a duty point, 1 to {count}, or {CORNERS}",
            given=repr(wanted), field="--point",
        )  # fmt: skip
    point = duty_points(study)[int(wanted) - 1]
    if not point.feasible:
        raise Infeasible(point.reason, point.nearest)
    return (point,)


def _days(
    study: Study, tuning: Tuning, points: Sequence[OperatingPoint], names: Sequence[str],
    seed: int | None, progress: Progress,
) -> list[Tried]:  # fmt: skip
    from chamberctl.report.behavior_text import label
    from chamberctl.simulation.days import days

    spoken = _now_and_then(progress.step)
    found = days(
        study, tuning, points, names, seed=seed, progress=lambda what: spoken(f"simulating {what}")
    )
    return [
        Tried(day, f"{day.scenario.name}-point-{label(study, day.point.where)}") for day in found
    ]


def _draw(
    study: Study, tuning: Tuning, tried: Sequence[Tried], arguments: argparse.Namespace,
    progress: Progress,
) -> bool:  # fmt: skip
    """Make the draws that were asked for; true where Ctrl-C stopped them."""
    if arguments.draws is None:
        return False
    from chamberctl.simulation.draws import repeated
    from chamberctl.simulation.monte_carlo import monte_carlo

    seed, spoken = arguments.seed or 0, _now_and_then(progress.step)
    for one in tried:
        if one.day.run is None:
            continue
        name = one.day.scenario.name
        progress.step(f"starting {arguments.draws} draws of {name}")

        def count(done: int, of: int, name: str = name) -> None:
            spoken(f"{name}: {done} of {of} draws")

        one.draws = monte_carlo(
            study, tuning, name, runs=arguments.draws, seed=seed, point=one.day.point,
            progress=count,
        )  # fmt: skip
        worst = one.draws.worst()
        if worst is not None:
            one.worst = repeated(study, one.day.run.prepared, worst.number, seed=seed)
        if one.draws.cancelled:
            return True
    return False


def _now_and_then(say: Callable[[str], None]) -> Callable[[str], None]:
    """Say a count that changes quickly only every few seconds."""
    last = [time.monotonic()]

    def spoken(what: str) -> None:
        if time.monotonic() - last[0] >= SPOKEN_EVERY_S:
            last[0] = time.monotonic()
            say(what)

    return spoken
