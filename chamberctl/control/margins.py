"""Stability margins of the loop, for one operating point or for thousands at once."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import overload

import numpy as np
from numpy.typing import NDArray

from chamberctl.control.controller import PidSettings
from chamberctl.findings import Finding
from chamberctl.plant.linear import LoopModel

Array = NDArray[np.float64]

#: Words for a loop whose static sign is wrong.
WRONG_ACTION = "wrong action: positive feedback"


@dataclass(frozen=True)
class GainCrossing:
    """|L| = 1 at `omega_rad_s` [rad/s]; `angle_deg` from -1 to L, positive where L must turn
    clockwise to reach -1 [deg]; `delay_s`, the extra dead time that takes it there [s]."""

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
    """Margins of many loops, one entry each; `envelope[i]` is the `LoopMargins` of one."""

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
    """Return the stability margins of one loop or of many."""
    raise NotImplementedError
