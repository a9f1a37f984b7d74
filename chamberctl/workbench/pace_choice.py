"""Settings of every calmness, to be chosen from the curve of what calmness costs."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from chamberctl.control.pace import pace_name
from chamberctl.control.trade_off import trade_off
from chamberctl.workbench.candidates import Candidate, as_typed

if TYPE_CHECKING:
    from chamberctl.control.trade_off import TradeOff
    from chamberctl.control.tuned import Tuning


class PaceChoice(NamedTuple):
    """The curve, and its settings by the largest Ms they allow.

    Parameters
    ----------
    curve : TradeOff
        The optima over Ms.
    candidates : mapping of str to Candidate
        By the Ms in words, the calmest first.
    chosen : str
        The Ms of the settings that the curve was made for.
    """

    curve: TradeOff
    candidates: Mapping[str, Candidate]
    chosen: str


def pace_choice(tuning: Tuning) -> PaceChoice | None:
    """Return the best settings of every calmness; None where nothing was optimized.

    Parameters
    ----------
    tuning : Tuning
        The proposal. Its setpoint weight and ramp stay, and its tracking time as a share of the
        integral time.
    """
    optimum, settings = tuning.design.optimum, tuning.settings
    if optimum is None:
        return None
    curve = trade_off(tuning.study, optimum)
    share = settings.tracking_time_s / settings.ti_s
    least = settings.scan_time_s or 0.0
    control, drive = tuning.study.controller, tuning.study.system.drive
    found = {}
    for ms, kc, ti, td in zip(curve.ms, curve.kc, curve.ti_s, curve.td_s, strict=True):
        if not np.isfinite(kc):
            continue
        name = pace_name(float(ms))
        law = replace(
            settings, kc=float(kc), ti_s=float(ti), td_s=float(td),
            tfd_s=float(td) * (settings.tfd_s / settings.td_s if settings.td_s else 0.0),
            tt_s=max(share * float(ti), least),
        )  # fmt: skip
        note = f"The most integral action at {name}; setpoint weight as proposed."
        found[name] = Candidate(f"robust, {name}", as_typed(law, control, drive).texts(), note)
    return PaceChoice(curve, found, pace_name(curve.chosen_ms))
