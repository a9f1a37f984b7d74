"""A schedule as it runs: which set of gains a scan uses. Plain functions, run compiled as well."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, Any, Literal, NamedTuple

import numpy as np

from chamberctl.control.controller import Numbers, PidSettings, numbers
from chamberctl.errors import InputError

if TYPE_CHECKING:
    from chamberctl.control.schedule_parts import Threshold


@dataclass(frozen=True)
class GainSteps:
    """Sets of settings and where one takes over from another.

    Parameters
    ----------
    key : {"reading", "output"}
        What chooses the set: the indicated pressure or the controller's output.
    settings : tuple of PidSettings
        In rising order of the key; all with the same reading, scan time and limits.
    thresholds : tuple of Threshold
        Between them, one less.
    """

    key: Literal["reading", "output"]
    settings: tuple[PidSettings, ...]
    thresholds: tuple[Threshold, ...]

    def __post_init__(self) -> None:
        if len(self.settings) != len(self.thresholds) + 1:
            raise InputError(
                "a schedule needs one threshold less than sets of settings",
                given=f"{len(self.settings)} settings, {len(self.thresholds)} thresholds",
                field="thresholds",
            )
        first = self.settings[0]
        same = ("reading", "scan_time_s", "computation_delay_s", "output_min", "output_max")
        for name in same:
            if any(getattr(one, name) != getattr(first, name) for one in self.settings):
                raise InputError("must be the same in every set of a schedule", field=name)
        places = [place for one in self.thresholds for place in (one.down, one.up)]
        if any(low > high for low, high in pairwise(places)):
            raise InputError("thresholds with their hysteresis must rise", field="thresholds")

    def entry_at(self, value: float) -> int:
        """Return the set that a value of the key starts with, counted from 0."""
        return sum(value > one.at for one in self.thresholds)

    def numbers(self) -> GainNumbers:
        """Return the schedule as plain numbers."""
        return GainNumbers(
            laws=np.array([[float(value) for value in numbers(one)] for one in self.settings]),
            at=np.array([one.at for one in self.thresholds], dtype=float),
            up=np.array([one.up for one in self.thresholds], dtype=float),
            down=np.array([one.down for one in self.thresholds], dtype=float),
            by_output=self.key == "output",
        )


class GainNumbers(NamedTuple):
    """A schedule as plain numbers.

    `laws` holds the fields of `Numbers` of one set in each row; `at`, `up` and `down` are where to
    switch at the start, on the way up and on the way down [Pa indicated, or speed fraction].
    """

    laws: Any
    at: Any
    up: Any
    down: Any
    by_output: bool


def first_entry(gains: GainNumbers, value: float) -> int:
    """Return the set that a value of the key starts with."""
    entry = 0
    while entry < gains.at.shape[0] and value > gains.at[entry]:
        entry += 1
    return entry


def next_entry(gains: GainNumbers, entry: int, value: float) -> int:
    """Return the set in use after a scan sees a value of the key; as before if it is no number."""
    while entry < gains.up.shape[0] and value > gains.up[entry]:
        entry += 1
    while entry > 0 and value < gains.down[entry - 1]:
        entry -= 1
    return entry


def law_of(gains: GainNumbers, entry: int) -> Numbers:
    """Return the numbers of one set."""
    laws = gains.laws
    return Numbers(
        laws[entry, 0], laws[entry, 1], laws[entry, 2], laws[entry, 3], laws[entry, 4],
        laws[entry, 5], laws[entry, 6], laws[entry, 7], laws[entry, 8] > 0.0, laws[entry, 9],
        laws[entry, 10], laws[entry, 11], laws[entry, 12],
    )  # fmt: skip
