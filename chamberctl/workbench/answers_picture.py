"""The live picture of answers to steps: reading above, speed below."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Literal

import numpy as np
from numpy.typing import NDArray

from chamberctl.display import Display, number
from chamberctl.figures import style
from chamberctl.figures.live import Note, Stroke, picture
from chamberctl.figures.panels import Level, Panel
from chamberctl.figures.scales import Scale, held_scale, round_end
from chamberctl.workbench.answers import Answer, Compared, Loop, Step
from chamberctl.workbench.looks import (
    HIGH,
    LEFT,
    LOWER,
    RIGHT,
    SIZE_IN,
    UPPER,
    WIDE,
    Live,
    drawn,
    faint,
    look_of,
)

if TYPE_CHECKING:
    from chamberctl.study import Study

Array = NDArray[np.float64]
Variables = Literal["deviation", "physical"]

SEEN = 0.01
"""A curve is shown until nothing more moves by this share of its whole way ..."""

RESTLESS = 0.04
"""... and by this share on the plant, where the drive's resolution keeps it moving."""

RUNAWAY = 3.0
"""An unstable loop's answer is shown to so many times the step."""


def answers_picture(
    study: Study, compared: Mapping[Step, Compared], loop: Loop, variables: Variables
) -> Live:
    """Draw answers to the duty's setpoint step and gas step.

    Parameters
    ----------
    study : Study
    compared : mapping of str to Compared
        From `compare_answers`.
    loop : {"linear", "on the plant"}
        Where they come from.
    variables : {"deviation", "physical"}
        Deviations from what was before the step, the other duty points with them, or pressures and
        speeds themselves.

    Returns
    -------
    Live
    """
    filled, words = [], []
    for column, (step, curves) in enumerate(compared.items()):
        filled += _step_panels(study, curves, column, step, variables, loop)
        words.append(_step_words(curves, step))
    first = next(iter(compared.values()))
    alt = f"Answers at duty point {first.point}. {' '.join(words)}"
    nothing = np.zeros(0)
    legend = [(one.name, look_of(place)) for place, one in enumerate(first.shown)]
    if any(curves.predicted is not None for curves in compared.values()):
        legend.append(("linear prediction", Stroke(nothing, nothing, style.ACCENT, 0.9)))
    if first.others and variables == "deviation":
        legend.append(("other duty points", faint(nothing, nothing)))
    return Live(picture(SIZE_IN, filled, alt, legend), alt)


