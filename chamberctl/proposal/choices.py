"""Setpoint weight, setpoint ramp and tracking time, chosen by trying them on the plant.

None of them moves a margin, and each can matter more than the gains: a drive that is on its ramp, a
speed at its limit and gas that alone lifts the pressure are not in any linear model.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from chamberctl.control.designs import Choice
from chamberctl.control.setpoint_overshoot import setpoint_overshoot
from chamberctl.display import number
from chamberctl.proposal.trials import HAND_OVERS, SETPOINT_STEPS, Trial, Trials, worst
from chamberctl.simulation.engine import load_compiled
from chamberctl.simulation.scenarios import SCENARIOS
from chamberctl.workers import desk

if TYPE_CHECKING:
    from chamberctl.control.answers import Plants
    from chamberctl.control.controller import PidSettings
    from chamberctl.control.envelope import EnvelopePlant
    from chamberctl.plant.point import OperatingPoint
    from chamberctl.study import Study

WEIGHTS = (1.0, 0.8, 0.6, 0.4, 0.2, 0.0)
"""Setpoint weights that are tried, from the fastest answer to the calmest."""

TRACKING_SHARES = (1.0, 0.5, 0.2, 0.1)
"""Tracking times that are tried, in integral times."""

RAMP_LENGTHS = (2.0, 4.0, 8.0, 16.0, 32.0)
"""Lengths of the duty's setpoint step as a ramp that are tried, in time constants of the loop."""

AS_GOOD = 0.1
"""A shorter tracking time must make the worst excursion smaller by this share to be worth it."""

FOLLOWED = 3
"""Trials that later values are tried on: the worst few of the first value. The value that is chosen
is then tried on all."""

SEEN = 0.1
"""Excursions of less than this share of the hold band are not told apart."""


@dataclass(frozen=True)
class Choices:
    """Settings with weight, ramp and tracking time chosen.

    Parameters
    ----------
    settings : PidSettings
    made : tuple of Choice
        In the order in which they were made.
    """

    settings: PidSettings
    made: tuple[Choice, ...]


def choose(
    study: Study,
    settings: PidSettings,
    points: Sequence[OperatingPoint],
    loop_time_s: float,
    plants: Sequence[EnvelopePlant] = (),
) -> Choices:
    """Choose setpoint weight, tracking time and setpoint ramp for given gains.

    Parameters
    ----------
    study : Study
        System, duty and controller.
    settings : PidSettings
        Gains and filters; weight, ramp and tracking time do not count.
    points : sequence of OperatingPoint
        Where it is tried, such as the corners of the envelope.
    loop_time_s : float
        Time constant of the slowest loop among them [s].
    plants : sequence of EnvelopePlant, optional
        Further plants, such as those within tolerances, at which the linear loop is looked at.

    Returns
    -------
    Choices
        The settings, and why.

    Notes
    -----
    The tracking time is the longest with which pump-down, return from standby and release from an
    override go about as little past the setpoint as with any. The setpoint weight is the largest
    with which no setpoint step of the duty goes past its new setpoint by more than the duty allows:
    by its limits on overshoot and undershoot, on the plant at the points and by the linear loop at
    every further plant; or by the hold band at the points where it states none. Where no weight
    does, the one with the least excursion is taken, and the shortest setpoint ramp that does is
    added.
    """
    # two processes that compile the same take longer than one that does, and one that loads
    desk().once(load_compiled, study.system, study.loop_gauge()).result()
    allowed = allowed_excursion(study)
    within = _Within(plants if excursion_limits(study) else (), study.duty.setpoint_step)
    trials = Trials(study, points)
    settings, tracking = _tracking(study, settings, trials)
    settings, weight = _weight(study, settings, trials, allowed, within)
    made = [tracking, weight]
    if weight is not None and (
        min(passed for _, passed in weight.tried) > allowed
        or within.farthest(settings)[0] > allowed
    ):
        settings, ramp = _ramp(study, settings, trials, points, allowed, loop_time_s, within)
        made.append(ramp)
    return Choices(settings, tuple(choice for choice in made if choice is not None))


class _Within:
    """Plants within the tolerances, and how far the linear loop passes its setpoint there."""

    def __init__(self, plants: Sequence[EnvelopePlant], step: float) -> None:
        self.plants, self.step = plants, step
        self.sampled: Plants = {}

    def farthest(self, settings: PidSettings) -> tuple[float, str]:
        """Return the largest excursion [fraction of setpoint] and where; 0 without plants."""
        if not self.plants:
            return 0.0, ""
        models = [plant.model for plant in self.plants]
        found = setpoint_overshoot(models, settings, self.step, self.sampled)
        at = int(np.argmax(found))
        return float(found[at]), self.plants[at].where


def allowed_excursion(study: Study) -> float:
    """Return how far a setpoint step may go past its new setpoint [fraction of setpoint].

    The smaller of the duty's limits on overshoot and undershoot; the hold band without such limits.
    """
    return min(excursion_limits(study), default=study.duty.hold_band)


def excursion_limits(study: Study) -> list[float]:
    """Return the duty's limits on overshoot and undershoot, as far as they are stated [-]."""
    limits = study.duty.limits
    return [limit for limit in (limits.overshoot, limits.undershoot) if limit is not None]


def _tried(
    values: Sequence[float],
    of_value: Callable[[float], PidSettings],
    trials: Trials,
    scenarios: Sequence[str],
) -> Iterator[tuple[float, Trial]]:
    """Each value with its worst trial; after the first value only where that was worst."""
    places = trials.places(scenarios)
    for value in values:
        found = trials.of(of_value(value), places)
        if not found:
            return
        yield value, worst(found.values())
        if value == values[0]:
            places = sorted(found, key=lambda place: -found[place].passed)[:FOLLOWED]


