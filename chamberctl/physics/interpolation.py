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
    knots : array, shape (K,)
        Rising places of the table [-].
    values, slopes : array, shape (K,)
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
    last = knots.shape[0] - 1
    left = np.minimum(np.maximum(np.searchsorted(knots, x.real) - 1, 0), last - 1)
    width = knots[left + 1] - knots[left]
    t = (x - knots[left]) / width
    s = 1.0 - t
    return (
        values[left] * s * s * (1.0 + 2.0 * t)
        + slopes[left] * width * t * s * s
        + values[left + 1] * t * t * (3.0 - 2.0 * t)
        - slopes[left + 1] * width * t * t * s
    )


def within(x: Any, knots: Any) -> Any:
    """Hold x between the first and the last knot.

    Parameters
    ----------
    x : float or array
        Where to look [-]; may be complex.
    knots : array, shape (K,)
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
