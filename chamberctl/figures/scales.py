"""Axes of pictures that move with a slider: their ends move in steps."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

_STEPS = (1.0, 2.0, 2.5, 5.0, 10.0)
_ENDS = (1.0, 1.5, 2.0, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0)


@dataclass(frozen=True)
class Scale:
    """One axis of a panel.

    Parameters
    ----------
    label : str
        With its unit.
    low, high : float
        Its ends.
    log : bool
        Whether it is logarithmic.
    ticks : tuple of float
        Where it is numbered.
    named : bool
        Whether numbers and label are written.
    tick_texts : tuple of str
        What is written at the ticks in place of their numbers.
    """

    label: str
    low: float
    high: float
    log: bool = False
    ticks: tuple[float, ...] = ()
    named: bool = True
    tick_texts: tuple[str, ...] = ()

    def share(self, values: Array) -> Array:
        """Return where values lie between the ends [share of the axis]."""
        if self.log:
            with np.errstate(divide="ignore", invalid="ignore"):
                values = np.log(values)
            return np.asarray((values - math.log(self.low)) / math.log(self.high / self.low))
        return np.asarray((values - self.low) / (self.high - self.low))


def held_scale(
    label: str, values: Sequence[Array], *, low: float | None = None, named: bool = True,
    least: float = 0.0,
) -> Scale:  # fmt: skip
    """Return an axis around values whose ends move in steps.

    Parameters
    ----------
    label : str
    values : sequence of array
        What must be seen; what is not finite is not looked at.
    low : float, optional
        Lower end, where it is known.
    named : bool
        Whether it is numbered.
    least : float
        Least distance of the ends.

    Returns
    -------
    Scale
        With four to ten numbers at round places.
    """
    known = np.concatenate([np.asarray(one, dtype=float).ravel() for one in values])
    known = known[np.isfinite(known)]
    if not known.size:
        known = np.array([0.0, 1.0])
    bottom = float(known.min()) if low is None else low
    top = max(float(known.max()), bottom)
    span = max(top - bottom, least, 1e-9 * max(abs(bottom), abs(top)), 1e-12)
    step = round_step(span / 4.0)
    first = math.floor(bottom / step + 1e-6) if low is None else 0
    last = max(math.ceil((top - (0.0 if low is None else low)) / step - 1e-6), first + 1)
    start = 0.0 if low is None else low
    ticks = tuple(float(f"{start + step * k:.12g}") for k in range(first, last + 1))
    return Scale(label, ticks[0], ticks[-1], ticks=ticks, named=named)


def round_step(about: float) -> float:
    """Return 1, 2, 2.5 or 5 times a power of ten, the first that is not smaller."""
    power = 10.0 ** math.floor(math.log10(about))
    return power * next(step for step in _STEPS if power * step >= about * (1.0 - 1e-9))


def round_end(about: float) -> float:
    """Return a round number that is not smaller; there are eight in a decade."""
    power = 10.0 ** math.floor(math.log10(about))
    return power * next(end for end in _ENDS if power * end >= about * (1.0 - 1e-9))


def log_scale(label: str, values: Array) -> Scale:
    """Return a logarithmic axis around positive values, numbered at 1, 2 and 5 or at decades.

    Parameters
    ----------
    label : str
    values : array
        What must be seen; positive.
    """
    low, high = 0.85 * float(np.min(values)), 1.2 * float(np.max(values))
    powers = range(math.floor(math.log10(low)), math.ceil(math.log10(high)) + 1)
    steps = (1.0,) if math.log10(high / low) > 2.0 else (1.0, 2.0, 5.0)
    ticks = tuple(
        float(f"{step * 10.0**power:.12g}")
        for power in powers
        for step in steps
        if low <= step * 10.0**power <= high
    )
    return Scale(label, low, high, log=True, ticks=ticks)
