"""Answers to a step, and what the reading's scale costs, in words, numbers and pictures."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from chamberctl.display import Display, number
from chamberctl.report import margins_text, pictures
from chamberctl.report.drawings import drawing
from chamberctl.report.tables import Column, Row, Table, numbers

if TYPE_CHECKING:
    from chamberctl.control.response import Response
    from chamberctl.control.tuning import Tuning
    from chamberctl.figures import ResponseCurve
    from chamberctl.study import Study

KINDS = ("setpoint", "gas load")


def section(study: Study, tuning: Tuning) -> dict[str, Any]:
    """Return text, picture and table of the answers to a setpoint step and a gas-load step."""
    from chamberctl import figures

    duty = study.duty
    answers = {kind: _responses(study, tuning, kind) for kind in KINDS}
    curves = {kind: _curves(tuning, found) for kind, found in answers.items()}
    figure = figures.step_responses(
        curves["setpoint"],
        curves["gas load"],
        _worst_shown(tuning),
        setpoint_step_percent=100 * duty.setpoint_step,
        gas_load_step_percent=100 * duty.gas_load_step,
        band_percent=100 * duty.hold_band,
    )
    return {
        "text": "Small steps around each duty point, answered by the sampled loop with its dead time "
        "and without limits or ramps. A fall below setpoint is listed apart from a rise above it, "
        "because only gas can lift the pressure: where the plant's fastest rise is small, recovery "
        "from below takes longer than shown here and no gain helps.",
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
