"""One draw of many: which plant it is, its run, and what was measured."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from dataclasses import fields as dataclass_fields
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from chamberctl.errors import ChamberctlError, Infeasible
from chamberctl.plant.tolerances import TolerancedField, toleranced_fields, vary
from chamberctl.simulation.judging import judged, measured
from chamberctl.simulation.runs import SHOWN, Failure, Run
from chamberctl.simulation.scattered import scattered
from chamberctl.simulation.scenarios import run

if TYPE_CHECKING:
    from chamberctl.simulation.engine import Trace
    from chamberctl.simulation.prepared import Prepared
    from chamberctl.simulation.scenarios import ScenarioRun
    from chamberctl.study import Study

Array = NDArray[np.float64]
Measure = Callable[["Trace", "Prepared"], Mapping[str, float]]

LEAST_FACTOR = 0.01
"""Least factor of a field whose tolerance is 100 % or more."""

TOLERANCE = 3e-5
"""Error of ln p allowed per step in many runs: three times that of a single one. It moved the
pressures of a furnace's gas step by 3e-6, far less than any tolerance drawn does."""

_FAILURES = (ChamberctlError, ArithmeticError, ValueError)
"""What a single run may end with; everything else is a fault of the program."""


@dataclass(frozen=True)
class Task:
    """Some runs, as they are sent to a worker."""

    study: Study
    prepared: Prepared
    fields: tuple[TolerancedField, ...]
    seed: int
    numbers: range
    measure: Measure


def work(task: Task) -> list[Run | Failure]:
    """Make the runs of a task; this is what workers call."""
    factors = [drawn(task.fields, task.seed, number) for number in task.numbers]
    try:
        variants = _variants(task, factors)
    except _FAILURES:
        variants = [_variant(task, one) for one in factors]
    found: list[Run | Failure] = []
    for number, one, variant in zip(task.numbers, factors, variants, strict=True):
        if isinstance(variant, str):
            found.append(Failure(number, one, variant))
            continue
        found.append(_one(number, one, variant, noise_seed(task.seed, number), task.measure))
    return found


def noise_seed(seed: int, number: int) -> int:
    """Seed of the gauge's noise in one run."""
    return int(np.random.SeedSequence([seed, number, 1]).generate_state(1)[0])


def repeated(study: Study, prepared: Prepared, number: int, *, seed: int = 0) -> ScenarioRun:
    """Run one draw once more, with its whole trace.

    Parameters
    ----------
    study : Study
        What the draws were made from.
    prepared : Prepared
        The scenario as `monte_carlo` had it: `scenarios.prepare` with the same arguments.
    number : int
        Number of the run.
    seed : int
        Seed of all draws.

    Returns
    -------
    ScenarioRun
        The run, to the same accuracy as before.

    Raises
    ------
    Infeasible
        If this plant cannot hold the setpoint.
    """
    fields = toleranced_fields(study)
    task = Task(study, prepared, fields, seed, range(number, number + 1), metric_values)
    variant = _variants(task, [drawn(fields, seed, number)])[0]
    if isinstance(variant, str):
        raise Infeasible(variant, "")
    return run(variant, seed=noise_seed(seed, number), tolerance=TOLERANCE)


def _variants(task: Task, factors: Sequence[Mapping[str, float]]) -> list[Prepared | str]:
    """Prepare the scenario in each drawn plant."""
    studies = []
    for one in factors:
        changed = task.study
        for path, factor in one.items():
            changed = vary(changed, path, factor)
        studies.append(changed)
    return scattered(task.study, task.prepared, studies)


def _variant(task: Task, factors: Mapping[str, float]) -> Prepared | str:
    try:
        return _variants(task, [factors])[0]
    except _FAILURES as error:
        return str(error) or type(error).__name__


def _one(
    number: int, factors: Mapping[str, float], prepared: Prepared, noise: int, measure: Measure
) -> Run | Failure:
    try:
        trace = prepared.run(seed=noise, tolerance=TOLERANCE)
        if not trace.complete:
            return Failure(number, factors, "The integration could not go on.")
        measures = {name: float(value) for name, value in measure(trace, prepared).items()}
    except _FAILURES as error:
        return Failure(number, factors, str(error) or type(error).__name__)
    shown = np.interp(shown_times(prepared), trace.time_s, trace.columns["indicated_pa"])
    return Run(number, factors, measures, shown)


def drawn(fields: Sequence[TolerancedField], seed: int, number: int) -> dict[str, float]:
    """Factors of one run.

    Parameters
    ----------
    fields : sequence of TolerancedField
        What is known only within a tolerance.
    seed, number : int
        Seed of all, and number of the run [-].

    Returns
    -------
    dict of str to float
        Factor on each field, by its path [-]; uniform within the tolerance.
    """
    uniform = np.random.default_rng([seed, number, 0]).uniform(-1.0, 1.0, len(fields))
    return {
        field.path: max(1.0 + field.tolerance * float(share), LEAST_FACTOR)
        for field, share in zip(fields, uniform, strict=True)
    }


def metric_values(trace: Trace, prepared: Prepared) -> dict[str, float]:
    """Measures of a run: its metrics that are numbers.

    Parameters
    ----------
    trace : Trace
        A run.
    prepared : Prepared
        What was run.

    Returns
    -------
    dict of str to float
        The fields of `metrics.Metrics`; of a limit cycle `limit_cycle_amplitude` [of setpoint] and
        `limit_cycle_period_s` [s], 0 and NaN where there is none; and `holds`, 1 where the duty's
        limits are kept, else 0, NaN where it states none.
    """
    found = measured(prepared, trace)
    values = {
        field.name: float(getattr(found, field.name))
        for field in dataclass_fields(found)
        if field.name not in ("limit_cycle", "complete", "findings")
    }
    cycle, verdict = found.limit_cycle, judged(prepared, found)
    values["limit_cycle_amplitude"] = cycle.amplitude if cycle else 0.0
    values["limit_cycle_period_s"] = cycle.period_s if cycle else math.nan
    values["holds"] = float(verdict.holds) if verdict.judged else math.nan
    return values


def shown_times(prepared: Prepared) -> Array:
    """Times at which the reading of each run is kept [s]."""
    return np.linspace(0.0, prepared.happenings.duration_s, SHOWN)
