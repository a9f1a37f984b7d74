"""What many runs of one scenario came to."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from chamberctl.errors import InputError
from chamberctl.findings import Finding
from chamberctl.plant.tolerances import TolerancedField

Array = NDArray[np.float64]

SHOWN = 301
"""Times at which the reading of every run is kept."""

QUANTILES = (0.05, 0.5, 0.95)


@dataclass(frozen=True)
class Run:
    """One run that was carried to its end.

    Parameters
    ----------
    number : int
        Its number, from 0.
    factors : dict of str to float
        Factor on each uncertain field, by its path [-].
    measures : dict of str to float
        What was measured.
    indicated_pa : array, shape (SHOWN,)
        Reading of the loop's gauge at `MonteCarlo.time_s` [Pa].
    """

    number: int
    factors: Mapping[str, float]
    measures: Mapping[str, float]
    indicated_pa: Array


@dataclass(frozen=True)
class Failure:
    """One run that could not be carried to its end, and why; the draw is kept to look into it."""

    number: int
    factors: Mapping[str, float]
    reason: str


@dataclass(frozen=True)
class MonteCarlo:
    """Many runs of one scenario.

    Parameters
    ----------
    scenario : str
        Name of the scenario.
    asked : int
        How many runs were asked for.
    seed : int
        Seed of all draws.
    fields : tuple of TolerancedField
        What was drawn, with its half width.
    time_s : array, shape (SHOWN,)
        Times of the readings that are kept [s].
    runs : tuple of Run
        Complete runs, by number.
    failures : tuple of Failure
        Runs that failed, by number.
    cancelled : bool
        True where not all runs were made: what is here is complete in itself.
    findings : tuple of Finding
        What is to be known of the whole.
    """

    scenario: str
    asked: int
    seed: int
    fields: tuple[TolerancedField, ...]
    time_s: Array
    runs: tuple[Run, ...]
    failures: tuple[Failure, ...]
    cancelled: bool
    findings: tuple[Finding, ...]

    def values(self, name: str) -> Array:
        """One measure over all complete runs, in the order of `runs`."""
        if self.runs and name not in self.runs[0].measures:
            known = ", ".join(self.runs[0].measures)
            raise InputError(f"no such measure; there are: {known}", given=repr(name), field="name")
        return np.array([run.measures[name] for run in self.runs])

    def quantiles(self, levels: Sequence[float] = QUANTILES) -> dict[str, Array]:
        """Quantiles of every measure, each the value of a run.

        Values that do not exist (NaN) are left out; inf, such as the time of a run that does not
        settle, counts.
        """
        found = {}
        for name in self.runs[0].measures if self.runs else ():
            values = self.values(name)
            known = values[~np.isnan(values)]
            found[name] = np.full(len(levels), np.nan)
            if known.size:
                found[name] = np.quantile(known, levels, method="inverted_cdf")
        return found

    def worst(self) -> Run | None:
        """The run to look into first.

        One that breaks the duty's limits before one that keeps them; of those one in which the
        pressure never came to the setpoint; of those the one with the largest peak deviation. None
        where no run was made.
        """
        if not self.runs:
            return None

        def badness(run: Run) -> tuple[bool, bool, float]:
            m = run.measures
            return m["holds"] == 0.0, math.isnan(m["overshoot"]), m["peak_deviation"]

        return max(self.runs, key=badness)

    def readings(self, levels: Sequence[float] = QUANTILES) -> Array:
        """Quantiles of the reading at each of `time_s` [Pa], shape (levels, SHOWN)."""
        if not self.runs:
            return np.full((len(levels), self.time_s.size), np.nan)
        return np.asarray(np.quantile([run.indicated_pa for run in self.runs], levels, axis=0))
