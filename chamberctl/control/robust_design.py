"""The robust optimum as a design: gains that every plant of the envelope bears."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import partial
from typing import TYPE_CHECKING

from chamberctl.control.designs import Design
from chamberctl.control.duty_loops import settings_frame
from chamberctl.control.margins import margins
from chamberctl.control.reading_filter import choose_filter
from chamberctl.control.robust import robust_settings

if TYPE_CHECKING:
    from chamberctl.control.duty_loops import DutyLoops


def robust_design(loops: DutyLoops, ms: float) -> Design:
    """Return the settings with the most integral action over the envelope of a study.

    Parameters
    ----------
    loops : DutyLoops
        The duty's loops.
    ms : float
        Largest Ms, and largest Mt, at every plant [-].

    Returns
    -------
    Design
        The duty point decides at which a limit binds; where it binds at none as stated, the one
        with the highest Ms.

    Raises
    ------
    Infeasible
        If no gain keeps the limits, or the loop would be too calm to be worth having.
    """
    study, frame = loops.study, settings_frame(loops.study)
    ask = partial(robust_settings, study, loops.duty, ms_limit=ms, structure=study.controller.terms)
    if study.duty.limits.noise_gain is None:
        found = ask(frame=frame)
        chosen = choose_filter(study, found)
    else:
        chosen = choose_filter(study, ask(frame=frame, explain=False))
        found = ask(frame=replace(frame, tf_s=chosen.tf_s))
    names = [point.where for point in loops.points]
    decides = [found.plants[binding.plant].at for binding in found.bindings]
    at_points = margins(loops.models, found.settings)
    index = next((names.index(at) for at in decides if at in names), int(at_points.ms.argmax()))
    crossover = float(at_points.crossover_rad_s[index])
    known = math.isfinite(crossover) and crossover > 0.0
    return Design(
        settings=found.settings,
        index=index,
        tau_c_s=1.0 / crossover if known else found.settings.delay_s,
        why=(*found.why, chosen.text),
        # points without a loop are told by the duty's loops
        findings=tuple(finding for finding in found.findings if finding.severity != "no"),
        optimum=found,
    )
