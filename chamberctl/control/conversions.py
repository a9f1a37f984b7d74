"""Arithmetic between the notations of one PID law: ideal, parallel, series, gains and times.

Numbers in, numbers out; the law itself is `chamberctl.control.controller`. All conversions are
exact for the continuous law, the derivative's filter included; those to the series form end where
that form ends (complex zeros), and then say so.
"""

from __future__ import annotations

import math
from typing import NamedTuple

from chamberctl.errors import InputError


class FormError(InputError):
    """Settings that the controller's form or notation cannot express."""


class Pid(NamedTuple):
    """Gain, integral time [s], derivative time [s] and filter time of the derivative [s]."""

    gain: float
    ti_s: float
    td_s: float
    filter_s: float = 0.0


class ParallelPid(NamedTuple):
    """Proportional gain, integral gain [1/s of the gain's unit] and derivative gain [s]."""

    kp: float
    ki: float
    kd: float


def parallel_from_ideal(gain: float, ti_s: float, td_s: float = 0.0) -> ParallelPid:
    """Return the three gains of the parallel form.

    Parameters
    ----------
    gain : float
        Gain of the ideal form, in any unit.
    ti_s, td_s : float
        Integral time [s] (inf: none) and derivative time [s].

    Returns
    -------
    ParallelPid
        kp, ki = gain/Ti [1/s], kd = gain Td [s].

    References
    ----------
    K. J. Astrom, T. Hagglund, PID Controllers: Theory, Design, and Tuning, 2nd ed. (1995), section
    3.2 (from memory).
    """
    return ParallelPid(gain, gain / ti_s, gain * td_s)


def ideal_from_parallel(kp: float, ki: float, kd: float = 0.0) -> Pid:
    """Return gain and times of the ideal form; see `parallel_from_ideal`.

    Raises
    ------
    FormError
        If kp is 0 while ki or kd is not: gain and times cannot say that.
    """
    if kp == 0 and (ki != 0 or kd != 0):
        raise FormError(
            "a loop without proportional action has no gain and times; give it a proportional gain",
            given=f"Kp 0, Ki {ki:g}, Kd {kd:g}",
        )
    return Pid(kp, kp / ki if ki else math.inf, kd / kp if kd else 0.0)


def ideal_from_series(gain: float, ti_s: float, td_s: float, filter_s: float = 0.0) -> Pid:
    """Return the ideal form that equals a series form.

    The series form is gain (1 + 1/(Ti s)) (1 + Td s)/(1 + Tf s); the ideal form is
    K (1 + 1/(Ti s) + Td s/(1 + Tf s)), with the same Tf.

    Parameters
    ----------
    gain : float
        Gain of the series form, in any unit.
    ti_s, td_s, filter_s : float
        Integral time [s] (inf: none), derivative time and derivative filter [s].

    Returns
    -------
    Pid
        The ideal form.

    Raises
    ------
    FormError
        If the filter is longer than the derivative or integral time: that is a lag, no derivative.

    Notes
    -----
    With D = Td - Tf the product is multiplied out: K = K'(1 + D/Ti'), Ti = Ti' + D,
    Td = D (Ti' - Tf)/Ti. With Tf = 0 these are the textbook's.

    References
    ----------
    K. J. Astrom, T. Hagglund, PID Controllers (1995), section 3.2; S. Skogestad, J. Process Control
    13 (2003), equation (36) (both from memory; the filter's terms derived here).
    """
    if td_s == 0:
        return Pid(gain, ti_s, 0.0, filter_s)
    if filter_s > td_s or filter_s > ti_s:
        raise FormError(
            "in the series form a filter longer than the derivative or the integral time is a lag, "
            "not a derivative; shorten the filter",
            given=f"Ti {ti_s:g} s, Td {td_s:g} s, filter {filter_s:g} s",
        )
    lead = td_s - filter_s
    if math.isinf(ti_s):
        return Pid(gain, ti_s, lead, filter_s)
    ti = ti_s + lead
    return Pid(gain * ti / ti_s, ti, lead * (ti_s - filter_s) / ti, filter_s)


def series_from_ideal(gain: float, ti_s: float, td_s: float, filter_s: float = 0.0) -> Pid:
    """Return the series form that equals an ideal form, the one with the larger integral time.

    Parameters
    ----------
    gain : float
        Gain of the ideal form, in any unit.
    ti_s, td_s, filter_s : float
        Integral time [s] (inf: none), derivative time and derivative filter [s].

    Returns
    -------
    Pid
        The series form; see `ideal_from_series`.

    Raises
    ------
    FormError
        If there is none: without a filter, if Ti < 4 Td.
    """
    if td_s == 0:
        return Pid(gain, ti_s, 0.0, filter_s)
    if math.isinf(ti_s):
        return Pid(gain, ti_s, td_s + filter_s, filter_s)
    room = ti_s - filter_s
    square = room * room - 4.0 * td_s * ti_s
    if -1e-13 * room * room < square < 0.0:
        square = 0.0
    if room <= 0.0 or square < 0.0:
        needed = f"Ti of at least 4 Td = {4 * td_s:g} s"
        if filter_s > 0:
            least = filter_s + 2 * td_s + 2 * math.sqrt(td_s * (td_s + filter_s))
            needed = f"Ti of at least {least:.4g} s with this derivative and filter"
        raise FormError(
            f"the series form cannot express these settings, it needs {needed}; "
            "take less derivative time, or the ideal or parallel form",
            given=f"Ti {ti_s:g} s, Td {td_s:g} s",
        )
    lead = 2.0 * td_s * ti_s / (room + math.sqrt(square))
    ti = ti_s - lead
    return Pid(gain * ti / ti_s, ti, lead + filter_s, filter_s)


def proportional_band(gain: float) -> float:
    """Return the proportional band [%] of a gain [% of output span per % of reading span].

    References
    ----------
    K. J. Astrom, T. Hagglund, PID Controllers (1995), section 3.3 (from memory): 100/K.
    """
    return 100.0 / gain


#: seconds in the unit of an integral time, or of the time in which it repeats the proportional step
SECONDS = {"s": 1.0, "min": 60.0, "repeats per second": 1.0, "repeats per minute": 60.0}


def integral_number(ti_s: float, notation: str) -> float:
    """Return an integral time [s] as a number in a notation (a key of `SECONDS`)."""
    seconds = SECONDS[notation]
    return seconds / ti_s if notation.startswith("repeats") else ti_s / seconds


def integral_time(number: float, notation: str) -> float:
    """Return the integral time [s] that a number in a notation means; 0 repeats mean none (inf)."""
    seconds = SECONDS[notation]
    if notation.startswith("repeats"):
        return seconds / number if number else math.inf
    return number * seconds
