"""Metrics and verdict of a scenario: from when it counts, what is watched, and what is judged."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from chamberctl.display import number
from chamberctl.findings import Finding, Severity
from chamberctl.plant.chain import build_chain
from chamberctl.simulation.engine import gauge_numbers
from chamberctl.simulation.metrics import Metrics, Verdict, metrics, verdict
from chamberctl.simulation.signal import shown_pa

if TYPE_CHECKING:
    from chamberctl.simulation.engine import Trace
    from chamberctl.simulation.prepared import Prepared

Array = NDArray[np.float64]

RESTLESS_SHARE, RESTLESS_PER_H = 0.5, 60.0
"""A drive that is on a ramp or a limit for this share of a run, and turns back so often, swings
from end to end (assumed, because a loop that works rests most of the time)."""

UNSETTLED = "not settled"
"""Subject of the finding that a run ends too early."""

COUNTED_FROM_THE_END = frozenset({"setpoint-ramp", "speed-override"})
"""Scenarios in which the loop is tried by what comes after: the setpoint moves until then, or the
pump has its speed for reasons of its own."""

_SENDS = {
    "gauge-fault-zero": "zero",
    "gauge-fault-full": "full scale",
    "gauge-fault-last": "last value",
}


def watched_pressure(prepared: Prepared, trace: Trace) -> Array:
    """Return the indicated pressure that is judged.

    Parameters
    ----------
    prepared : Prepared
        What was run.
    trace : Trace
        The run.

    Returns
    -------
    array
        What the gauge sent; during a fault of the gauge, what it would have sent [Pa].
    """
    sent = trace.columns["indicated_pa"]
    fault = prepared.happenings.fault
    if fault is None:
        return sent
    scans = np.arange(sent.size)
    faulty = np.asarray(fault)[np.minimum(scans, np.size(fault) - 1)] > 0
    gauge = gauge_numbers(
        prepared.system, build_chain(prepared.system), prepared.gauge, "linear", 0.0
    )
    at_gauge = trace.columns["gauge_pa"][faulty]
    shown = shown_pa(at_gauge, prepared.gauge.gas_factor, gauge)
    watched = sent.copy()
    watched[faulty] = np.clip(shown, gauge.range_low_pa, gauge.range_high_pa)
    return watched


def counted_from_s(prepared: Prepared) -> float:
    """From when overshoot, undershoot, settling and time in band count [s]."""
    late = prepared.name in COUNTED_FROM_THE_END
    return prepared.settled_s if late else prepared.event_s


def measured(prepared: Prepared, trace: Trace) -> Metrics:
    """Return the metrics of a scenario's run.

    Parameters
    ----------
    prepared : Prepared
        What was run.
    trace : Trace
        The run.

    Returns
    -------
    Metrics
        Counted as docs/reference/metrics.md says.
    """
    return metrics(
        trace,
        trace.setpoint_pa,
        prepared.hold_band,
        prepared.system,
        event_s=prepared.event_s,
        settled_s=prepared.settled_s,
        counted_from_s=counted_from_s(prepared),
        watched_pa=watched_pressure(prepared, trace),
    )


def measured_findings(found: Metrics, hold_band: float, duration_s: float) -> tuple[Finding, ...]:
    """Return what the metrics say that has to be said in words.

    Parameters
    ----------
    found : Metrics
        The run's metrics.
    hold_band : float
        Half width of the duty's hold band [fraction of setpoint].
    duration_s : float
        Time from the event to the end of the run [s].
    """
    cycle = found.limit_cycle
    if cycle is None:
        return (*found.findings, *_restless(found, duration_s))
    what = "grows" if cycle.grows else "does not die out"
    text = (
        f"The reading oscillates and the oscillation {what}: period {number(cycle.period_s)} s, "
        f"amplitude {number(100 * cycle.amplitude)} % of setpoint."
    )
    severity: Severity = "caution" if cycle.grows or cycle.amplitude > hold_band else "note"
    return (*found.findings, Finding(severity, "limit cycle", text))


def _restless(found: Metrics, duration_s: float) -> tuple[Finding, ...]:
    """Say so where the drive hardly comes off its ramps: noise and too much gain drive it."""
    busy = found.time_on_ramp_s + found.time_on_limits_s
    if busy < RESTLESS_SHARE * duration_s or found.reversals_per_h < RESTLESS_PER_H:
        return ()
    text = (
        f"The drive is on a ramp or at a limit for {number(100 * busy / duration_s, 2)} % of the "
        f"time and turns back {number(found.reversals_per_h)} times an hour: the output swings "
        "from end to end. The gain is far too large, or the reading far too noisy for it."
    )
    return (Finding("caution", "restless drive", text),)


def unsettled_findings(prepared: Prepared, found: Metrics) -> tuple[Finding, ...]:
    """Say so where a run ends before it shows what becomes of the reading.

    Parameters
    ----------
    prepared : Prepared
        What was run.
    found : Metrics
        Its metrics.

    Returns
    -------
    tuple of Finding
        Empty where the run settles, where an oscillation is found, and where it is known already
        that the setpoint cannot be held or is never reached.
    """
    known = any(note.subject == "outside the window" for note in prepared.notes)
    open_end = math.isinf(found.settling_s) and not math.isnan(found.overshoot)
    if known or not open_end or found.limit_cycle is not None:
        return ()
    watched_s = prepared.happenings.duration_s - prepared.settled_s
    text = (
        "The run ends with the reading outside the hold band. It was watched for "
        f"{number(watched_s)} s after all had happened: too short to tell whether it settles, "
        "oscillates or stays away. A longer scenario.tail shows it."
    )
    return (Finding("caution", UNSETTLED, text),)


def judged(prepared: Prepared, found: Metrics) -> Verdict:
    """Return whether a scenario's run keeps the duty's limits.

    Parameters
    ----------
    prepared : Prepared
        What was run.
    found : Metrics
        Its metrics.

    Returns
    -------
    Verdict
        A wrong action is shown and never judged, nor is a fault that this gauge is known not to
        have.
    """
    sends = _SENDS.get(prepared.name)
    other = sends is not None and prepared.gauge.fails_to not in (sends, "unknown")
    if found.complete and (prepared.name == "wrong-sense" or other):
        return Verdict(True, (), ())
    return verdict(found, prepared.limits)
