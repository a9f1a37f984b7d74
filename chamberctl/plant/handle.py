"""Is speed the right handle for this duty? The window, authority, reserves and limits say."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from chamberctl.display import Display, number
from chamberctl.findings import Finding, gravest_first
from chamberctl.plant.chain import build_chain
from chamberctl.plant.handle_options import Handle, handles
from chamberctl.plant.point import LITTLE_AUTHORITY, STALLING_AUTHORITY
from chamberctl.plant.window import duty_points

if TYPE_CHECKING:
    from chamberctl.plant.point import OperatingPoint
    from chamberctl.study import Study

Verdict = Literal["good", "conditional", "wrong"]

WRONG_SHARE = 0.5
"""From this share of duty points that speed does not hold or hardly moves on, it is called the
wrong handle for the duty (assumed, because then most of the work is left to something else)."""

ONE_SIDED = 5.0
"""Rise this much slower than fall, or the reverse, is said to be one-sided (assumed, because a
loop tuned for one direction then looks dead or wild in the other)."""


@dataclass(frozen=True)
class HandleVerdict:
    """Whether speed is the right handle for a duty.

    Parameters
    ----------
    verdict : {"good", "conditional", "wrong"}
        Good: every duty point is held, moved and has its reserves. Wrong: at half of the points or
        more, speed does not hold the pressure or hardly moves it. Conditional: between the two.
    sentence : str
        The verdict in words.
    reasons : tuple of Finding
        What it rests on, with numbers, the gravest first.
    failing : tuple of int
        Duty points, numbered from 1, where speed does not hold or hardly moves the pressure.
    handles : tuple of Handle
        Speed as it is, then the alternatives.
    """

    verdict: Verdict
    sentence: str
    reasons: tuple[Finding, ...]
    failing: tuple[int, ...]
    handles: tuple[Handle, ...]


def handle_verdict(study: Study, points: Sequence[OperatingPoint] | None = None) -> HandleVerdict:
    """Judge whether speed is the right handle for a study's duty.

    Parameters
    ----------
    study : Study
        System, duty and controller.
    points : sequence of OperatingPoint, optional
        The duty points from `duty_points`, where they are known already.

    Returns
    -------
    HandleVerdict
        The verdict, its reasons and what the alternatives would do.
    """
    points = duty_points(study) if points is None else points
    failing = tuple(label for label, point in enumerate(points, 1) if _fails(point))
    reasons = gravest_first(_reasons(study, points))
    if len(failing) >= WRONG_SHARE * len(points):
        verdict: Verdict = "wrong"
    elif any(finding.severity != "note" for finding in reasons):
        verdict = "conditional"
    else:
        verdict = "good"
    options = handles(study, points)
    sentence = _sentence(verdict, failing, points, options, reasons)
    return HandleVerdict(verdict, sentence, reasons, failing, options)


def _fails(point: OperatingPoint) -> bool:
    return (
        not point.feasible
        or bool(point.limited_by)
        or not point.authority_gauge >= LITTLE_AUTHORITY
    )


def _reasons(study: Study, points: Sequence[OperatingPoint]) -> Iterator[Finding]:
    labeled = list(enumerate(points, 1))
    usable = [(label, p) for label, p in labeled if p.feasible and not p.limited_by]
    yield _window(study, labeled)
    held = [(label, p) for label, p in labeled if p.feasible and p.limited_by]
    if held:
        holders = " and ".join(sorted({p.limited_by for _, p in held}))
        text = f"The booster's {holders} rules at {_points(held)}: there speed does not act at all."
        yield Finding("no", "limiter", text)
    if usable:
        yield _authority(usable)
        yield from _reserve(study, usable)
        yield from _recovery(study, usable)
        yield from _drive(study, usable)
    guessed = [(label, p) for label, p in usable if p.extrapolated]
    if guessed:
        yield Finding(
            "caution",
            "pump data",
            f"At {_points(guessed)} the pump works outside its stated data; the answer there is "
            "a guess.",
        )


def _points(some: Sequence[tuple[int, OperatingPoint]]) -> str:
    labels = [str(label) for label, _ in some]
    if len(labels) == 1:
        return f"point {labels[0]}"
    return f"points {', '.join(labels[:-1])} and {labels[-1]}"


def _window(study: Study, labeled: Sequence[tuple[int, OperatingPoint]]) -> Finding:
    missing = [(label, p) for label, p in labeled if not p.feasible]
    drive = study.system.drive
    ratio = number(drive.maximum_speed / drive.minimum_speed)
    text = (
        f"Speed holds {len(labeled) - len(missing)} of {len(labeled)} duty points; it may change "
        f"{ratio} to 1."
    )
    if not missing:
        return Finding("note", "window", text)
    details = " ".join(f"Point {label}: {point.reason}" for label, point in missing)
    return Finding("no", "window", f"{text} {details}")


def _authority(usable: Sequence[tuple[int, OperatingPoint]]) -> Finding:
    least = min(usable, key=lambda item: item[1].authority_gauge)
    most = max(usable, key=lambda item: item[1].authority_gauge)
    low, high = (number(item[1].authority_gauge, 2) for item in (least, most))
    text = f"Speed authority is {low} at every point, where 1 is an ideal pump."
    if low != high:
        text = (
            f"Speed authority goes from {low} (point {least[0]}) to {high} (point {most[0]}): one "
            "percent of speed moves the reading by so many percent; 1 is an ideal pump."
        )
    weak = [(label, p) for label, p in usable if p.authority_gauge < LITTLE_AUTHORITY]
    if weak:
        return Finding(
            "no",
            "authority",
            f"{text} Below {LITTLE_AUTHORITY} speed is the wrong handle: {_points(weak)}.",
        )
    stall = [(label, p) for label, p in usable if p.authority_gauge > STALLING_AUTHORITY]
    if stall:
        return Finding(
            "caution",
            "authority",
            f"{text} Near stall, where gain rises steeply: {_points(stall)}.",
        )
    return Finding("note", "authority", text)


def _reserve(study: Study, usable: Sequence[tuple[int, OperatingPoint]]) -> Iterator[Finding]:
    """Whether the pumps can follow the duty's own step of gas, up and down."""
    volume = build_chain(study.system).volumes_m3[0]
    step = study.duty.gas_load_step
    for rate, way, end in (("slew_down_pa_s", "more", "full"), ("slew_up_pa_s", "less", "minimum")):
        room = {label: getattr(p, rate) * volume / p.gas_load_pa_m3_s for label, p in usable}
        short = [(label, p) for label, p in usable if room[label] < step]
        least = min(room, key=room.__getitem__)
        if short:
            yield Finding(
                "caution",
                f"reserve for {way} gas",
                f"At {_points(short)} {end} speed cannot follow a step of {number(100 * step)} % "
                f"{way} gas; at point {least} it has room for {number(100 * room[least], 2)} %. "
                "No gain helps.",
            )
        else:
            yield Finding(
                "note",
                f"reserve for {way} gas",
                f"At every point {end} speed can follow at least {number(100 * room[least], 2)} % "
                f"{way} gas (point {least}); the duty's step is {number(100 * step)} %.",
            )


