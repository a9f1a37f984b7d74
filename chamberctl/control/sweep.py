"""Frequencies for a loop: dense enough that no crossing, peak or turn around -1 is missed.

The points of all loops lie in one flat list, sorted by loop and frequency.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from chamberctl.control.frequency import Array, Complex, Index, LoopStack

#: Points per decade of the first grid.
DENSITY = 8
#: Largest move of L in one interval, as a share of its distance from -1.
STEP = 0.4
#: Largest turn [rad] of the dead time, and of L as a whole, in one interval.
DELAY_TURN, TURN = 0.5, 0.8
#: |L| below which turns need not be resolved, beyond the first turns of the dead time.
NEGLIGIBLE = 0.003
#: A dead time this many times shorter than the shortest lag turns L only where it is nothing.
VERY_SHORT = 1e6
#: Rounds of refinement; the last intervals are 2^-ROUNDS of the first ones.
ROUNDS = 30


@dataclass(frozen=True)
class Sweep:
    """L of all loops: value[i] is L of loop row[i] at omega[i] [rad/s].

    Loop k has the points start[k] to start[k + 1] - 1. `limit` is L at infinite frequency without
    the dead time's turn, 0 for sampled loops.
    """

    stack: LoopStack
    row: Index
    omega: Array
    value: Complex
    start: Index
    limit: Array

    @property
    def inner(self) -> NDArray[np.bool_]:
        """Whether point i and i + 1 belong to the same loop."""
        return self.row[1:] == self.row[:-1]

    def subset(self, rows: Index) -> Sweep:
        """Return the sweep of some of the loops, ascending."""
        kept = np.zeros(self.stack.count, dtype=bool)
        kept[rows] = True
        keep = kept[self.row]
        row = (np.cumsum(kept) - 1)[self.row[keep]]
        start = np.searchsorted(row, np.arange(rows.size + 1))
        return Sweep(
            self.stack.subset(rows), row, self.omega[keep], self.value[keep], start,
            self.limit[rows],
        )  # fmt: skip

    def with_points(self, row: Index, omega: Array) -> Sweep:
        """Return the sweep with further points."""
        order = np.lexsort((omega, row))
        row, omega = row[order], omega[order]
        added = Insertion(self.start, self.omega, row, omega)
        return Sweep(
            self.stack,
            added.both(self.row, row),
            added.both(self.omega, omega),
            added.both(self.value, self.stack.response(omega, row)),
            added.start,
            self.limit,
        )


class Insertion:
    """Where further frequencies go in flat lists of frequencies, sorted by loop and frequency.

    Parameters
    ----------
    start : array of int, shape (N + 1,)
        Where the frequencies of each loop start, and the end of the last.
    omega : array
        Frequencies [rad/s].
    more_row : array of int, shape (K,)
        Loop of each further frequency, ascending.
    more_omega : array, shape (K,)
        Further frequencies, ascending for each loop [rad/s].
    """

    def __init__(self, start: Index, omega: Array, more_row: Index, more_omega: Array) -> None:
        self.at = _places(start, omega, more_row, more_omega) + np.arange(more_row.size)
        self.kept = _others(omega.size, self.at)
        count = np.bincount(more_row, minlength=start.size - 1)
        self.start = start + np.concatenate([[0], np.cumsum(count)])

    def both(self, values: NDArray, more: NDArray) -> NDArray:
        """Return what belongs to the frequencies, with what belongs to the further ones."""
        return _inserted(values, self.kept, more, self.at)


def _others(size: int, at: Index) -> Index:
    """Return the places of so many values among which others are put at `at`."""
    free = np.ones(size + at.size, dtype=bool)
    free[at] = False
    return np.flatnonzero(free)


def _inserted(values: NDArray, kept: Index, more: NDArray, at: Index) -> NDArray:
    result = np.empty(kept.size + at.size, values.dtype)
    result[kept], result[at] = values, more
    return result


def _places(start: Index, omega: Array, more_row: Index, more_omega: Array) -> Index:
    """Return the entry before which each further frequency belongs, by halving."""
    low, high = start[more_row], start[more_row + 1]
    for _ in range(int(np.max(high - low, initial=0)).bit_length()):
        middle = (low + high) // 2
        beyond = (middle >= high) | (omega[np.minimum(middle, omega.size - 1)] > more_omega)
        low, high = np.where(beyond, low, middle + 1), np.where(beyond, middle, high)
    return low


def sweep(stack: LoopStack, extra: tuple[Index, Array] | None = None) -> Sweep:
    """Return L of every loop on a grid of its own; `extra` are points (loops, omega) to include."""
    low, high, limit = _range(stack)
    decades = float(np.max(np.log10(high / low)))
    points = max(16, int(np.ceil(DENSITY * decades)))
    share = np.linspace(0.0, 1.0, points)
    omega = low[:, None] * (high / low)[:, None] ** share[None, :]
    omega[:, -1] = high
    value = stack.response(omega)
    if stack.scan_time_s is not None:
        value[:, -1] = value[:, -1].real  # z = -1
    row, start = np.repeat(np.arange(stack.count), points), np.arange(stack.count + 1) * points
    first = Sweep(stack, row, omega.ravel(), value.ravel(), start, limit)
    more = [near_poles(stack, low, high)] + ([extra] if extra is not None else [])
    rows = np.concatenate([r for r, _ in more])
    where = np.concatenate([w for _, w in more])
    good = (where > low[rows]) & (where < high[rows])
    if good.any():
        first = first.with_points(rows[good], where[good])
    return _refined(_turns_of_dead_time(first))


def _range(stack: LoopStack) -> tuple[Array, Array, Array]:
    """Return the lowest and highest frequency of each loop and L at infinite frequency."""
    law = stack.law
    with np.errstate(divide="ignore", over="ignore"):
        corners = [np.abs(stack.poles), *(1.0 / law[name][:, None] for name in ("tf", "tfd", "td"))]
        corners += [1.0 / law["ti"][:, None]]
        late = 1.0 / stack.dead_time_s
    every = np.concatenate(corners, axis=1)
    every = np.where(np.isfinite(every) & (every > 0.0), every, np.nan)
    lone = np.isnan(every).all(axis=1)
    every[lone] = np.where(np.isfinite(late[lone]), late[lone], 1.0)[:, None]
    slowest, fastest = np.nanmin(every, axis=1), np.nanmax(every, axis=1)
    # a dead time that is very short against all lags matters nowhere
    late = np.where(late < VERY_SHORT * fastest, late, np.nan)
    slowest, fastest = np.fmin(slowest, late), np.fmax(fastest, late)
    if stack.scan_time_s is None:
        high, limit = _highest(stack, 100.0 * fastest)
    else:
        high, limit = np.pi / stack.scan_time_s, np.zeros(stack.count)
    return _lowest(stack, np.minimum(0.01 * slowest, 0.01 * high)), high, limit


def _lowest(stack: LoopStack, low: Array) -> Array:
    """Move `low` down to where each loop is its integrators and a gain, above 1 if it has any."""
    m = stack.integrators
    low = low.copy()
    for _ in range(40):
        value = stack.response(low[:, None])[:, 0]
        off = np.abs(np.sin(np.angle(value) + 0.5 * np.pi * m)) > 0.03
        weak = (m > 0) & (np.abs(value) < 10.0) & (value != 0.0)
        move = off | weak
        if not move.any():
            break
        low[move] *= 0.1
    return low


def _highest(stack: LoopStack, high: Array) -> tuple[Array, Array]:
    """Move `high` up to where L has come near its limit at infinity; return both."""
    limit = limit_at_infinity(stack)
    high = high.copy()
    for _ in range(40):
        value = np.abs(stack.response(high[:, None])[:, 0])
        size = np.abs(limit)
        done = np.isinf(size) | (np.abs(value - size) <= np.maximum(0.03, 1e-3 * size))
        if done.all():
            break
        high[~done] *= 10.0
    return high, limit


def limit_at_infinity(stack: LoopStack) -> Array:
    """Return L of continuous loops at infinite frequency, without the dead time's turn."""
    law = stack.law
    kc, td, tf, tfd = law["kc"], law["td"], law["tf"], law["tfd"]
    with np.errstate(divide="ignore", invalid="ignore"):
        ideal = (td > 0.0) & (tfd == 0.0)
        flat = kc * np.where(td > 0.0, 1.0 + td / tfd, 1.0)
        flat = np.where(tf > 0.0, np.where(ideal, kc * td / tf, 0.0), flat)
    steep = ideal & (tf == 0.0)
    markov = np.einsum("ni,ni->n", stack.out, stack.first)
    size = np.linalg.norm(stack.out, axis=1) * np.linalg.norm(stack.first, axis=1)
    markov = np.where(np.abs(markov) > 1e-12 * size, markov.real, 0.0)
    rising = np.copysign(np.inf, kc * stack.direct)
    infinite = np.where(stack.direct == 0.0, kc * td * markov, rising)
    finite = np.where(stack.direct == 0.0, 0.0, np.where(steep, 0.0, flat) * stack.direct)
    return -np.where(steep, infinite, finite)


