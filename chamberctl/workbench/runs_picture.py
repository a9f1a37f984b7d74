"""The live picture of one scenario with several settings: reading above, speed below."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from chamberctl.display import number
from chamberctl.figures import style
from chamberctl.figures.live import Stroke, picture
from chamberctl.figures.panels import Level, Panel
from chamberctl.figures.scales import Scale, held_scale, log_scale
from chamberctl.figures.traces import shown as span_shown
from chamberctl.report.behavior_text import curve
from chamberctl.workbench.looks import Live, drawn, look_of

if TYPE_CHECKING:
    from chamberctl.figures import TraceCurve
    from chamberctl.study import Study
    from chamberctl.workbench.runs import Trial

Array = NDArray[np.float64]

SIZE_IN = (5.6, 4.4)
LEFT, WIDE = 0.11, 0.86
UPPER, LOWER, HIGH = 0.58, 0.17, 0.35


def runs_picture(study: Study, trials: Sequence[Trial]) -> Live | None:
    """Draw the runs of a scenario over each other; None where it cannot happen.

    Parameters
    ----------
    study : Study
    trials : sequence of Trial
        With the settings in use first.
    """
    curves = [
        (place, trial, curve(study, trial.day.run, trial.compared))
        for place, trial in enumerate(trials)
        if trial.day.run is not None
    ]
    if not curves:
        return None
    first = curves[0][2]
    spans = [span_shown(one) for _, _, one in curves]
    begin = min(float(one.time_s[a]) for (a, _), (_, _, one) in zip(spans, curves, strict=True))
    end = max(float(one.time_s[b]) for (_, b), (_, _, one) in zip(spans, curves, strict=True))
    upper, lower = _panels([one for _, _, one in curves], begin, end)
    edges = [_setpoint(first, factor, look, begin, end) for factor, look in (
        (1.0, (style.ACCENT, 0.9, "4 2")),
        (1.0 - first.band, (style.ALARM, 0.8, "1 2")),
        (1.0 + first.band, (style.ALARM, 0.8, "1 2")),
    )]  # fmt: skip
    readings, speeds = list(edges), []
    legend: list[tuple[str, Stroke]] = []
    for place, trial, one in reversed(curves):
        near = (one.time_s >= begin) & (one.time_s <= end)
        readings.append(drawn(one.time_s[near], one.reading[near], place))
        speeds.append(drawn(one.time_s[near], one.speed_percent[near], place))
        legend.insert(0, (trial.shown.name, look_of(place)))
    if first.predicted is not None:
        time, reading, output = first.predicted
        near = time <= end
        readings.append(Stroke(time[near], reading[near], style.ACCENT, 0.9))
        speeds.append(Stroke(time[near], output[near], style.ACCENT, 0.9))
        none = np.zeros(0)
        legend.append(("linear prediction of the first", Stroke(none, none, style.ACCENT, 0.9)))
    alt = _words([(trial.shown.name, one) for _, trial, one in curves])
    return Live(picture(SIZE_IN, [(upper, readings, []), (lower, speeds, [])], alt, legend), alt)


def _panels(curves: Sequence[TraceCurve], begin: float, end: float) -> tuple[Panel, Panel]:
    first = curves[0]
    time = held_scale("time [s]", [np.array([begin, end])])
    time = Scale(time.label, begin, end, ticks=tuple(t for t in time.ticks if begin <= t <= end))
    seen = []
    for one in curves:
        near = (one.time_s >= begin) & (one.time_s <= end)
        seen += [one.reading[near], one.setpoint[near] * (1 - one.band),
                 one.setpoint[near] * (1 + one.band)]  # fmt: skip
    known = np.concatenate(seen)
    known = known[np.isfinite(known) & (known > 0.0)]
    label = f"indicated [{first.unit}]"
    wide = known.size and known.max() > style.LOG_FROM * known.min()
    reading = log_scale(label, known) if wide else held_scale(label, seen)
    low, high = first.limits_percent
    speed = Scale("speed [% of rated]", 0.0, 100.0, ticks=(0.0, 25.0, 50.0, 75.0, 100.0))
    parting = () if np.isnan(first.parting_s) else (Level(first.parting_s, "edge", upright=True),)
    gray = _held_spans(first)
    upper = Panel(
        SIZE_IN, (LEFT, UPPER, WIDE, HIGH), Scale("", begin, end, ticks=time.ticks, named=False),
        reading, first.title, parting, shaded=gray,
    )  # fmt: skip
    lower = Panel(
        SIZE_IN, (LEFT, LOWER, WIDE, HIGH), time, speed, "",
        (Level(low, "edge"), Level(high, "edge"), *parting), shaded=gray,
    )  # fmt: skip
    return upper, lower


def _held_spans(one: TraceCurve) -> tuple[tuple[float, float], ...]:
    """Return from when to when the output is given from outside."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], one.held, [False]]).astype(int)))
    last = one.time_s.size - 1
    return tuple(
        (float(one.time_s[a]), float(one.time_s[min(int(b), last)]))
        for a, b in zip(edges[::2], edges[1::2], strict=True)
    )


def _setpoint(
    one: TraceCurve, factor: float, look: tuple[str, float, str], begin: float, end: float
) -> Stroke:
    near = (one.time_s >= begin) & (one.time_s <= end)
    return Stroke(one.time_s[near], factor * one.setpoint[near], *look)


def _words(curves: Sequence[tuple[str, TraceCurve]]) -> str:
    parts = []
    for name, one in curves:
        after = one.reading[one.time_s >= one.event_s]
        speed = one.speed_percent
        parts.append(
            f"with {name} the indicated pressure moves between {number(float(np.nanmin(after)))} "
            f"and {number(float(np.nanmax(after)))} {one.unit}, the speed between "
            f"{number(float(np.nanmin(speed)))} and {number(float(np.nanmax(speed)))} %"
        )
    return f"{curves[0][1].title}: {'; '.join(parts)}."
