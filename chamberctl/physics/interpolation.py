"""Interpolation in tables by functions that also take complex arguments and compile."""

from __future__ import annotations

from typing import Any

import numpy as np


def hermite(x: Any, knots: Any, values: Any, slopes: Any) -> Any:
    """Cubic Hermite interpolation between the first and the last knot.

    Parameters
    ----------
    x : float or array
        Where to look [-]; may be complex.
    knots : array, shape (K,) or (K, M)
        Rising places of the table [-]; M of them, one for each of the last axis of x.
    values, slopes : array, shape of knots
        Values and slopes there [-].

    Returns
    -------
    float or array
        Interpolated value [-].

    References
    ----------
    F.N. Fritsch, R.E. Carlson, SIAM J. Numer. Anal. 17:238 (1980).

    Examples
    --------
    >>> knots = np.array([0.0, 1.0])
    >>> float(hermite(0.5, knots, np.array([0.0, 1.0]), np.array([1.0, 1.0])))
    0.5
    """
    left = 0 * (x.real > knots[0])
    for k in range(1, knots.shape[0] - 1):
        left = left + (x.real > knots[k])
    start = _entry(knots, left)
    width = _entry(knots, left + 1) - start
    t = (x - start) / width
    s = 1.0 - t
    return (
        _entry(values, left) * s * s * (1.0 + 2.0 * t)
        + _entry(slopes, left) * width * t * s * s
        + _entry(values, left + 1) * t * t * (3.0 - 2.0 * t)
        - _entry(slopes, left + 1) * width * t * t * s
    )


def monotone_slopes(x: Any, values: Any) -> Any:
    """Slopes with which a cubic through points does not overshoot them.

    Parameters
    ----------
    x, values : array, shape (K,)
        The points [-], x rising.

    Returns
    -------
    array, shape (K,)
        Weighted harmonic means of the secants on either side [-]; 0 where these differ in sign, and
        at both ends.

    References
    ----------
    F.N. Fritsch, J. Butland, SIAM J. Sci. Stat. Comput. 5:300 (1984).

    Examples
    --------
    >>> monotone_slopes(np.array([0.0, 1.0, 2.0]), np.array([0.0, 1.0, 3.0])).round(3).tolist()
    [0.0, 1.333, 0.0]
    """
    width = np.diff(x)
    secant = np.diff(values) / width
    slopes = np.zeros(len(x))
    for k in np.flatnonzero(np.sign(secant[:-1]) * np.sign(secant[1:]) > 0.0):
        before, after = 2.0 * width[k + 1] + width[k], width[k + 1] + 2.0 * width[k]
        with np.errstate(over="ignore"):  # next to a level piece the slope comes to 0
            mean = (before / secant[k] + after / secant[k + 1]) / (before + after)
        slopes[k + 1] = 1.0 / mean
    return slopes


def _entry(column: Any, place: Any) -> Any:
    """Entry of a table's column, or of each of M columns its own."""
    if column.ndim == 1:
        return column[place]
    return column[place, np.arange(column.shape[1])]


def within(x: Any, knots: Any) -> Any:
    """Hold x between the first and the last knot.

    Parameters
    ----------
    x : float or array
        Where to look [-]; may be complex.
    knots : array, shape (K,) or (K, M)
        Rising places of the table [-].

    Returns
    -------
    float or array
        x [-], or the nearest end.

    References
    ----------
    Definition.

    Examples
    --------
    >>> float(within(3.0, np.array([0.0, 1.0])))
    1.0
    """
    last = knots.shape[0] - 1
    above = (x.real > knots[last]) * 1.0
    below = (x.real < knots[0]) * 1.0
    return (1.0 - above) * (1.0 - below) * x + above * knots[last] + below * knots[0]
