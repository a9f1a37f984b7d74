"""Limits of the duty that settings break on the plant, with its ramps and limits."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from chamberctl.control.setpoint_overshoot import setpoint_overshoot
from chamberctl.display import number, rounded_up
from chamberctl.errors import Infeasible
from chamberctl.proposal.choices import allowed_excursion, excursion_limits
from chamberctl.proposal.trials import HAND_OVERS, SETPOINT_STEPS
from chamberctl.simulation.metrics import LIMITS
from chamberctl.simulation.scenarios import SCENARIOS, simulate
from chamberctl.workers import desk, results

if TYPE_CHECKING:
    from chamberctl.control.controller import PidSettings
    from chamberctl.control.envelope import EnvelopePlant
    from chamberctl.control.gain_steps import GainSteps
    from chamberctl.plant.point import OperatingPoint
    from chamberctl.simulation.metrics import Verdict
    from chamberctl.study import Study

TRIED = (*SETPOINT_STEPS, "gas-step", *HAND_OVERS[:2])
"""What a proposal is tried on: setpoint and gas steps, pump-down, return from standby."""


ROUNDED = 0.01
"""By this share rounding to the controller's decimals may move an excursion."""


@dataclass(frozen=True)
class Breach:
    """A scenario at a point that does not keep the duty's limits.

    Parameters
    ----------
    scenario : str
    where : str
        Duty point, or plant within the tolerances.
    reached : mapping of str to float
        The limits that are broken, by their names in words, and what is reached instead.
    reasons : tuple of str
        One sentence for each.
    """

    scenario: str
    where: str
    reached: Mapping[str, float]
    reasons: tuple[str, ...]

    @property
    def text(self) -> str:
        """The breach in a sentence or more."""
        title = SCENARIOS[self.scenario].title
        return f"{title} at {self.where}: {' '.join(self.reasons)}"


def asks_large_signals(study: Study) -> bool:
    """Return whether the duty states any limit that only a run can judge."""
    return any(getattr(study.duty.limits, name) is not None for name in LIMITS)


def breaches(
    study: Study, settings: PidSettings | GainSteps, points: Sequence[OperatingPoint]
) -> tuple[Breach, ...]:
    """Return where settings break the duty's limits on the plant.

    Parameters
    ----------
    study : Study
        System, duty and controller.
    settings : PidSettings or GainSteps
        What to try: one set, or several by reading or output.
    points : sequence of OperatingPoint
        Where the loop holds, such as the corners of the envelope.

    Returns
    -------
    tuple of Breach
        Empty where all is kept, or nothing is asked.
    """
    places = [(name, point) for name in TRIED for point in points]
    runs = results(
        [desk().lay_down(_judged, study, settings, *place, urgent=True) for place in places]
    )
    return tuple(
        Breach(name, point.where, judged.broken, judged.reasons)
        for (name, point), judged in zip(places, runs, strict=True)
        if judged is not None and not judged.holds
    )


def _judged(
    study: Study, settings: PidSettings | GainSteps, name: str, point: OperatingPoint
) -> Verdict | None:
    try:
        return simulate(study, settings, name, point=point).verdict
    except Infeasible:
        return None


def overshoot_breaches(
    study: Study, settings: PidSettings, plants: Sequence[EnvelopePlant]
) -> tuple[Breach, ...]:
    """Return where the linear loop breaks the duty's limits on overshoot within the tolerances.

    Parameters
    ----------
    study : Study
    settings : PidSettings
        As typed in.
    plants : sequence of EnvelopePlant
        Plants within the tolerances.

    Returns
    -------
    tuple of Breach
        The worst plant, if it breaks a limit; empty where none is asked.
    """
    if not plants or not excursion_limits(study):
        return ()
    allowed = allowed_excursion(study)
    models = [plant.model for plant in plants]
    found = setpoint_overshoot(models, settings, study.duty.setpoint_step)
    at = int(np.argmax(found))
    if found[at] <= allowed * (1.0 + ROUNDED):
        return ()
    reason = (
        f"The linear loop goes {number(100 * found[at])} % past the setpoint after a step of "
        f"{number(100 * study.duty.setpoint_step)} %; at most {number(100 * allowed)} % is allowed."
    )
    reached = {"overshoot": float(found[at])}
    return (Breach("setpoint-step-up", plants[at].where, reached, (reason,)),)


def farthest(study: Study, broken: Sequence[Breach]) -> float:
    """Return how far the worst of all breaches is from its limit, as a ratio; 1 where none is.

    Parameters
    ----------
    study : Study
        With the duty's limits.
    broken : sequence of Breach
        All breaches of some settings.
    """
    most = 1.0
    for name, what in LIMITS.items():
        limit = getattr(study.duty.limits, name)
        for one in broken:
            if what.name in one.reached:
                value = one.reached[what.name]
                pair = (limit, value) if what.at_least else (value, limit)
                most = max(most, pair[0] / pair[1] if pair[1] > 0.0 else math.inf)
    return most


def nearest_limits(broken: Sequence[Breach]) -> tuple[str, ...]:
    """Return what could be asked for in place of the limits that are broken, in words.

    Parameters
    ----------
    broken : sequence of Breach
        All breaches of the settings that come nearest.
    """
    found = []
    for what in LIMITS.values():
        reached = [one.reached[what.name] for one in broken if what.name in one.reached]
        if not reached:
            continue
        worst = (min if what.at_least else max)(reached) * what.factor
        if not all(map(math.isfinite, reached)):
            found.append(f"no limit on {what.name}")
        elif what.at_least:
            found.append(f"{what.name} at least {math.floor(worst)} {what.unit}")
        else:
            found.append(f"{what.name} at most {number(rounded_up(worst))} {what.unit}")
    return tuple(found)
