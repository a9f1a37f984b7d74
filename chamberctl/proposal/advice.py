"""What else would make the loop better, each with its reason and its number on this plant."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, NamedTuple

from chamberctl.control.duty_margins import spread_finding
from chamberctl.control.finder import Law
from chamberctl.control.loop_excess import largest_noise_gain
from chamberctl.control.problem import Problem
from chamberctl.control.tolerance_cases import CONDUCTANCES, DELAYS, GAS, SLIP, SPEEDS, VOLUMES
from chamberctl.display import number
from chamberctl.errors import Infeasible
from chamberctl.simulation.scenarios import simulate, worst_point
from chamberctl.study.scenarios import GasStep

if TYPE_CHECKING:
    from chamberctl.control.controller import PidSettings
    from chamberctl.control.finder import Structure
    from chamberctl.control.robust import RobustOptimum
    from chamberctl.control.tuned import Tuning
    from chamberctl.study import Study

WORTH = 0.05
"""Less additional integral action than this is called no gain [relative] (assumed)."""

NOISE_HALVED = 0.5
"""The filter that is asked about moves the drive by noise this much as far."""

LN10 = math.log(10.0)


@dataclass(frozen=True)
class Advice:
    """One piece of advice.

    Parameters
    ----------
    subject : str
    text : str
        What it would bring and cost here.
    """

    subject: str
    text: str


def advice(
    study: Study, tuning: Tuning, *, progress: Callable[[str], None] = lambda text: None
) -> tuple[Advice, ...]:
    """Return what else could be done for the loop.

    Parameters
    ----------
    study : Study
        System, duty and controller.
    tuning : Tuning
        Its robust settings from `tune`; another design gets advice on the reading alone.
    progress : callable, optional
        Told in a few words what begins.

    Returns
    -------
    tuple of Advice
        On the reading, derivative action, the scan, a filter, feed-forward, and on what would be
        worth knowing better.
    """
    found = [Advice("reading", spread_finding(tuning.gain_spread, tuning.settings.reading).text)]
    optimum = tuning.design.optimum
    if optimum is not None:
        progress("derivative action, scan and filter")
        found += _of_the_law(study, optimum)
        found += _knowledge(optimum)
    progress("feed-forward")
    found += _feed_forward(study, tuning)
    return tuple(found)


TESTS = {
    VOLUMES: "a rate of rise with the pumps valved off and a known flow",
    SPEEDS: "the steady pressure at two or three speeds with a known flow",
    DELAYS: "a small step of the speed in manual, logged at every scan",
    SLIP: "the lowest steady pressure at two speeds without gas",
    CONDUCTANCES: "the pressure at both ends of the line at a known flow",
    GAS: "a rate of rise with the pumps valved off and the process gas as usual",
    "chamber's gas compressed": "a fast and a slow pump-down over the same pressures",
}
"""What to do on the plant to know an input better; common practice."""


def noise_travel_per_h(settings: PidSettings, noise: float) -> float:
    """Return how far noise alone moves the output [rated speeds per hour].

    Parameters
    ----------
    settings : PidSettings
        PI settings with a scan time; the derivative's share is not in it.
    noise : float
        Standard deviation of the reading, independent from scan to scan [decades or Pa].

    Notes
    -----
    Behind a filter that takes the share a = Ts/(Tf + Ts) of each new reading, the filtered reading
    moves from scan to scan by a normal deviate of variance 2 a^2/(2 - a) times that of the noise,
    of mean size sqrt(2/pi) of its standard deviation; the output by Kc times that.
    """
    ts = settings.scan_time_s
    if ts is None:
        return math.nan
    share = ts / (settings.tf_s + ts)
    move = share * math.sqrt(2.0 / (2.0 - share)) * noise
    return settings.kc * math.sqrt(2.0 / math.pi) * move * 3600.0 / ts


def reading_noise(study: Study, settings: PidSettings) -> float:
    """Return the standard deviation of the loop's reading by the gauge's noise [decades or Pa].

    Parameters
    ----------
    study : Study
        Its gauge's noise is a share of the reading.
    settings : PidSettings
        Whose reading is meant; a linear one at the highest setpoint.
    """
    noise = study.loop_gauge().noise
    if settings.reading == "log10":
        return noise / LN10
    return noise * max(hold.setpoint_pa for hold in study.duty.holds)


def _of_the_law(study: Study, optimum: RobustOptimum) -> Iterator[Advice]:
    if optimum.structure == "PI":
        yield _derivative(study, optimum)
    yield _scan(study, optimum)
    if study.loop_gauge().noise > 0.0:
        yield _filter(study, optimum)


class _Other(NamedTuple):
    """The optimum of the same plants within the same limits, with something else in the law."""

    law: Law
    noise_gain: float


def _other(
    study: Study, optimum: RobustOptimum, frame: PidSettings, structure: Structure | None = None
) -> _Other | None:
    """Return the other optimum, or None where there is none."""
    finder = Problem(study, (), structure or optimum.structure, frame).finder(optimum.plants)
    try:
        law = finder.solve(optimum.limits)
    except Infeasible:
        return None
    return _Other(law, largest_noise_gain(finder.grid, *law))


def _derivative(study: Study, optimum: RobustOptimum) -> Advice:
    found = _other(study, optimum, optimum.settings, "PID")
    if found is None:
        return Advice("derivative action", "No PID settings keep the limits either.")
    more = found.law.integral_action / optimum.integral_action - 1.0
    noisier = found.noise_gain / optimum.noise_gain
    if more < WORTH:
        return Advice(
            "derivative action",
            f"PI will do: derivative action would give {number(100 * max(more, 0.0), 2)} % more "
            f"integral action and move the drive {number(noisier, 2)} times as far with noise.",
        )
    return Advice(
        "derivative action",
        f"PID would give {number(100 * more, 2)} % more integral action (Td "
        f"{number(found.law.shape.td_s)} s, filtered at {number(found.law.shape.tfd_s)} s) and "
        f"move the drive {number(noisier, 2)} times as far with noise: "
        'terms = "PID" in the study.',
    )


def _scan(study: Study, optimum: RobustOptimum) -> Advice:
    scan = optimum.settings.scan_time_s or 0.0
    delay = study.controller.computation_delay_s
    frame = replace(optimum.settings, scan_time_s=0.5 * scan, computation_delay_s=delay)
    found = _other(study, optimum, frame)
    if found is None:
        return Advice("scan time", "A faster scan alone changes nothing.")
    more = found.law.integral_action / optimum.integral_action - 1.0
    lead = f"A scan of {number(0.5 * scan)} s in place of {number(scan)} s"
    if more < WORTH:
        return Advice(
            "scan time",
            f"The scan is fast enough: {lead[:1].lower()}{lead[1:]} would give "
            f"{number(100 * max(more, 0.0), 2)} % more integral action.",
        )
    return Advice("scan time", f"{lead} would give {number(100 * more, 2)} % more integral action.")


def _filter(study: Study, optimum: RobustOptimum) -> Advice:
    settings = optimum.settings
    travel = noise_travel_per_h(settings, reading_noise(study, settings))
    now = (
        f"Noise of {number(100 * study.loop_gauge().noise)} % alone asks the drive for "
        f"{number(travel)} rated speeds of travel per hour"
    )
    if settings.tf_s > 0.0:
        return Advice("filter", f"{now}, with the filter of {number(settings.tf_s)} s as chosen.")
    step = study.system.drive.resolution
    share = settings.kc * reading_noise(study, settings)
    if step and share < 0.5 * step:
        return Advice(
            "filter",
            f"No filter is needed: noise moves the output by {number(100 * share, 2)} %, less than "
            f"half a step of the speed command ({number(100 * step)} %).",
        )
    scan = settings.scan_time_s or 0.0
    tf = scan
    while noise_travel_per_h(replace(settings, tf_s=tf), 1.0) > NOISE_HALVED * noise_travel_per_h(
        settings, 1.0
    ):
        tf *= 2.0
    filtered = replace(settings, tf_s=tf)
    found = _other(study, optimum, filtered)
    if found is None:
        return Advice("filter", f"{now}; with a filter no gain keeps the limits.")
    less = 1.0 - found.law.integral_action / optimum.integral_action
    filtered = replace(filtered, kc=found.law.gain)
    quiet = noise_travel_per_h(filtered, reading_noise(study, settings))
    return Advice(
        "filter",
        f"{now}. A filter of {number(tf)} s on the reading would bring that to {number(quiet)} "
        f"and cost {number(100 * max(less, 0.0), 2)} % of the integral action; the gains have to "
        "be tuned with it.",
    )


def _knowledge(optimum: RobustOptimum) -> Iterator[Advice]:
    inputs = [one for one in optimum.relaxations if one.kind == "input"]
    if inputs:
        yield Advice(
            "worth knowing better",
            ". ".join(
                f"{one.text[:1].upper()}{one.text[1:]}{_test_for(one.name)}" for one in inputs
            )
            + ".",
        )


def _test_for(name: str) -> str:
    """Return which test on the plant tells more about an input."""
    found = next((test for known, test in TESTS.items() if name.startswith(known)), None)
    return f": {found} tells it" if found else ""


def _feed_forward(study: Study, tuning: Tuning) -> Iterator[Advice]:
    point = worst_point(tuning)
    try:
        without, with_it = (
            simulate(study, tuning, name, point=point)
            for name in ("gas-step", "gas-step-feed-forward")
        )
    except Infeasible:
        return
    wrong = ((study.scenario and study.scenario.gas_step) or GasStep()).speed_error
    peaks = [number(100 * run.metrics.peak_deviation) for run in (without, with_it)]
    yield Advice(
        "feed-forward",
        f"A flow signal wired to the output: after a gas step of "
        f"{number(100 * study.duty.gas_load_step)} % at {point.where} the reading is off by at "
        f"most {peaks[1]} % in place of {peaks[0]} %, with a pumping speed believed "
        f"{number(100 * wrong)} % too high.",
    )
