"""The open loop L = -K G of many plants at once, with exact dead time, sampled or continuous.

Each plant is brought to triangular form once (complex Schur form); after that every frequency costs
one back substitution, done for all plants and frequencies together.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray
from scipy.linalg.lapack import zgees

from chamberctl.control.controller import PidSettings, from_parts, law_of_rate, rate
from chamberctl.control.substitution import Triangular, substituted, triangular
from chamberctl.errors import InputError
from chamberctl.plant.linear import LoopModel

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]
Index = NDArray[np.intp]
Numbers = TypeVar("Numbers", Array, Complex)

#: A pole nearer to zero than this share of the plant's norm is an integrator.
INTEGRATOR = 1e-13
#: Largest scaled norm of the exponential of a triangular matrix (rest of its series 1e-17).
NORM = 0.6
#: Matrices whose exponentials are found together; more do not stay at hand in the processor.
AT_ONCE = 256
#: Plants times frequencies whose responses are found together, for the same reason.
ENTRIES_AT_ONCE = 8192


@dataclass(frozen=True)
class LoopStack:
    """N loops whose plants share one order n, shorter ones padded.

    `poles` are the plant's (N, n), nan where padded; `basis` leads back to its own states.
    `factor`, `first`, `second`, `out`, `direct` give
    G = z^-delay_scans (out (z - 1 - factor)^-1 (first + second/z) + direct/z) for sampled loops,
    G = exp(-s dead_time_s) (out (s - factor)^-1 first + direct) for continuous ones.
    """

    poles: Complex
    basis: Complex
    factor: Complex
    first: Complex
    second: Complex
    out: Complex
    direct: Array
    dead_time_s: Array
    scan_time_s: Array | None
    delay_scans: NDArray[np.int64]
    fraction: Array
    law: dict[str, Array]

    @property
    def count(self) -> int:
        """Number of loops."""
        return int(self.direct.size)

    @cached_property
    def integrators(self) -> NDArray[np.int64]:
        """Open-loop poles at zero frequency, the controller's included."""
        return np.sum(self.poles == 0.0, axis=1) + np.isfinite(self.law["ti"])

    @cached_property
    def unstable_poles(self) -> NDArray[np.int64]:
        """Number of the plant's poles in the right half plane."""
        return np.sum(self.poles.real > 0.0, axis=1)

    def subset(self, rows: Index) -> LoopStack:
        """Return some of the loops, in the order given."""
        parts = {
            name: getattr(self, name)[rows]
            for name in self.__dataclass_fields__
            if name not in ("law", "scan_time_s")
        }
        ts = None if self.scan_time_s is None else self.scan_time_s[rows]
        law = {name: value[rows] for name, value in self.law.items()}
        return LoopStack(**parts, scan_time_s=ts, law=law)

    def states(self, rows: Index) -> tuple[Array, Array, Array, Array]:
        """Return `factor`, `first`, `second` and `out` of some loops in real states."""
        q = self.basis[rows]
        back = q.conj().swapaxes(1, 2)
        factor = (q @ self.factor[rows] @ back).real
        first, second = (
            np.einsum("nij,nj->ni", q, value[rows]).real for value in (self.first, self.second)
        )
        return factor, first, second, np.einsum("nj,nji->ni", self.out[rows], back).real

    def response(self, w: Array, rows: Index | None = None) -> Complex:
        """Return L at w [rad/s]: (N, F) for all loops, or (P,) for loop rows[i] at w[i]."""
        return self._in_pieces(w, rows, with_law=True)

    def plant_response(self, w: Array, rows: Index | None = None) -> Complex:
        """Return G alone, dead time and hold included, at w [rad/s] as in `response`.

        For all loops w may also be one row (1, F), the same for each of them.
        """
        return self._in_pieces(w, rows, with_law=False)

    def _in_pieces(self, w: Array, rows: Index | None, *, with_law: bool) -> Complex:
        """Return L or G; no more at once than stays at hand in the processor."""
        result = np.empty((self.count, w.shape[1]) if rows is None else w.shape, complex)
        most = max(1, ENTRIES_AT_ONCE // (1 if rows is not None else max(1, w.shape[1])))
        for first in range(0, len(result), most):
            part = slice(first, min(first + most, len(result)))
            some = w if rows is None and len(w) == 1 else w[part]
            self._fill(result[part], some, part if rows is None else rows[part], with_law)
        return result

    def _fill(self, result: Complex, w: Array, rows: Index | slice, with_law: bool) -> None:
        """Write L or G into `result`, for a slice of the loops or for loop rows[i] at w[i]."""

        def pick(values: NDArray) -> NDArray:
            return values[rows, None] if isinstance(rows, slice) else values.take(rows)

        ts, late = None, None
        if self.scan_time_s is None:
            pole, angle = rate(w, None), w * pick(self.dead_time_s)
        else:
            ts, scans = pick(self.scan_time_s), pick(self.delay_scans)
            if len(w) < len(result):
                ts = ts[:1]
                scans = scans[:1] if np.all(scans == scans[0]) else scans
            pole, angle = rate(w, ts), w * ts * scans
            late = 1.0 + pole.conj()
        plants = self._triangular
        result[:] = substituted(
            plants, pole, pole if late is None else late, plants.picked(rows), result.shape
        )
        if self.direct.any():
            result += pick(self.direct) * (1.0 if late is None else late)
        result *= from_parts(np.cos(angle), -np.sin(angle))
        if with_law:
            law = {name: pick(value) for name, value in self.law.items()}
            result *= law_of_rate(pole, ts=ts, **law)
            np.negative(result, out=result)

    @cached_property
    def _triangular(self) -> Triangular:
        return triangular(self.factor, self.first, self.second, self.out)


def stack(models: Sequence[LoopModel], settings: Sequence[PidSettings]) -> LoopStack:
    """Return the loops of models[i] with settings[i], all sampled or all continuous.

    Raises
    ------
    InputError
        If sampled and continuous settings are mixed.
    """
    times = [one.scan_time_s for one in settings]
    sampled = [value for value in times if value is not None]
    if sampled and len(sampled) != len(times):
        raise InputError("either every loop has a scan time or none", field="scan_time_s")
    delay = np.array([m.dead_time_s + s.delay_s for m, s in zip(models, settings, strict=True)])
    # the same plant comes with many laws: what the law does not change is done once
    first: dict[tuple[int, str, float, float | None], int] = {}
    keys = (
        (id(model), one.reading, late, one.scan_time_s)
        for model, one, late in zip(models, settings, delay.tolist(), strict=True)
    )
    which = np.array([first.setdefault(key, len(first)) for key in keys])
    own = np.zeros(len(first), dtype=int)
    own[which[::-1]] = np.arange(which.size)[::-1]
    plants = _plants([models[i] for i in own], [settings[i] for i in own], delay[own])
    if own.size < which.size:
        plants = plants.subset(which)
    return replace(plants, law=_laws(settings))


def _laws(settings: Sequence[PidSettings]) -> dict[str, Array]:
    return {
        "kc": np.array([s.kc for s in settings]),
        "ti": np.array([s.ti_s for s in settings]),
        "td": np.array([s.td_s for s in settings]),
        "tf": np.array([s.tf_s for s in settings]),
        "tfd": np.array([s.tfd_s for s in settings]),
        "before": np.array([float(s.integral == "before") for s in settings]),
    }


def _plants(
    models: Sequence[LoopModel], settings: Sequence[PidSettings], delay: Array
) -> LoopStack:
    """Return the loops without their laws."""
    parts = [model.siso(one.reading) for model, one in zip(models, settings, strict=True)]
    order = max(1, *(len(a) for a, _, _, _ in parts))
    n = len(models)
    factor = np.zeros((n, order, order), complex)
    entry = np.zeros((n, order), complex)
    out = np.zeros((n, order), complex)
    basis = np.broadcast_to(np.eye(order, dtype=complex), (n, order, order)).copy()
    poles = np.full((n, order), complex(np.nan, np.nan))
    direct = np.array([d[0, 0] for _, _, _, d in parts])
    sizes = np.array([len(a) for a, _, _, _ in parts])
    for size in set(sizes.tolist()):
        rows = np.flatnonzero(sizes == size)
        pad = np.arange(size, order)
        factor[rows[:, None], pad, pad] = -1.0
        if size:
            some = [parts[i] for i in rows]
            t, q = _triangular(np.array([a for a, _, _, _ in some]))
            factor[rows, :size, :size], basis[rows, :size, :size] = t, q
            entry[rows, :size] = np.einsum("nji,nj->ni", q.conj(), [b[:, 0] for _, b, _, _ in some])
            out[rows, :size] = np.einsum("nj,nji->ni", [c[0] for _, _, c, _ in some], q)
            poles[rows, :size] = np.einsum("nii->ni", t)
    if settings[0].scan_time_s is None:
        none = np.zeros_like(entry)
        scans = np.zeros(n, dtype=np.int64)
        return LoopStack(
            poles, basis, factor, entry, none, out, direct, delay, None, scans, np.zeros(n), {}
        )
    ts = np.array([one.scan_time_s for one in settings])
    return _sampled(poles, basis, factor, entry, out, direct, delay, ts)


def _triangular(matrices: Array) -> tuple[Complex, Complex]:
    """Return T and Q of the complex Schur forms A = Q T Q^H (N, n, n), integrators exactly zero."""
    if not np.isfinite(matrices).all():
        raise InputError("the linear model holds a number that is not finite")
    t, q = matrices.astype(complex), np.empty(matrices.shape, complex)
    for i, a in enumerate(t):
        t[i], _, _, q[i], _, info = zgees(_unsorted, a)
        if info:
            raise InputError("the linear model's poles could not be found")
    poles = np.einsum("nii->ni", t)
    small = np.abs(poles) <= INTEGRATOR * np.abs(matrices).max(axis=(1, 2))[:, None]
    row, column = np.nonzero(small)
    t[row, column, column] = 0.0
    return t, q


def _unsorted(pole: complex) -> None:
    """Stand for an order of poles where none is asked for."""


def _sampled(
    poles: Complex,
    basis: Complex,
    factor: Complex,
    entry: Complex,
    out: Complex,
    direct: Array,
    delay: Array,
    ts: Array,
) -> LoopStack:
    """Sample the plants behind a zero-order hold, the dead time split in whole scans and a rest."""
    scans, fraction = split_delay(delay, ts)
    n, order = entry.shape
    size = np.abs(entry).max(axis=1)
    size[size == 0.0] = 1.0
    block = np.zeros((2 * n, order + 1, order + 1), complex)
    block[:, :order, :order] = np.concatenate([factor, factor])
    block[:, :order, order] = np.concatenate([entry, entry]) / np.concatenate([size, size])[:, None]
    held = ts - fraction
    time = np.concatenate([held, fraction])
    powers = exponential(block * time[:, None, None])
    after, before = powers[:n], powers[n:]
    first = after[:, :order, order] * size[:, None]
    second = after[:, :order, :order] @ before[:, :order, order:] * size[:, None, None]
    whole = after[:, :order, :order] @ before[:, :order, :order]
    diagonal = np.arange(order)
    # the diagonal as exp(pole Ts) - 1, so that slow poles keep all their digits
    whole[:, diagonal, diagonal] = np.expm1(factor[:, diagonal, diagonal] * ts[:, None])
    return LoopStack(
        poles, basis, whole, first, second[:, :, 0], out, direct, delay, ts, scans, fraction, {}
    )


def split_delay(delay_s: Array, scan_time_s: Array) -> tuple[NDArray[np.int64], Array]:
    """Return whole scans and the rest [s] of a delay; a rest of rounding size counts as none."""
    ratio = delay_s / scan_time_s
    scans = np.floor(ratio + 1e-9)
    rest = (ratio - scans) * scan_time_s
    return scans.astype(np.int64), np.where(rest > 1e-9 * scan_time_s, rest, 0.0)


def exponential(triangular: Complex) -> Complex:
    """Return the exponential of each upper triangular matrix (P, m, m), by scaling and squaring."""
    # real numbers where there are no others: at a fourth of the work
    if not triangular.imag.any():
        return _exponentials(triangular.real.copy()).astype(complex)
    return _exponentials(triangular)


def _exponentials(triangular: Numbers) -> Numbers:
    norm = np.abs(triangular).sum(axis=-1).max(axis=-1)
    doublings = np.maximum(0, np.ceil(np.log2(np.maximum(norm, 1e-300) / NORM))).astype(int)
    # those that are squared most often first
    order = np.argsort(-doublings, kind="stable")
    result = np.empty_like(triangular)
    for first in range(0, order.size, AT_ONCE):
        rows = order[first : first + AT_ONCE]
        result[rows] = _exponential(triangular[rows], doublings[rows])
    return result


def _exponential(triangular: Numbers, doublings: Index) -> Numbers:
    """Return the exponentials of matrices whose numbers of squarings fall."""
    scaled = triangular.copy()
    scaled.view(float)[:] *= np.exp2(-doublings)[:, None, None]
    result = _series(scaled)
    corner = np.arange(triangular.shape[-1])
    diagonal = scaled[:, corner, corner]
    result[:, corner, corner] = np.exp(diagonal)
    for k in range(int(doublings.max(initial=0))):
        some = slice(0, int(np.count_nonzero(doublings > k)))
        result[some] = result[some] @ result[some]
        diagonal[some] *= 2.0
        result[some, corner, corner] = np.exp(diagonal[some])
    return result


def _series(scaled: Numbers) -> Numbers:
    """Return the Taylor series of the exponential up to X^15, in powers of X^4: six products."""
    square = scaled @ scaled
    powers = [scaled, square, square @ scaled, square @ square]
    # real factors on real numbers: numpy would make them complex, at four times the work
    numbers = [power.view(float) for power in powers]
    result = np.zeros_like(scaled)
    corner = np.arange(scaled.shape[-1])
    for first in (12, 8, 4, 0):
        if first < 12:
            result = result @ powers[3]
        real = result.view(float)
        for k in (1, 2, 3):
            real += numbers[k - 1] * (1.0 / math.factorial(first + k))
        result[:, corner, corner] += 1.0 / math.factorial(first)
    return result
