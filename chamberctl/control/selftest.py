"""Known loops recomputed on this machine, with the libraries that are installed here."""

from __future__ import annotations

import math
import warnings
from dataclasses import dataclass

from chamberctl.control.controller import PidSettings
from chamberctl.control.margins import LoopMargins, margins
from chamberctl.plant.linear import LoopModel


@dataclass(frozen=True)
class SelfTestRow:
    """One number: what it is, what is expected, what this machine finds."""

    loop: str
    quantity: str
    expected: float
    computed: float
    tolerance: float

    @property
    def passed(self) -> bool:
        """Whether the number is within its tolerance (absolute)."""
        return abs(self.computed - self.expected) <= self.tolerance


def self_test() -> tuple[SelfTestRow, ...]:
    """Return the known loops' margins as found on this machine.

    Returns
    -------
    tuple of SelfTestRow
        Continuous and sampled loops with own code, and the installed control library's numbers
        for a sampled loop; a row that has not `passed` means that results here are not to be
        trusted.

    Notes
    -----
    Expected values: closed forms where they exist; else computed independently with exact dead
    time.
    """
    lag_loop = margins(
        LoopModel.from_transfer_function([-1.0], [40.0, 22.0, 1.0], 3.0),
        PidSettings(kc=2.0, ti_s=20.0, reading="linear"),
    )
    name = "gain 1, lags 20 s and 2 s, dead time 3 s, Kc 2, Ti 20 s"
    rows = [
        SelfTestRow(name, "gain margin", 3.94, lag_loop.gain_margin, 0.02),
        SelfTestRow(name, "phase margin [deg]", 62.0, lag_loop.phase_margin_deg, 0.3),
        SelfTestRow(name, "largest sensitivity Ms", 1.51, lag_loop.ms, 0.005),
        SelfTestRow(name, "delay margin [s]", 11.0, lag_loop.delay_margin_s, 0.2),
    ]
    rows += _closed_forms()
    sampled = margins(_cubic(), _proportional(scan_time_s=0.05))
    name = "2/(s^3 + 3 s^2 + 2 s) sampled at 0.05 s"
    rows += [
        SelfTestRow(name, "gain margin", 2.79, sampled.gain_margin, 0.005),
        SelfTestRow(name, "phase margin [deg]", 31.5, sampled.phase_margin_deg, 0.05),
    ]
    rows += _library(name, sampled)
    return tuple(rows)


def _cubic() -> LoopModel:
    return LoopModel.from_transfer_function([-2.0], [1.0, 3.0, 2.0, 0.0])


def _proportional(kc: float = 1.0, scan_time_s: float | None = None) -> PidSettings:
    return PidSettings(kc=kc, reading="linear", scan_time_s=scan_time_s, computation_delay_s=0.0)


def _closed_forms() -> list[SelfTestRow]:
    integrator = LoopModel.from_transfer_function([-1.0], [1.0, 0.0], 1.0)
    late = margins(integrator, _proportional(kc=0.5))
    name = "exp(-s)/(2 s)"
    rows = [
        SelfTestRow(name, "gain margin", math.pi, late.gain_margin, 1e-9),
        SelfTestRow(name, "phase margin [deg]", 90.0 - 90.0 / math.pi, late.phase_margin_deg, 1e-7),
        SelfTestRow(name, "delay margin [s]", math.pi - 1.0, late.delay_margin_s, 1e-9),
    ]
    prompt = LoopModel.from_transfer_function([-1.0], [1.0, 0.0], 0.0)
    sampled = margins(prompt, _proportional(kc=0.5, scan_time_s=1.0))
    rows.append(
        SelfTestRow("1/(2 s) sampled at 1 s", "gain margin", 4.0, sampled.gain_margin, 1e-9)
    )
    return rows


def _library(name: str, own: LoopMargins) -> list[SelfTestRow]:
    """Return what the installed control library makes of the sampled loop.

    Its warning that it takes another numerical method for a sampled loop is expected.
    """
    import control

    model = _cubic()
    a, b, c, d = model.siso("linear")
    loop = control.sample_system(control.ss(a, b, -c, -d), 0.05, "zoh")
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", message="stability_margins: Falling back to 'frd'")
        gain_margin, phase_margin = control.stability_margins(loop)[:2]
    name = f"{name}, python-control {control.__version__}"
    return [
        SelfTestRow(name, "gain margin", own.gain_margin, float(gain_margin), 1e-3),
        SelfTestRow(name, "phase margin [deg]", own.phase_margin_deg, float(phase_margin), 1e-2),
    ]
