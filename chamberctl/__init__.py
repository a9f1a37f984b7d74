"""chamberctl: setting up the loop that holds a vacuum chamber at pressure by pump speed.

::

    import chamberctl as cc

    study = cc.load("preset:NAME")       # or a path: system, duty and controller
    window = cc.operating_window(study)  # what the pumps can hold, with findings in plain words
    verdict = cc.handle_verdict(study)   # whether speed is the right handle, and what else would do
    tuning = cc.tune(study)              # gains as typed in, margins at every duty point
    found = cc.assess(study, settings)   # the same for settings that somebody gives
    run = cc.simulate(study, tuning, "gas-step")  # the sampled loop on the nonlinear plant
    many = cc.monte_carlo(study, tuning, "gas-step")  # over tolerances and noise
    hangs_on = cc.influences(study, tuning)  # uncertain inputs, ranked by what they would move
    cc.write_report(study, tuning, "report")

Each name is loaded when it is first used, so that a short command does not wait for libraries it
does not need.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

from chamberctl.cautions import CAUTIONS, caution_text
from chamberctl.errors import ChamberctlError, Infeasible, InputError, QuantityError, StudyError
from chamberctl.findings import Finding

if TYPE_CHECKING:
    from chamberctl.control.controller import PidSettings
    from chamberctl.control.influence import influences
    from chamberctl.control.margins import LoopMargins, margins
    from chamberctl.control.rule_comparison import RuleComparison, compare_rules
    from chamberctl.control.tuning import Tuning, assess
    from chamberctl.plant.comparison import compare
    from chamberctl.plant.handle import handle_verdict
    from chamberctl.plant.linear import LoopModel
    from chamberctl.plant.linearize import linearize
    from chamberctl.plant.operating import operating_point
    from chamberctl.plant.point import OperatingPoint
    from chamberctl.plant.window import OperatingWindow, operating_window
    from chamberctl.proposal.propose import tune
    from chamberctl.report import ReportFiles, write_report
    from chamberctl.simulation.monte_carlo import MonteCarlo, monte_carlo
    from chamberctl.simulation.scenarios import ScenarioRun, simulate
    from chamberctl.study import Study, load, presets

__version__ = "0.1.0"

__all__ = [
    "load",
    "presets",
    "operating_window",
    "operating_point",
    "compare",
    "handle_verdict",
    "linearize",
    "tune",
    "assess",
    "margins",
    "compare_rules",
    "influences",
    "simulate",
    "monte_carlo",
    "write_report",
    "Study",
    "OperatingWindow",
    "OperatingPoint",
    "LoopModel",
    "PidSettings",
    "Tuning",
    "LoopMargins",
    "RuleComparison",
    "ScenarioRun",
    "MonteCarlo",
    "ReportFiles",
    "Finding",
    "ChamberctlError",
    "InputError",
    "QuantityError",
    "StudyError",
    "Infeasible",
    "CAUTIONS",
    "caution_text",
]

_HOME = {
    "load": "study",
    "presets": "study",
    "Study": "study",
    "operating_window": "plant.window",
    "operating_point": "plant.operating",
    "OperatingWindow": "plant.window",
    "OperatingPoint": "plant.point",
    "compare": "plant.comparison",
    "handle_verdict": "plant.handle",
    "linearize": "plant.linearize",
    "LoopModel": "plant.linear",
    "influences": "control.influence",
    "margins": "control.margins",
    "compare_rules": "control.rule_comparison",
    "RuleComparison": "control.rule_comparison",
    "LoopMargins": "control.margins",
    "PidSettings": "control.controller",
    "tune": "proposal.propose",
    "assess": "control.tuning",
    "simulate": "simulation.scenarios",
    "ScenarioRun": "simulation.scenarios",
    "monte_carlo": "simulation.monte_carlo",
    "MonteCarlo": "simulation.monte_carlo",
    "Tuning": "control.tuning",
    "write_report": "report",
    "ReportFiles": "report",
}


def __getattr__(name: str) -> Any:
    if name not in _HOME:
        raise AttributeError(f"module 'chamberctl' has no attribute '{name}'", name=name)
    value = getattr(import_module(f"chamberctl.{_HOME[name]}"), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted([*globals(), *_HOME])