def _step_panels(
    study: Study, curves: Compared, column: int, step: Step, variables: Variables, loop: Loop
) -> list[tuple[Panel, list[Stroke], list[Note]]]:
    duty, unit = study.duty, Display.of(study)
    sized = duty.setpoint_step if step == "setpoint" else duty.gas_load_step
    title = f"{step} up by {number(100.0 * sized)} %"
    first = curves.answers[0]
    left, titles = (LEFT if column == 0 else RIGHT), (title, "")
    if first is None:
        empty = Scale("time [s]", 0.0, 1.0, ticks=(0.0, 1.0))
        frames = [
            Panel(SIZE_IN, (left, bottom, WIDE, HIGH), empty, Scale("", 0.0, 1.0, ticks=(0.0, 1.0)),
                  words)
            for bottom, words in zip((UPPER, LOWER), titles, strict=True)
        ]  # fmt: skip
        return [
            (frames[0], [], [Note(0.03, 0.5, "This step cannot happen here.")]),
            (frames[1], [], []),
        ]
    physical = variables == "physical"
    percent = 100.0 * sized

    def reading(answer: Answer) -> Array:
        return np.asarray(unit.to_pressure(answer.indicated_pa)) if physical else answer.percent

    def speed(answer: Answer) -> Array:
        return 100.0 * answer.speed if physical else answer.speed_percent

    others = () if physical else curves.others
    every = [*(a for a in curves.answers if a is not None), *others]
    end = round_end(_seen_until(every, curves.stable, SEEN if loop == "linear" else RESTLESS))
    base, aim = (reading_of(first, value, unit, physical=physical)
                 for value in (first.before_pa, first.aim_pa))  # fmt: skip
    away = RUNAWAY * abs(reading_of(first, first.before_pa * (1.0 + sized), unit,
                                    physical=physical) - base)  # fmt: skip
    band = duty.hold_band * (aim if physical else 100.0 + aim)
    seen = [np.clip(reading(a)[a.time_s <= end], base - away, base + away) for a in every]
    upper = held_scale(
        f"indicated [{unit.pressure}]" if physical else "indicated [% of setpoint]",
        [*seen, np.array([base, aim, aim - band, aim + band])],
    )
    moved = [speed(a)[a.time_s <= end] for a in every]
    rest = 100.0 * first.rest if physical else 0.0
    most = max(RUNAWAY * percent, 1.0) * 10.0
    lower = held_scale(
        "speed [% of rated]" if physical else "speed [\u0394 % of rated]",
        [np.clip(one, rest - most, rest + most) for one in moved], least=0.5,
    )  # fmt: skip
    aims = (Level(aim, "aim"), Level(aim - band, "edge"), Level(aim + band, "edge"))
    time = held_scale("time [s]", [np.array([end])], low=0.0)
    unnamed = replace(time, named=False)
    rests = [Level(rest, "zero")]
    if physical:
        settings = curves.shown[0].tuning.settings
        ends = (settings.output_min, settings.output_max)
        rests += [Level(100.0 * value, "edge") for value in ends]
    frames = [
        Panel(SIZE_IN, (left, UPPER, WIDE, HIGH), unnamed, upper, title, aims),
        Panel(SIZE_IN, (left, LOWER, WIDE, HIGH), time, lower, "", tuple(rests)),
    ]
    found: list[tuple[Panel, list[Stroke], list[Note]]] = []

    def xy(answer: Answer, values: Callable[[Answer], Array]) -> tuple[Array, Array]:
        near = answer.time_s <= 1.02 * end
        return answer.time_s[near], values(answer)[near]

    for panel, values in zip(frames, (reading, speed), strict=True):
        strokes = [faint(*xy(a, values)) for a in others]
        for place in reversed(range(len(curves.answers))):
            answer = curves.answers[place]
            if answer is not None:
                strokes.append(drawn(*xy(answer, values), place))
        guess = curves.predicted
        if guess is not None:
            strokes.append(Stroke(*xy(guess, values), style.ACCENT, 0.9))
        found.append((panel, strokes, []))
    return found


def reading_of(answer: Answer, pressure_pa: float, unit: Display, *, physical: bool) -> float:
    """Return an indicated pressure [Pa] in the variables that are shown."""
    if physical:
        return float(unit.to_pressure(pressure_pa))
    return 100.0 * (pressure_pa / answer.before_pa - 1.0)


def _seen_until(answers: Sequence[Answer], stable: Sequence[bool], share: float) -> float:
    """Return a little more than the time after which nothing visible happens [s]."""
    last = 0.0
    for place, answer in enumerate(answers):
        if place < len(stable) and not stable[place]:
            continue
        for values in (answer.percent, answer.speed_percent):
            if not np.isfinite(values).all():
                continue
            moving = np.flatnonzero(np.abs(values - values[-1]) > share * max(np.ptp(values), 1e-9))
            last = max(last, float(answer.time_s[moving[-1]]) if moving.size else 0.0)
    longest = max(float(answer.time_s[-1]) for answer in answers)
    return min(1.1 * last, longest) or longest


def _step_words(curves: Compared, step: Step) -> str:
    """Say what the settings in use make of a step."""
    answer = curves.answers[0]
    if answer is None:
        return f"A {step} step cannot happen there: {curves.refusal}"
    if not curves.stable[0]:
        name = curves.shown[0].name
        return f"After a {step} step the loop of {name} does not settle: it is unstable."
    high, low = float(np.max(answer.percent)), float(np.min(answer.percent))
    move = float(np.max(np.abs(answer.speed_percent)))
    return (
        f"After a {step} step the indicated pressure of {curves.shown[0].name} moves between "
        f"{number(low)} and {number(high)} % of what it was, the speed by up to {number(move)} % "
        "of rated."
    )
