"""Which pictures the report shows, drawn from the results."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np

from chamberctl.report import margins_text
from chamberctl.report.drawings import Drawing, drawing

if TYPE_CHECKING:
    from chamberctl.control.influence import Influences
    from chamberctl.control.trade_off import TradeOff
    from chamberctl.control.tuning import Tuning
    from chamberctl.figures import LoopCurve
    from chamberctl.plant.window import OperatingWindow
    from chamberctl.study import Study

PANELS = ("ms", "gain_margin", "phase_margin_deg", "delay_margin_s")


def window(study: Study, found: OperatingWindow) -> dict[str, Drawing]:
    """Return the pictures of the operating window."""
    from chamberctl import figures

    return {
        "picture": drawing(
            figures.operating_window(found, study),
            "window",
            "Each curve is one gas load; where it is dotted, pump data are extrapolated. Circles "
            "are the duty points, numbered as in the tables. Shaded: speeds and readings outside "
            "the limits; hatched: speeds to avoid.",
        ),
        "authority": drawing(
            figures.authority(found, study),
            "authority",
            "Authority is the percentage by which pressure falls when speed is raised by one "
            "percent at constant gas load.",
        ),
    }


def influence(found: Influences) -> Drawing | None:
    """Return the picture of what the answer hangs on; None where nothing was varied."""
    from chamberctl import figures

    if not found.rows:
        return None
    return drawing(
        figures.influence(found),
        "influence",
        "Each row is one input, the strongest first. Ring: at the lower end of its tolerance; dot: "
        "at the upper end; square: something that the data leave open, settled the other way. A "
        "number stands where a bar is cut off.",
    )


def trade_off(found: TradeOff) -> Drawing:
    """Return the picture of what calmness costs."""
    from chamberctl import figures

    return drawing(
        figures.trade_off(found),
        "trade-off",
        "What calmness costs: the best settings for every largest Ms over the envelope. Dots: the "
        "ready choices; ring: the one taken.",
    )


def loop_curves(tuning: Tuning) -> list[LoopCurve]:
    """Return the loop's frequency response at every tuned point, up to half the scan rate."""
    from chamberctl.control.frequency import stack
    from chamberctl.figures import LoopCurve

    settings = tuning.settings
    models = [point.model for point in tuning.points]
    crossings = [p.margins.crossover_rad_s for p in tuning.points]
    known = [w for w in crossings if math.isfinite(w) and w > 0]
    assert settings.scan_time_s is not None
    top = math.pi / settings.scan_time_s
    low = min([*known, top / 10]) / 60
    omega = np.geomspace(low, top, 500)
    response = stack(models, [point.settings for point in tuning.points]).response(
        np.tile(omega, (len(models), 1))
    )
    names = margins_text.labels(tuning)
    return [LoopCurve(name, omega, row) for name, row in zip(names, response, strict=True)]


def frequency(study: Study, tuning: Tuning) -> dict[str, Drawing]:
    """Return Bode and Nyquist diagram and the margins over the duty."""
    from chamberctl import figures

    worst = margins_text.worst_index(tuning)
    curves = loop_curves(tuning)
    name = curves[worst].label
    return {
        "picture": drawing(
            _margins_figure(study, tuning),
            "margins",
            "Dots: as typed in; rings: before rounding. The dashed line is the duty's limit.",
        ),
        "bode": drawing(
            figures.bode(curves, worst),
            "bode",
            f"Bode diagram of the sampled loop. Thick: point {name}, the worst; thin: the other "
            "points.",
        ),
        "nyquist": drawing(
            figures.nyquist(curves, worst, study.duty.limits.ms),
            "nyquist",
            f"Nyquist diagram. Thick: point {name}. A curve that enters the hatched circle "
            "around -1 has a larger Ms than the duty allows; the dashed circle is gain 1. The "
            "straight line is the nearest approach, 1/Ms long.",
            small=True,
        ),
    }


def _margins_figure(study: Study, tuning: Tuning) -> Any:
    from chamberctl import figures

    titles = {n: "{} [{}]".format(*margins_text.NAMES[n][:2]) for n in PANELS}
    rows = {t: [getattr(p.margins, n) for p in tuning.points] for n, t in titles.items()}
    before = {
        t: [getattr(m, n) for m in tuning.unrounded_points_margins] for n, t in titles.items()
    }
    given = margins_text.limits(study)
    limits = {titles[name]: value for name, value in given.items() if name in titles}
    return figures.margins_over_duty(margins_text.labels(tuning), rows, limits, before)


def fast_gains(tuning: Tuning) -> tuple[list[float], list[float]]:
    """Return each point's plant gain at the design crossover with a log10 and a linear reading.

    Returns
    -------
    tuple of list
        Gains relative to the design point [-].
    """
    design = tuning.points[tuning.design_index]
    omega = design.margins.crossover_rad_s
    if not math.isfinite(omega):
        omega = 1.0 / design.point.time_constant_s
    sizes = {}
    for reading in ("log10", "linear"):
        values = []
        for point in tuning.points:
            a, b, c, d = point.model.siso(reading)
            gain = c @ np.linalg.solve(1j * omega * np.eye(len(a)) - a, b) + d
            values.append(float(abs(gain[0, 0])))
        sizes[reading] = [value / values[tuning.design_index] for value in values]
    return sizes["log10"], sizes["linear"]


def spread(study: Study, tuning: Tuning) -> Drawing:
    """Return the picture of how the plant's gain changes over the duty."""
    from chamberctl import figures

    log_gain, linear_gain = fast_gains(tuning)
    figure = figures.gain_spread(
        margins_text.labels(tuning), log_gain, linear_gain, study.controller.reading
    )
    return drawing(
        figure,
        "spread",
        "Gain of the plant from speed to reading at each duty point, at the frequency where the "
        "design point's loop has gain 1. The shorter the row, the less one set of gains has to "
        "compromise.",
    )
