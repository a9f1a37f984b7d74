"""Answers to a step, and what the reading's scale costs, in words, numbers and pictures."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from chamberctl.display import number
from chamberctl.report import margins_text
from chamberctl.report.drawings import drawing, join_words
from chamberctl.report.tables import Column, Row, Table, numbers

if TYPE_CHECKING:
    from chamberctl.control.response import Response
    from chamberctl.control.tuning import Tuning
    from chamberctl.figures import ResponseCurve
    from chamberctl.study import Study

KINDS = ("setpoint", "gas load")


def section(study: Study, tuning: Tuning) -> dict[str, Any] | None:
    """Return text, picture and table of the answers to steps; None where no loop is stable."""
    from chamberctl import figures

    duty = study.duty
    if not any(point.margins.stable for point in tuning.points):
        return None
    found = {kind: _responses(study, tuning, kind) for kind in KINDS}
    curves = {kind: _curves(tuning, answers) for kind, answers in found.items()}
    figure = figures.step_responses(
        curves["setpoint"],
        curves["gas load"],
        _worst_shown(tuning),
        setpoint_step_percent=100 * duty.setpoint_step,
        gas_load_step_percent=100 * duty.gas_load_step,
        band_percent=100 * duty.hold_band,
    )
    return {
        "text": [
            "Steps around each duty point, answered by the sampled linear loop with its dead "
            "time and without limits or ramps. A fall below setpoint is listed apart from a rise "
            "above it, because only gas can lift the pressure: where the plant's fastest rise is "
            "small, recovery from below takes longer than shown here and no gain helps.",
            *_beyond_limits(study, tuning, curves),
        ],
        "picture": drawing(
            figure,
            "answers",
            "Thick: the worst point; thin: the others. Dashed: where the reading should settle; "
            "dotted: the hold band.",
        ),
        "table": _table(study, tuning, curves),
    }


def _worst_shown(tuning: Tuning) -> int:
    """Return the position of the worst point among the stable ones, which alone are shown."""
    shown = [i for i, point in enumerate(tuning.points) if point.margins.stable]
    worst = margins_text.worst_index(tuning)
    if worst in shown:
        return shown.index(worst)
    return max(range(len(shown)), key=lambda k: tuning.points[shown[k]].margins.ms)


def _responses(study: Study, tuning: Tuning, kind: str) -> list[Response]:
    """Return the answers of all stable points, of equal length so that they can be compared."""
    from chamberctl.control.response import sampled_response, usual_duration

    step = study.duty.setpoint_step
    stable = [point for point in tuning.points if point.margins.stable]
    length = max(usual_duration(point.model, point.settings) for point in stable)
    answers = []
    for point in stable:
        if kind == "setpoint":
            log = point.settings.reading == "log10"
            size = math.log10(1 + step) if log else step * point.point.indicated_pa
            answer = sampled_response(
                point.model, point.settings, setpoint_step=size, duration_s=length
            )
        else:
            load = point.point.gas_load_pa_m3_s / point.model.load_scale_pa_m3_s
            answer = sampled_response(
                point.model,
                point.settings,
                gas_load_step=study.duty.gas_load_step * load,
                duration_s=length,
            )
        answers.append(answer)
    return answers


def reading_cost(study: Study, tuning: Tuning) -> list[str]:
    """Return why the reading's scale was chosen or not, and what a log10 reading costs."""
    log, linear = tuning.gain_spread["log10"], tuning.gain_spread["linear"]
    better = "log10" if log <= linear else "linear"
    used = study.controller.reading
    lines = [
        f"Over this duty the plant's gain changes {number(log)} : 1 with a log10 reading and "
        f"{number(linear)} : 1 with a linear one. One set of gains has to serve all of it, so the "
        f"{better} reading is the easier one; this controller uses {used}.",
    ]
    if used == "log10":
        lines.append("What the log10 reading costs:")
    else:
        lines.append("What a log10 reading would cost:")
    return [*lines, *tuning.log_form_costs]