def _weight(
    study: Study,
    settings: PidSettings,
    trials: Trials,
    allowed: float,
    within: _Within,
) -> tuple[PidSettings, Choice | None]:
    tried = []
    for value, trial in _tried(WEIGHTS, lambda b: replace(settings, b=b), trials, SETPOINT_STEPS):
        tried.append((value, trial))
        if trial.passed <= allowed:
            break
    if not tried:
        return settings, None
    by_runs = min(tried, key=lambda one: one[1].passed)[0]
    far = {}
    for weight in WEIGHTS[WEIGHTS.index(by_runs) :]:
        far[weight] = within.farthest(replace(settings, b=weight))
        if far[weight][0] <= allowed:
            break
    chosen = min(far, key=lambda weight: (max(far[weight][0], allowed), -weight))
    settings = replace(settings, b=chosen)
    best = (chosen, trials.worst(settings, SETPOINT_STEPS))
    step, band = number(100 * study.duty.setpoint_step), number(100 * allowed)
    text = f"Setpoint weight {best[0]:g}: a step of {step} % then goes {_past(best[1])}. "
    if best[0] != WEIGHTS[0]:
        text += f"With {WEIGHTS[0]:g} it would be {number(100 * tried[0][1].passed)} %. "
    text += (
        f"Asked for is at most {band} %."
        if best[1].passed <= allowed
        else f"Asked for is at most {band} %, which no weight keeps without a setpoint ramp."
    )
    passed, where = far[chosen]
    if chosen < by_runs or passed > allowed:
        text += f" Within the tolerances the linear loop goes {number(100 * passed)} % past"
        text += f" at {where}" if where else ""
        text += (
            "."
            if chosen == by_runs
            else (f"; with {by_runs:g} it would be {number(100 * far[by_runs][0])} %.")
        )
    return settings, Choice("b", text, _seen(tried))


def _tracking(
    study: Study, settings: PidSettings, trials: Trials
) -> tuple[PidSettings, Choice | None]:
    shortest = settings.scan_time_s or 0.0
    if math.isinf(settings.ti_s):
        return settings, None
    values = tuple(dict.fromkeys(max(share * settings.ti_s, shortest) for share in TRACKING_SHARES))
    tried = list(_tried(values, lambda tt: replace(settings, tt_s=tt), trials, HAND_OVERS))
    if not tried:
        return settings, None
    least = min(trial.passed for _, trial in tried)
    least += max(AS_GOOD * least, SEEN * study.duty.hold_band)
    chosen = next(one for one in tried if one[1].passed <= least)
    if chosen[0] != settings.ti_s:
        settings = replace(settings, tt_s=chosen[0])
    chosen = (chosen[0], trials.worst(replace(settings, tt_s=chosen[0]), HAND_OVERS))
    text = (
        f"Tracking time {number(chosen[0])} s, {number(chosen[0] / settings.ti_s)} of the integral "
        f"time: where the loop takes over or comes off a limit, the reading goes at most "
        f"{_past(chosen[1])}."
    )
    if chosen[0] != tried[0][0]:
        text += (
            f" With the integral time it would be {number(100 * tried[0][1].passed)} %: the "
            "integral would come off the limit too late."
        )
    elif chosen[1].passed > max(allowed_excursion(study), study.duty.hold_band):
        text += (
            " No shorter one changes that: the drive's ramp rules. Switch to automatic at a higher "
            "pressure, from a lower output, or shorten the ramp."
        )
    return settings, Choice("Tt", text, _seen(tried))


def _ramp(
    study: Study,
    settings: PidSettings,
    trials: Trials,
    points: Sequence[OperatingPoint],
    allowed: float,
    loop_time_s: float,
    within: _Within,
) -> tuple[PidSettings, Choice | None]:
    step = study.duty.setpoint_step
    if settings.reading == "log10":
        size = math.log10(1.0 + step)
    else:
        size = step * min(point.indicated_pa for point in points)
    rates = tuple(size / (length * loop_time_s) for length in RAMP_LENGTHS)
    tried = []
    for value, trial in _tried(
        rates, lambda rate: replace(settings, setpoint_ramp_per_s=rate), trials, SETPOINT_STEPS
    ):
        tried.append((value, trial))
        ramped = replace(settings, setpoint_ramp_per_s=value)
        if trial.passed <= allowed and within.farthest(ramped)[0] <= allowed:
            break
    if not tried:
        return settings, None
    chosen = (
        tried[-1] if tried[-1][1].passed <= allowed else min(tried, key=lambda one: one[1].passed)
    )
    settings = replace(settings, setpoint_ramp_per_s=chosen[0])
    chosen = (chosen[0], trials.worst(settings, SETPOINT_STEPS))
    unit = "decades" if settings.reading == "log10" else "Pa"
    text = (
        f"Setpoint ramp {number(60 * chosen[0])} {unit} per minute: a setpoint step of "
        f"{number(100 * step)} % then takes {number(size / chosen[0])} s and goes "
        f"{_past(chosen[1])}."
    )
    if chosen[1].passed > allowed:
        text += f" That is still more than the {number(100 * allowed)} % asked for"
        down = chosen[1].scenario == "setpoint-step-down"
        text += ": gas alone lifts the pressure back." if down else "."
    return settings, Choice("ramp", text, _seen(tried))


def _seen(tried: Sequence[tuple[float, Trial]]) -> tuple[tuple[float, float], ...]:
    return tuple((value, trial.passed) for value, trial in tried)


def _past(trial: Trial) -> str:
    title = SCENARIOS[trial.scenario].title.lower()
    return f"{number(100 * trial.passed)} % past the setpoint ({title} at {trial.point.where})"
