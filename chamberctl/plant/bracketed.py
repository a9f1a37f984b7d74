"""Roots of many functions at once, each between two ends where its sign differs.

As `scipy.optimize.elementwise.find_root` finds them, with which the tests compare it. That module's
import takes a tenth of the time of a whole report, and few systems ever come here: Newton's method
finds nearly all states.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

ROUNDS = 200
"""Most steps; ten are enough as a rule, and sixty where every one halves the bracket."""

_EPS = float(np.finfo(float).eps)


def bracketed_root(
    function: Callable[..., Any], low: Array, high: Array, args: tuple[Array, ...] = ()
) -> Array:
    """Find a root of each function within its bracket.

    Parameters
    ----------
    function : callable
        Takes x of shape (M,) and `args`; returns shape (M,).
    low, high : array, shape (M,)
        Ends of the brackets.
    args : tuple of array, shape (M,)
        What each function is of.

    Returns
    -------
    array, shape (M,)
        Roots, to rounding; NaN where the ends do not bracket one.

    References
    ----------
    T.R. Chandrupatla, A new hybrid quadratic/bisection algorithm for finding the zero of a
    nonlinear function without using derivatives, Advances in Engineering Software 28:145 (1997).
    """
    last, other = np.array(low, dtype=float), np.array(high, dtype=float)
    at_last, at_other = (np.asarray(function(x, *args), dtype=float) for x in (last, other))
    bracketed = np.sign(at_last) * np.sign(at_other) <= 0.0
    share = np.full(last.shape, 0.5)
    for _ in range(ROUNDS):
        x = last + share * (other - last)
        value = np.asarray(function(x, *args), dtype=float)
        same = np.sign(value) == np.sign(at_last)
        third, at_third = np.where(same, last, other), np.where(same, at_last, at_other)
        other, at_other = np.where(same, other, last), np.where(same, at_other, at_last)
        last, at_last = x, value
        nearer = np.abs(at_last) < np.abs(at_other)
        best, at_best = np.where(nearer, last, other), np.where(nearer, at_last, at_other)
        with np.errstate(all="ignore"):
            near = (2.0 * _EPS * np.abs(best) + np.finfo(float).tiny) / np.abs(other - last)
            if np.all((at_best == 0.0) | ~(near <= 0.5) | ~bracketed):
                break
            xi = (last - other) / (third - other)
            phi = (at_last - at_other) / (at_third - at_other)
            smooth = (phi**2 < xi) & ((1.0 - phi) ** 2 < 1.0 - xi)
            curved = at_last / (at_other - at_last) * at_third / (at_other - at_third) + (
                (third - last) / (other - last)
            ) * at_last / (at_third - at_last) * at_other / (at_third - at_other)
        share = np.clip(np.where(smooth, curved, 0.5), near, 1.0 - near)
    return np.where(bracketed & np.isfinite(at_best), best, np.nan)