def near_poles(stack: LoopStack, low: Array, high: Array) -> tuple[Index, Array]:
    """Return frequencies around the plant's lightly damped poles."""
    pole = np.where(np.isnan(stack.poles), 0.0, stack.poles)
    light = (pole.imag > 0.0) & (np.abs(pole.real) < 0.5 * pole.imag)
    row, column = np.nonzero(light)
    centre = pole[row, column]
    offsets = np.array([-8.0, -4.0, -2.0, -1.0, -0.5, -0.2, 0.0, 0.2, 0.5, 1.0, 2.0, 4.0, 8.0])
    width = np.maximum(np.abs(centre.real), 1e-9 * centre.imag)
    omega = centre.imag[:, None] + width[:, None] * offsets
    rows = np.repeat(row, offsets.size)
    flat = omega.ravel()
    good = (flat > low[rows]) & (flat < high[rows])
    return rows[good], flat[good]


def _turns_of_dead_time(line: Sweep) -> Sweep:
    """Divide the intervals in which the dead time turns L too far while L still matters."""
    delay = line.stack.dead_time_s[line.row[:-1]]
    turn = np.diff(line.omega) * delay
    size = np.maximum(np.abs(line.value[1:]), np.abs(line.value[:-1]))
    matters = (size > NEGLIGIBLE) | (line.omega[:-1] * delay < 20.0)
    pieces = np.ceil(np.where(line.inner & matters, turn, 0.0) / DELAY_TURN).astype(int)
    which, omega = divided(line.omega, pieces)
    return line.with_points(line.row[which], omega) if which.size else line


