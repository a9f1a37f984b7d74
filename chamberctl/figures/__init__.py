"""Every picture, once: a result in, a matplotlib Figure with its text alternative out."""

from chamberctl.figures.curves import line_conductances, pump_curves
from chamberctl.figures.influence import influence
from chamberctl.figures.loop import LoopCurve, bode, gain_spread, margins_over_duty, nyquist
from chamberctl.figures.picture import Picture
from chamberctl.figures.responses import ResponseCurve, step_responses
from chamberctl.figures.schedule import gain_schedule
from chamberctl.figures.sketch import sketch
from chamberctl.figures.spread import SpreadCurve, spread
from chamberctl.figures.style import to_file, to_svg
from chamberctl.figures.traces import TraceCurve, traces
from chamberctl.figures.trade_off import trade_off
from chamberctl.figures.window import authority, operating_window

__all__ = [
    "LoopCurve",
    "Picture",
    "ResponseCurve",
    "SpreadCurve",
    "TraceCurve",
    "authority",
    "bode",
    "gain_schedule",
    "gain_spread",
    "influence",
    "line_conductances",
    "margins_over_duty",
    "nyquist",
    "operating_window",
    "pump_curves",
    "sketch",
    "spread",
    "step_responses",
    "to_file",
    "to_svg",
    "traces",
    "trade_off",
]
