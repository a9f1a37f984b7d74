"""Scenarios of the reference plant with settings of a closed form, for tests of days."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache
from typing import Any

import numpy as np

import chamberctl as cc
from chamberctl.control.controller import PidSettings
from chamberctl.control.tuning import rule_tuning
from chamberctl.plant.operating import operating_point
from chamberctl.simulation.scenarios import ScenarioRun, simulate
from chamberctl.study import Study

MBAR = 100.0
RESOLUTION = 0.002

#: Lambda tuning of the reference plant at 5 mbar and 250 mbar L/s: tau 10 s, closed loop 10 s,
#: 1 s of delay, static gain 1/(0.5 ln 10) decades per speed fraction.
GAIN = 10.0 / (10.0 + 1.0) * 0.5 * math.log(10.0)
CALM = PidSettings(kc=GAIN, ti_s=10.0, scan_time_s=0.1, output_min=0.2, output_max=1.0)

#: The same on Pa, static gain 10 mbar per speed fraction.
LINEAR = replace(CALM, kc=10.0 / (10.0 + 1.0) / 1000.0, reading="linear")


@cache
def reference(*changes: tuple[str, Any]) -> Study:
    """The reference plant with some fields typed anew."""
    typed = {path: to_lists(value) for path, value in changes}
    return cc.load("preset:reference-plant").with_text(typed)


def to_lists(value: Any) -> Any:
    return [to_lists(item) for item in value] if isinstance(value, tuple) else value


@cache
def furnace(*changes: tuple[str, Any]) -> Study:
    return cc.load("preset:crystal-furnace").with_text(dict(changes))


def point_of(study: Study) -> cc.OperatingPoint:
    """5 mbar at 250 mbar L/s, half speed."""
    return operating_point(study.system, indicated_pa=5 * MBAR, gas_load_pa_m3_s=25.0)


def tried(name: str, settings: PidSettings = CALM, **changes: Any) -> ScenarioRun:
    """A scenario of the reference plant at half speed; `__` in a field's path stands for a dot."""
    study = reference(*((path.replace("__", "."), value) for path, value in changes.items()))
    return simulate(study, settings, name, point=point_of(study))


@cache
def tuned_furnace() -> tuple[PidSettings, cc.OperatingPoint]:
    tuning = rule_tuning(furnace())
    return tuning.settings, tuning.points[2].point


def texts(run: ScenarioRun, subject: str) -> str:
    return " ".join(finding.text for finding in run.findings if finding.subject == subject)


def speed_of(run: ScenarioRun) -> np.ndarray:
    return run.trace.columns["speed"]


def output_of(run: ScenarioRun) -> np.ndarray:
    return run.trace.columns["output"]


def at(run: ScenarioRun, time_s: float) -> int:
    return round(time_s / float(run.trace.time_s[1]))