def divided(omega: Array, pieces: NDArray[np.int64]) -> tuple[Index, Array]:
    """Divide intervals into equal pieces.

    Parameters
    ----------
    omega : array, shape (K,)
        Frequencies [rad/s].
    pieces : int array, shape (K - 1,)
        Into how many pieces each interval is divided.

    Returns
    -------
    tuple of (int array, array)
        For each new frequency the interval it lies in, and the frequency [rad/s].
    """
    wide = np.flatnonzero(pieces > 1)
    count = pieces[wide] - 1
    which = np.repeat(wide, count)
    step = np.arange(which.size) - np.repeat(np.cumsum(count) - count, count) + 1
    return which, omega[which] + step / pieces[which] * (omega[which + 1] - omega[which])


def _refined(line: Sweep) -> Sweep:
    """Halve intervals until L moves little against its distance from -1 and turns little."""
    row, omega, value = line.row, line.omega, line.value
    active = np.flatnonzero(line.inner)
    for _ in range(ROUNDS):
        left, right = value[active], value[active + 1]
        move = np.abs(right - left) > STEP * np.minimum(np.abs(1.0 + left), np.abs(1.0 + right))
        size = np.maximum(np.abs(left), np.abs(right))
        with np.errstate(invalid="ignore", divide="ignore"):
            turn = np.abs(np.angle(right / left)) > TURN
        split = active[move | (turn & (size > NEGLIGIBLE))]
        wide = omega[split + 1] - omega[split] > 1e-12 * omega[split]
        split = split[wide]
        if split.size == 0:
            break
        middle = np.sqrt(omega[split] * omega[split + 1])
        fresh = line.stack.response(middle, row[split])
        # the new point of the j-th split interval ends up at split[j] + 1 + j
        left_of_new = split + np.arange(split.size)
        at = left_of_new + 1
        kept = _others(row.size, at)
        row, omega, value = (
            _inserted(old, kept, new, at)
            for old, new in ((row, row[split]), (omega, middle), (value, fresh))
        )
        active = np.stack([left_of_new, left_of_new + 1], axis=1).ravel()
    start = np.searchsorted(row, np.arange(line.stack.count + 1))
    return Sweep(line.stack, row, omega, value, start, line.limit)
