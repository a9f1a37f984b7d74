"""What a disk margin promises: how far gain and phase may move, each alone and both together."""

from __future__ import annotations

import math
from dataclasses import dataclass


@dataclass(frozen=True)
class DiskLimits:
    """Changes of the plant that a balanced disk margin allows.

    Parameters
    ----------
    gain_low, gain_high : float
        Factors on the gain, the phase unchanged [1]; inf: any.
    phase_deg : float
        Change of the phase to either side, the gain unchanged [deg].
    """

    gain_low: float
    gain_high: float
    phase_deg: float


def disk_limits(disk_margin: float) -> DiskLimits:
    """Translate a balanced disk margin into gain and phase.

    Parameters
    ----------
    disk_margin : float
        1/max|S - 1/2| [1]; above 0.

    Returns
    -------
    DiskLimits
        (2 - alpha)/(2 + alpha) to (2 + alpha)/(2 - alpha), and 2 atan(alpha/2); nan where there
        is no margin.

    Notes
    -----
    Every change by a complex factor f with |f - 1| < (alpha/2) |f + 1| is allowed, so gain and
    phase may move together inside these ends. The plain margins may be larger, never smaller.

    References
    ----------
    P. Seiler, A. Packard, P. Gahinet, An Introduction to Disk Margins, IEEE Control Systems
    Magazine 40(5) (2020) 78-95 (formulas from memory, re-derived).
    """
    half = 0.5 * disk_margin
    high = math.inf if half >= 1.0 else (1.0 + half) / (1.0 - half)
    low = 0.0 if half >= 1.0 else 1.0 / high
    if math.isnan(half):
        low = high = math.nan
    return DiskLimits(low, high, math.degrees(2.0 * math.atan(half)))