def _curves(tuning: Tuning, found: Sequence[Response]) -> list[ResponseCurve]:
    """Return answers in percent, for the picture."""
    from chamberctl.figures import ResponseCurve

    names = margins_text.labels(tuning)
    shown = [i for i, point in enumerate(tuning.points) if point.margins.stable]
    curves = []
    for index, answer in zip(shown, found, strict=True):
        reading = np.asarray(answer.reading)
        if tuning.settings.reading == "log10":
            percent = 100 * (10.0**reading - 1)
        else:
            percent = 100 * reading / tuning.points[index].point.indicated_pa
        speed = 100 * np.asarray(answer.speed)
        curves.append(ResponseCurve(names[index], np.asarray(answer.time_s), percent, speed))
    return curves


def _beyond_limits(
    study: Study, tuning: Tuning, curves: dict[str, list[ResponseCurve]]
) -> list[str]:
    """Return for which steps and points the speed asked for lies beyond limits or ramps."""
    settings, drive = tuning.settings, study.system.drive
    stable = [point for point in tuning.points if point.margins.stable]
    lines = []
    for kind, found in curves.items():
        limits, ramps = [], []
        for tuned, curve in zip(stable, found, strict=True):
            speed = tuned.point.speed + curve.speed_percent / 100
            if speed.min() < settings.output_min or speed.max() > settings.output_max:
                limits.append(curve.label)
            rate = np.diff(speed, prepend=tuned.point.speed) / curve.time_s[1]
            if rate.max() * drive.rise_time_s > 1 or -rate.min() * drive.fall_time_s > 1:
                ramps.append(curve.label)
        for labels, what in ((limits, "beyond its limits"), (ramps, "faster than its ramps")):
            if labels:
                places = f"point{'s' if len(labels) > 1 else ''} {join_words(labels)}"
                if 1 < len(labels) == len(stable):
                    places = "every point"
                lines.append(
                    f"The {kind} step shown asks for speed {what} at {places}: there the real "
                    "answer is slower than the picture and may swing further."
                )
    return lines


def _settled(curve: ResponseCurve, target: float, band: float) -> str:
    """Return the time of the last exit from the band [s], or that it does not end in it."""
    outside = np.flatnonzero(np.abs(curve.reading_percent - target) > band)
    if not len(outside):
        return "stays inside"
    if outside[-1] == len(curve.time_s) - 1:
        return f"over {number(float(curve.time_s[-1]))}"
    return number(float(curve.time_s[outside[-1] + 1]))


def _table(study: Study, tuning: Tuning, curves: dict[str, list[ResponseCurve]]) -> Table:
    duty = study.duty
    step, band = 100 * duty.setpoint_step, 100 * duty.hold_band
    columns = (
        Column("Point", "", "mid"),
        numbers("Setpoint step: above new setpoint", "% of setpoint"),
        numbers("settled in the hold band", "s"),
        numbers("largest speed change", "% of rated"),
        numbers("Gas step: highest rise", "% of setpoint"),
        numbers("deepest fall below setpoint", "% of setpoint"),
        numbers("settled in the hold band", "s"),
    )
    rows = []
    for up, gas in zip(curves["setpoint"], curves["gas load"], strict=True):
        cells = (
            up.label,
            number(max(float(np.max(up.reading_percent)) - step, 0.0), 2),
            _settled(up, step, band),
            number(float(np.max(np.abs(up.speed_percent))), 2),
            number(max(float(np.max(gas.reading_percent)), 0.0), 2),
            number(max(-float(np.min(gas.reading_percent)), 0.0), 2),
            _settled(gas, 0.0, band),
        )
        rows.append(Row(cells))
    title = (
        f"Answers to a setpoint step of +{number(step)} % and a gas-load step of "
        f"+{number(100 * duty.gas_load_step)} %; hold band \u00b1{number(band)} %"
    )
    return Table(title, columns, rows)
