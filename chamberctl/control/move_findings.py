"""What is said of large moves: steps that meet ramps and limits, and where only gas helps."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

from chamberctl.display import number
from chamberctl.findings import Finding

if TYPE_CHECKING:
    from chamberctl.control.large_moves import LargestStep, PointMoves
    from chamberctl.study import Study

BOUND_WORDS = {
    "rise ramp": "the drive's ramp up",
    "fall ramp": "the drive's ramp down",
    "second ramp": "the second ramp",
    "output rate": "the limit of the output's rate",
    "highest output": "the highest output",
    "lowest output": "the lowest output",
    "": "nothing",
}
"""What a step meets first, in words."""

MORE_GAS = (
    "a lower minimum speed, or a bleed of inert gas approved for this process, never air where "
    "vapor, hydrogen, dust or hot parts may ignite"
)
"""What helps where only gas lifts the pressure."""


def move_findings(study: Study, moves: Sequence[PointMoves]) -> Iterator[Finding]:
    """Yield what ramps and limits do to the duty's steps, which no margin contains.

    Parameters
    ----------
    study : Study
        Its duty states the steps.
    moves : sequence of PointMoves
        From `large_moves`.
    """
    if not moves:
        return
    duty = study.duty
    yield _clear("gas step", "of the gas flow", ("gas_up", "gas_down"), duty.gas_load_step, moves)
    yield _clear(
        "setpoint step", "of the setpoint", ("setpoint_up", "setpoint_down"), duty.setpoint_step,
        moves,
    )  # fmt: skip
    yield from _recovery(duty.setpoint_step, moves)


def _clear(
    subject: str, what: str, ways: tuple[str, str], step: float, moves: Sequence[PointMoves]
) -> Finding:
    """Say up to where steps stay clear, and at how many points the duty's step does not."""
    entries: list[tuple[LargestStep, PointMoves, str]] = [
        (getattr(point, way), point, way.rpartition("_")[2]) for point in moves for way in ways
    ]
    least, where, direction = min(entries, key=lambda entry: entry[0].size)
    if math.isinf(least.size):
        text = f"No step {what} that was looked at meets a ramp or a limit at any duty point."
        return Finding("note", subject, text)
    clear = (
        f"steps {what} up to {number(100 * least.size)} % stay clear of ramps and limits at every "
        f"duty point; a larger one {direction} meets {BOUND_WORDS[least.bound]} first, at "
        f"{where.where}"
    )
    met = {point.where for size, point, _ in entries if size.size < step}
    if not met:
        return Finding("note", subject, f"{clear[:1].upper()}{clear[1:]}.")
    text = (
        f"The duty's step of {number(100 * step)} % {what} meets a ramp or a limit at {len(met)} "
        f"of {len(moves)} duty points. Margins and linear answers know of neither: {clear}. "
        "Beyond, the runs on the nonlinear plant count."
    )
    if least.at_once and subject == "setpoint step":
        text += (
            " It is the law's first move that does it: a smaller setpoint weight or a setpoint "
            "ramp takes it away."
        )
    return Finding("caution", subject, text)


def _recovery(step: float, moves: Sequence[PointMoves]) -> Iterator[Finding]:
    """Say where gas alone limits how fast the pressure rises."""
    stuck = [point for point in moves if not math.isfinite(point.rise_time_s)]
    if stuck:
        yield Finding(
            "caution",
            "rise by gas",
            f"At {_names(stuck)} the pressure cannot rise by the duty's setpoint step of "
            f"{number(100 * step)} %: even at the lowest output the pumps carry more than enters. "
            f"No gain helps; what would: {MORE_GAS}.",
        )
    slow = [point for point in moves if point.gas_limited and point not in stuck]
    if slow:
        least = max(slow, key=lambda point: point.rise_time_s)
        yield Finding(
            "caution",
            "rise by gas",
            f"At {_names(slow)} gas alone limits how fast the pressure rises after the duty's "
            f"setpoint step of {number(100 * step)} % up. At {least.where} the loop asks for "
            f"{number(100 * least.asked_rise_per_s)} %/s, at the lowest output the gas gives "
            f"{number(100 * least.rise_per_s)} %/s: the step takes at least "
            f"{number(least.rise_time_s)} s whatever the gains, and an undershoot of that size as "
            f"long. What would help: {MORE_GAS}.",
        )


def _names(points: Sequence[PointMoves]) -> str:
    names = [point.where for point in points]
    more = f" and {len(names) - 2} more" if len(names) > 2 else ""
    return ", ".join(names[:2]) + more
