"""The linear model of one operating point: a rational plant and an exact dead time beside it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
from numpy.typing import NDArray

from chamberctl.errors import InputError
from chamberctl.findings import Finding

if TYPE_CHECKING:
    from control import StateSpace

Reading = Literal["log10", "linear"]
Array = NDArray[np.float64]

#: Names of the model's inputs: [speed fraction] and [multiples of ``load_scale_pa_m3_s``].
INPUTS = ("speed_command", "gas_load")
#: Natural logarithms at the output: indicated at the loop's gauge, true in the chamber.
OUTPUTS = ("ln_reading", "ln_pressure")


@dataclass(frozen=True, eq=False)
class LoopModel:
    """Small deviations around one operating point.

    The dead time acts on the speed command only and is kept apart from the rational part, so that
    everything computed from the model treats it exactly.

    Parameters
    ----------
    a : array, shape (n, n)
        State matrix [1/s].
    b : array, shape (n, 2)
        From speed command [speed fraction] and gas load [multiples of `load_scale_pa_m3_s`].
    c : array, shape (2, n)
        To ln of the indicated pressure and ln of the true chamber pressure [1].
    d : array, shape (2, 2)
        From inputs to outputs directly.
    dead_time_s : float
        Drive and gauge dead times and one update period of the gauge [s].
    reading_pa : float
        Indicated pressure at the operating point [Pa].
    load_scale_pa_m3_s : float
        Gas load that counts as 1 at the second input [Pa m3/s].
    where : str
        The operating point in words.
    point : object or None
        The operating point that the model was linearized at, if it was.
    findings : tuple of Finding
        What the linearization found, such as a kink.
    states : tuple of str
        Name of each state, where they have names.
    """

    a: Array
    b: Array
    c: Array
    d: Array
    dead_time_s: float
    reading_pa: float = 1.0
    load_scale_pa_m3_s: float = 1.0
    where: str = ""
    point: Any = None
    findings: tuple[Finding, ...] = ()
    states: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        if not (math.isfinite(self.dead_time_s) and self.dead_time_s >= 0.0):
            raise InputError(
                "the dead time must be finite and not negative",
                given=f"{self.dead_time_s} s",
                field="dead_time_s",
            )
        if not (math.isfinite(self.reading_pa) and self.reading_pa > 0.0):
            raise InputError(
                "the indicated pressure must be finite and above zero",
                given=f"{self.reading_pa} Pa",
                field="reading_pa",
            )

    @cached_property
    def plant(self) -> StateSpace:
        """The rational part for python-control, whose import takes longer than most answers."""
        from control import StateSpace

        return StateSpace(
            self.a,
            self.b,
            self.c,
            self.d,
            inputs=list(INPUTS),
            outputs=list(OUTPUTS),
            states=list(self.states) or None,
            remove_useless_states=False,
        )

    def output_scale(self, reading: Reading) -> float:
        """Return the factor from ln(reading) to decades ("log10") [1] or to Pa ("linear") [Pa]."""
        if reading == "log10":
            return 1.0 / math.log(10.0)
        if reading == "linear":
            return self.reading_pa
        raise InputError('the reading must be "log10" or "linear"', given=repr(reading))

    def siso(self, reading: Reading) -> tuple[Array, Array, Array, Array]:
        """Return A, B, C, D from speed command to the reading, without the dead time.

        Parameters
        ----------
        reading : {"log10", "linear"}
            Reading in decades of indicated pressure, or in Pa.

        Returns
        -------
        tuple of ndarray
            A (n, n) [1/s], B (n, 1) [1/s per speed fraction], C (1, n) and D (1, 1)
            [decades or Pa, per speed fraction].
        """
        scale = self.output_scale(reading)
        return self.a, self.b[:, :1], self.c[:1] * scale, self.d[:1, :1] * scale

    @classmethod
    def from_transfer_function(
        cls,
        num: Sequence[float],
        den: Sequence[float],
        dead_time_s: float = 0.0,
        reading_pa: float = 1.0,
        where: str = "",
    ) -> LoopModel:
        """Return the model of num(s)/den(s), speed command to ln of the reading, with a dead time.

        Parameters
        ----------
        num, den : sequence of float
            Polynomials in s [1/s], highest power first. A plant whose pressure falls with speed
            has a negative gain.
        dead_time_s : float
            Dead time [s].
        reading_pa : float
            Indicated pressure at the operating point [Pa].
        where : str
            The operating point in words.

        Returns
        -------
        LoopModel
            The gas load enters at the plant's input, against the speed and without the dead time;
            the chamber pressure equals the reading.

        Raises
        ------
        InputError
            If num/den is not a proper transfer function.
        """
        a, b, c, d = _realize(num, den)
        return cls(
            a,
            np.hstack([b, -b]),
            np.vstack([c, c]),
            np.array([[d, -d], [d, -d]]),
            dead_time_s,
            reading_pa,
            where=where,
        )


def _realize(num: Sequence[float], den: Sequence[float]) -> tuple[Array, Array, Array, float]:
    """Return a balanced controllable realization of num(s)/den(s)."""
    from scipy.linalg import matrix_balance

    top = np.trim_zeros(np.atleast_1d(np.asarray(num, dtype=float)), "f")
    bottom = np.trim_zeros(np.atleast_1d(np.asarray(den, dtype=float)), "f")
    if bottom.size == 0 or top.size > bottom.size or not np.isfinite([*top, *bottom]).all():
        raise InputError(
            "a transfer function needs finite numbers and no more zeros than poles",
            given=f"{list(num)} over {list(den)}",
        )
    order = bottom.size - 1
    top = np.concatenate([np.zeros(bottom.size - top.size), top]) / bottom[0]
    bottom = bottom / bottom[0]
    direct = float(top[0])
    a = np.zeros((order, order))
    b = np.zeros((order, 1))
    c = np.asarray(top[1:] - direct * bottom[1:], dtype=float).reshape(1, order)
    if order:
        a[0, :] = -bottom[1:]
        a[1:, :-1] = np.eye(order - 1)
        b[0, 0] = 1.0
        balanced, (scale, _) = matrix_balance(a, permute=False, separate=True)
        factor = np.asarray(scale, dtype=float)
        return np.asarray(balanced, dtype=float), b / factor[:, None], c * factor, direct
    return a, b, c, direct
