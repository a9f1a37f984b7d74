"""What tuning finds besides gains: instruments and drives too coarse or slow, a reading's price."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

from chamberctl.display import Display, number
from chamberctl.findings import Finding
from chamberctl.physics.instruments import count_size
from chamberctl.plant.point import LITTLE_AUTHORITY

if TYPE_CHECKING:
    from chamberctl.control.controller import PidSettings
    from chamberctl.plant.point import OperatingPoint
    from chamberctl.study import Drive, Gauge, Study

LN10 = math.log(10.0)
#: A hold band of half a count more or less is decided by chance; two counts can be held.
COUNTS_IN_BAND = 2.0
#: The reading leaves a band of two standard deviations a twentieth of the time by noise alone.
SIGMAS_IN_BAND = 2.0


def count_fraction(gauge: Gauge, indicated_pa: float) -> float:
    """Return the share of the reading that one count is [-]; 0 for a signal without counts.

    Parameters
    ----------
    gauge : Gauge
        The study's gauge: range, signal and bits.
    indicated_pa : float
        The reading [Pa].
    """
    if gauge.bits is None:
        return 0.0
    size = count_size(
        indicated_pa, gauge.range_low_pa, gauge.range_high_pa, gauge.bits, gauge.signal
    )
    return float(size)


def hold_band_findings(study: Study, gauge: Gauge) -> Iterator[Finding]:
    """Yield where the hold band is finer than what gauge and drive can show or do."""
    band, show = study.duty.hold_band, Display.of(study)
    within = f"the hold band of ±{number(100 * band)} %"
    for setpoint in sorted({hold.setpoint_pa for hold in study.duty.holds}):
        at = show.pressure_text(setpoint)
        share = count_fraction(gauge, setpoint)
        if band < COUNTS_IN_BAND * share:
            yield Finding(
                "no",
                "gauge resolution",
                f"At {at} one count of {gauge.tag} is {number(100 * share, 2)} % of the reading: "
                f"{within} is finer than two counts and cannot be held or proven. "
                f"{_finer_signal(gauge, band)}",
            )
    if band < SIGMAS_IN_BAND * gauge.noise:
        yield Finding(
            "caution",
            "gauge noise",
            f"The noise of {gauge.tag} is {number(100 * gauge.noise)} % of the reading (1 sigma): "
            f"{within} is finer than two sigma, the reading leaves it by noise alone. Filter the "
            "reading or widen the band.",
        )


def _finer_signal(gauge: Gauge, band: float) -> str:
    if gauge.signal == "linear" and gauge.range_low_pa > 0:
        log_share = 0.0
        if gauge.bits:
            ends = gauge.range_low_pa, gauge.range_high_pa
            log_share = float(count_size(gauge.range_low_pa, *ends, gauge.bits, "log"))
        if band >= COUNTS_IN_BAND * log_share:
            return (
                f"A logarithmic signal over the same range would give {number(100 * log_share, 2)} "
                "% per count; a gauge of smaller range or more bits would do as well."
            )
    return "A gauge of smaller range, more bits or a wider band is needed."


def drive_step_findings(study: Study, points: Sequence[OperatingPoint]) -> Iterator[Finding]:
    """Yield where one step of the speed command moves the pressure through the hold band."""
    step, band = study.system.drive.resolution, study.duty.hold_band
    if not step:
        return
    point = max(points, key=lambda p: abs(p.gain_decades_per_fraction))
    share = abs(10.0 ** (point.gain_decades_per_fraction * step) - 1.0)
    if share > band / COUNTS_IN_BAND:
        yield Finding(
            "no" if share > 2.0 * band else "caution",
            "speed resolution",
            f"One step of the speed command ({number(100 * step)} %) moves the pressure by "
            f"{number(100 * share)} % at {point.where}; the hold band is ±{number(100 * band)} %. "
            "The loop will hunt between two steps.",
        )


def ramp_findings(
    drive: Drive,
    settings: PidSettings,
    point: OperatingPoint,
    crossover_rad_s: float,
    steps: tuple[float, float],
) -> Iterator[Finding]:
    """Yield where the drive's ramps, which no margin contains, are as slow as the loop.

    Parameters
    ----------
    drive : Drive
        The study's drive.
    settings : PidSettings
        The tuned settings.
    point : OperatingPoint
        The duty point with the fastest loop.
    crossover_rad_s : float
        Its crossover [rad/s].
    steps : tuple of float
        The duty's steps of gas load and setpoint [relative].
    """
    ramp = max(drive.rise_time_s, drive.fall_time_s)
    if ramp > 0 and math.isfinite(crossover_rad_s):
        gas, setpoint = steps
        allowed = 1.0 / ramp
        load = gas / abs(point.gain_decades_per_fraction * LN10)
        needed = load * crossover_rad_s
        kick = settings.b * _kick(settings, point, setpoint)
        if needed > allowed or kick * crossover_rad_s > allowed:
            yield Finding(
                "caution",
                "drive ramp",
                f"The closed loop is as fast as the drive's ramp. At {point.where} a gas step of "
                f"{number(100 * gas)} % asks for about {number(100 * needed)} % of rated speed per "
                f"second and a setpoint step of {number(100 * setpoint)} % for "
                f"{number(100 * kick)} % at once; the ramps give {number(100 / ramp)} %/s "
                f"(rise {number(drive.rise_time_s)} s, fall {number(drive.fall_time_s)} s). The "
                "margins hold for smaller changes; larger ones are slower and may swing. Ramp the "
                "setpoint, or slow the loop.",
            )
    if drive.second_ramp_s > 0:
        yield Finding(
            "caution",
            "double ramp",
            f"A second ramp of {number(drive.second_ramp_s)} s acts on the speed command besides "
            "the drive's own: a hidden lag that is in no margin. Take one of them out.",
        )


def _kick(settings: PidSettings, point: OperatingPoint, step: float) -> float:
    if settings.reading == "log10":
        return settings.kc * abs(math.log10(1.0 + step))
    return settings.kc * point.indicated_pa * step


def lag_findings(drive: Drive, gauge: Gauge, tau_c_s: float) -> Iterator[Finding]:
    """Yield a caution where the gauge or the drive lags as long as the closed loop takes."""
    slow = gauge.lag_s + gauge.update_period_s
    if slow > tau_c_s:
        yield Finding(
            "caution",
            "gauge lag",
            f"{gauge.tag} answers in {number(slow)} s (lag and update), slower than the closed "
            f"loop's {number(tau_c_s)} s: the pressure swings more than the reading shows.",
        )
    if drive.lag_s > tau_c_s:
        yield Finding(
            "caution",
            "drive lag",
            f"The drive's lag of {number(drive.lag_s)} s is longer than the closed loop's time "
            f"constant of {number(tau_c_s)} s.",
        )


def authority_findings(points: Sequence[OperatingPoint]) -> Iterator[Finding]:
    """Yield where speed is the wrong handle."""
    weak = [p for p in points if p.feasible and p.authority_gauge < LITTLE_AUTHORITY]
    if weak:
        least = min(weak, key=lambda p: p.authority_gauge)
        yield Finding(
            "caution",
            "speed has little effect",
            f"Speed is the wrong handle at {_names(weak)}: ten percent more speed moves the "
            f"reading by as little as {number(10 * least.authority_gauge, 2)} %, and no gain "
            "changes that. What would help: a wider or shorter line, another pump, a throttle, or "
            "a bleed of inert gas approved for this process.",
        )


def _names(points: Sequence[OperatingPoint]) -> str:
    names = [p.where for p in points]
    more = f" and {len(names) - 3} more" if len(names) > 3 else ""
    return ", ".join(names[:3]) + more


def log_form_costs(
    study: Study, gauge: Gauge, settings: PidSettings, point: OperatingPoint
) -> tuple[str, ...]:
    """Say what a log10 reading costs on this plant, with its numbers.

    Parameters
    ----------
    study : Study
        For its units and drive.
    gauge : Gauge
        The loop's gauge.
    settings : PidSettings
        The tuned settings; compared are a log10 and a linear reading with the same loop gain at
        the point.
    point : OperatingPoint
        A duty point.

    Returns
    -------
    tuple of str
        Sentences.

    Notes
    -----
    With the same loop gain at the reading p, a gauge that fails to its low end p0 shows a log10
    controller an error of ln(p/p0) where a linear one sees 1 - p0/p.
    """
    show = Display.of(study)
    p = point.indicated_pa
    low = max(gauge.range_low_pa, study.controller.reading_low_pa)
    if low <= 0:
        return (
            "A log10 reading needs a lowest pressure at which it is floored; neither the gauge's "
            "range nor the reading's span has one above 0.",
        )
    gain = settings.kc if settings.reading == "log10" else settings.kc * p * LN10
    errors = {"log10": math.log10(p / low), "linear": (1.0 - low / p) / LN10}
    rows = {}
    for reading, error in errors.items():
        jump = gain * error
        rate = gain * error / settings.ti_s
        room = max(point.speed - settings.output_min, 0.0)
        ramp = room * study.system.drive.fall_time_s
        wait = max(ramp, (room - jump) / rate if room > jump else 0.0)
        rows[reading] = (100 * jump, 100 * rate * (settings.scan_time_s or 1.0), wait)
    log, lin = rows["log10"], rows["linear"]
    per = "scan" if settings.scan_time_s else "second"
    return (
        f"If {gauge.tag} fails low at {point.where} (reading {show.pressure_text(p)}, low end "
        f"{show.pressure_text(low)}), a log10 reading asks at once for {number(log[0])} % of rated "
        f"speed less, and for {number(log[1])} % less in each {per} after it: the pump is at its "
        f"lowest speed after {number(log[2])} s, ramp included. A linear reading with the same "
        f"loop gain here asks for {number(lin[0])} % and {number(lin[1])} %, and takes "
        f"{number(lin[2])} s. The log form is {number(errors['log10'] / errors['linear'])} times "
        "as hard; the action on a bad reading must catch it first.",
        f"The reading is floored at {show.pressure_text(low)}, the lower end of gauge or span, "
        "before the logarithm: below it the loop sees no further fall.",
        "If it fails high the log form is the gentler one: it counts decades, not pressure.",
    )
