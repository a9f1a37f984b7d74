"""Stability margins of the loop, for one operating point or for thousands at once."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import overload

import numpy as np
from numpy.typing import NDArray

from chamberctl.control.analysis import QUANTITIES, Found, compute
from chamberctl.control.controller import PidSettings
from chamberctl.display import number
from chamberctl.errors import InputError
from chamberctl.findings import Finding
from chamberctl.plant.linear import LoopModel

Array = NDArray[np.float64]


@dataclass(frozen=True)
class GainCrossing:
    """A frequency with |L| = 1 [rad/s].

    `angle_deg` from -1 to L, positive where L must turn clockwise to reach -1 [deg]; `delay_s` is
    the extra dead time that takes it there [s].
    """

    omega_rad_s: float
    angle_deg: float
    delay_s: float


@dataclass(frozen=True)
class PhaseCrossing:
    """L real and negative at `omega_rad_s` [rad/s]; `factor`, the gain change that makes L = -1."""

    omega_rad_s: float
    factor: float


@dataclass(frozen=True)
class LoopMargins:
    """Margins of one loop; nan where a margin does not exist, inf where it is infinite."""

    stable: bool
    gain_margin: float
    gain_margin_low: float
    phase_margin_deg: float
    delay_margin_s: float
    ms: float
    mt: float
    disk_margin: float
    crossover_rad_s: float
    ms_frequency_rad_s: float
    phase_crossover_rad_s: float
    reason: str
    gain_crossings: tuple[GainCrossing, ...] = ()
    phase_crossings: tuple[PhaseCrossing, ...] = ()
    findings: tuple[Finding, ...] = ()


@dataclass(frozen=True)
class EnvelopeMargins:
    """Margins of many loops: arrays with one entry for each."""

    stable: NDArray[np.bool_]
    gain_margin: Array
    gain_margin_low: Array
    phase_margin_deg: Array
    delay_margin_s: Array
    ms: Array
    mt: Array
    disk_margin: Array
    crossover_rad_s: Array
    ms_frequency_rad_s: Array
    phase_crossover_rad_s: Array
    reason: tuple[str, ...]


@overload
def margins(model: LoopModel, settings: PidSettings) -> LoopMargins: ...


@overload
def margins(
    model: Sequence[LoopModel], settings: PidSettings | Sequence[PidSettings]
) -> EnvelopeMargins: ...


def margins(
    model: LoopModel | Sequence[LoopModel], settings: PidSettings | Sequence[PidSettings]
) -> LoopMargins | EnvelopeMargins:
    """Return the stability margins of one loop or of many, with exact dead time.

    Parameters
    ----------
    model : LoopModel or sequence of LoopModel
        The plants.
    settings : PidSettings or sequence of PidSettings
        One for all plants or one for each; all sampled, or all continuous. The loop is
        L = -K G: a plant whose pressure falls with speed and a positive gain are right.

    Returns
    -------
    LoopMargins or EnvelopeMargins
        nan where a margin does not exist. `gain_margin`: smallest factor above 1 that makes the
        loop unstable, inf if none [1]. `gain_margin_low`: largest such factor below 1, 0 if
        none [1]. `phase_margin_deg`: smallest angle between L and -1 where |L| = 1 [deg].
        `delay_margin_s`: smallest extra dead time that brings L to -1 [s]. `ms`, `mt`: largest
        |S| and |T| [1]. `disk_margin`: 1/max|S - 1/2| [1]. `crossover_rad_s`: where |L| = 1
        with the smallest phase margin [rad/s].

    Notes
    -----
    Sampled loops are examined on 0 < w <= pi/Ts with z = -1 included, continuous ones up to the
    limit at infinite frequency. An unstable loop, or one that acts the wrong way, has no margins;
    `reason` says so. A delay margin of a sampled loop is the phase margin over the frequency,
    which is the true extra dead time where w is well below pi/Ts.

    References
    ----------
    Astrom and Hagglund, Advanced PID Control (2006), ch. 4, for the margins; Seiler, Packard and
    Gahinet, An Introduction to Disk Margins, IEEE Control Systems Magazine 40(5) (2020), for the
    disk margin at skew 0. Both from memory.
    """
    if isinstance(model, LoopModel):
        if not isinstance(settings, PidSettings):
            raise InputError("one model needs one set of settings")
        return _one(compute([model], [settings]), 0, settings)
    return _of_many(compute(model, _for_each(model, settings)))


def margins_of_sets(
    models: Sequence[LoopModel], sets: Sequence[PidSettings]
) -> list[EnvelopeMargins]:
    """Return the margins of each of several settings on the same plants, all found at once.

    Parameters
    ----------
    models : sequence of LoopModel
        The plants.
    sets : sequence of PidSettings
        What is tried on all of them; all sampled, or all continuous.

    Returns
    -------
    list of EnvelopeMargins
        Per settings; with settings that leave a loop unstable there are no margins of the others,
        only which are stable.
    """
    count = len(models)
    each = [one for one in sets for _ in range(count)]
    every = _of_many(compute(list(models) * len(sets), each, count))
    return [
        EnvelopeMargins(
            **{name: value[first : first + count] for name, value in vars(every).items()}
        )
        for first in range(0, len(each), count)
    ]


def _of_many(found: Found) -> EnvelopeMargins:
    return EnvelopeMargins(
        stable=found.stable,
        reason=tuple(found.reason),
        **{name: found.values[name] for name in QUANTITIES},
    )


def each_margins(
    models: Sequence[LoopModel], settings: PidSettings | Sequence[PidSettings]
) -> tuple[LoopMargins, ...]:
    """Return the margins of many loops one by one, found all at once.

    Parameters
    ----------
    models : sequence of LoopModel
        The plants.
    settings : PidSettings or sequence of PidSettings
        One for all plants or one for each.

    Returns
    -------
    tuple of LoopMargins
        As `margins` gives for each model by itself, in a fraction of the time.
    """
    each = _for_each(models, settings)
    found = compute(models, each)
    return tuple(_one(found, row, one) for row, one in enumerate(each))


def _for_each(
    models: Sequence[LoopModel], settings: PidSettings | Sequence[PidSettings]
) -> list[PidSettings]:
    each = [settings] * len(models) if isinstance(settings, PidSettings) else list(settings)
    if len(each) != len(models) or not each:
        raise InputError(
            "as many sets of settings as models are needed, and at least one model",
            given=f"{len(each)} settings, {len(models)} models",
        )
    return each


def _one(found: Found, row: int, settings: PidSettings) -> LoopMargins:
    """Return the margins of one of the loops."""
    values = {name: float(found.values[name][row]) for name in QUANTITIES}
    exists = not math.isnan(values["ms"])
    at_gain, at_phase = found.gain_row == row, found.phase_row == row
    clockwise = np.degrees(np.angle(-found.gain_value[at_gain]))
    gain_crossings = tuple(
        GainCrossing(float(w), float(angle), float(np.radians(angle % 360.0) / w))
        for w, angle in zip(found.gain_omega[at_gain], clockwise, strict=True)
    )
    phase_crossings = tuple(
        PhaseCrossing(float(w), float(1.0 / size))
        for w, size in zip(found.phase_omega[at_phase], found.phase_size[at_phase], strict=True)
    )
    finding = None
    several = crossings_finding(gain_crossings) if exists else None
    if exists and settings.scan_time_s is not None and values["crossover_rad_s"] > 0.0:
        slow = 1.0 / values["crossover_rad_s"]
        lag = max(slow - float(found.dead_time_s[row]), 0.3 * slow)
        finding = scan_time_finding(settings.scan_time_s, lag)
    return LoopMargins(
        stable=bool(found.stable[row]),
        reason=found.reason[row],
        gain_crossings=gain_crossings if exists else (),
        phase_crossings=phase_crossings if exists else (),
        findings=tuple(found for found in (several, finding) if found is not None),
        **values,
    )


def crossings_finding(crossings: Sequence[GainCrossing]) -> Finding | None:
    """Return a caution that lists all gain crossings where there is more than one."""
    if len(crossings) < 2:
        return None
    listed = "; ".join(
        f"{number(crossing.omega_rad_s)} rad/s ({number(abs(crossing.angle_deg))} deg, "
        f"{number(crossing.delay_s)} s)"
        for crossing in crossings
    )
    return Finding(
        "caution",
        "gain crossings",
        f"The loop gain is 1 at {len(crossings)} frequencies, with these phase and delay margins: "
        f"{listed}. The smallest of each is the margin that is reported.",
    )


def scan_time_finding(scan_time_s: float, closed_loop_time_s: float) -> Finding | None:
    """Return a caution where the scan is slow for the wanted closed-loop time constant."""
    if not scan_time_s > 0.1 * closed_loop_time_s:
        return None
    return Finding(
        "caution",
        "scan time",
        f"The scan time of {scan_time_s:.3g} s is more than a tenth of the closed loop's time "
        f"constant of about {closed_loop_time_s:.3g} s: sampling and computation delay cost "
        "margin. Scan faster, or tune slower.",
    )