def _recovery(study: Study, usable: Sequence[tuple[int, OperatingPoint]]) -> Iterator[Finding]:
    """How long the pressure takes, at best, to move by the duty's setpoint step either way."""
    step, show = study.duty.setpoint_step, Display.of(study)
    slowest = min(usable, key=lambda item: item[1].slew_up_pa_s / item[1].pressure_pa)
    label, point = slowest
    if point.slew_up_pa_s <= 1e-9 * point.pressure_pa:
        yield Finding(
            "caution",
            "recovery limited by gas",
            f"At point {label} the pressure cannot rise at all, even at minimum speed: an "
            "undershoot stays. Only gas lifts pressure.",
        )
        return
    rise = step * point.pressure_pa / point.slew_up_pa_s
    text = (
        f"Only gas lifts pressure: at point {label} a rise of {number(100 * step)} % takes at "
        f"least {number(rise, 2)} s at minimum speed ({show.rate_text(point.slew_up_pa_s, 2)})"
    )
    if point.slew_down_pa_s <= 1e-9 * point.pressure_pa:
        yield Finding("caution", "recovery limited by gas", f"{text}; it cannot fall at all.")
        return
    fall = step * point.pressure_pa / point.slew_down_pa_s
    one_sided = max(rise / fall, fall / rise)
    text += f", a fall as large {number(fall, 2)} s at full speed. Ramps come on top."
    if one_sided > ONE_SIDED:
        yield Finding(
            "caution",
            "recovery limited by gas" if rise > fall else "recovery limited by the pumps",
            f"{text} The two differ {number(one_sided, 2)} to 1.",
        )
    else:
        yield Finding("note", "recovery", text)


def _drive(study: Study, usable: Sequence[tuple[int, OperatingPoint]]) -> Iterator[Finding]:
    """Whether the drive's ramp is slower than the chamber's answer to the duty's gas step."""
    drive, step = study.system.drive, study.duty.gas_load_step
    slow = []
    for label, point in usable:
        if abs(point.authority_gauge) < LITTLE_AUTHORITY:
            continue
        change = min(step / abs(point.authority_gauge), 1.0) * point.speed
        ramp = change * max(drive.rise_time_s, drive.fall_time_s)
        slow.append((ramp / point.time_constant_s, label, ramp, point.time_constant_s))
    if not slow:
        return
    ratio, label, ramp, tau = max(slow)
    text = (
        f"To answer a step of {number(100 * step)} % gas the drive's ramp takes {number(ramp, 2)} "
        f"s at point {label}, where the chamber's time constant is {number(tau, 2)} s."
    )
    if ratio > 1.0:
        text += " The pressure moves before speed can follow; a throttle or bleed would be faster."
    yield Finding("caution" if ratio > 1.0 else "note", "drive", text)


def _sentence(
    verdict: Verdict,
    failing: tuple[int, ...],
    points: Sequence[OperatingPoint],
    options: Sequence[Handle],
    reasons: Sequence[Finding],
) -> str:
    bad = _points([(label, points[label - 1]) for label in failing]) if failing else ""
    if verdict == "good":
        text = f"Speed is a good handle here: it holds and moves all {len(points)} duty points."
    elif verdict == "wrong":
        text = f"Speed is the wrong handle for this duty: it does not hold or hardly moves {bad}."
    elif failing:
        text = f"Speed is the right handle only in part: it does not hold or hardly moves {bad}."
    else:
        doubts = dict.fromkeys(f.subject for f in reasons if f.severity != "note")
        text = f"Speed is a fair handle here, with cautions: {', '.join(doubts)}."
    if not failing:
        return text
    more = [o for o in options[1:] if len(o.held) > len(options[0].held)]
    best = max((len(o.held) for o in more), default=0)
    names = [o.name for o in more if len(o.held) == best]
    if not names:
        weak = options[0].lowest_authority
        better = [
            o.name for o in options[1:]
            if set(o.held) >= set(options[0].held) and o.lowest_authority > max(weak, 0.0) * 1.25
        ]  # fmt: skip
        if better and not math.isnan(weak):
            return f"{text} More authority at the points held: {'; '.join(better)}."
        return f"{text} None of the alternatives computed holds more points."
    return f"{text} More duty points are held by: {'; '.join(names)} ({best} of {len(points)})."
