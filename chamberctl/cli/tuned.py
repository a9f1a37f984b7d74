"""Tuning as the commands do it, with a word on what is going on."""

from __future__ import annotations

from typing import TYPE_CHECKING

from chamberctl.cli.progress import Progress
from chamberctl.errors import Infeasible

if TYPE_CHECKING:
    from chamberctl.control.tuned import Tuning
    from chamberctl.study import Study


def tuned(study: Study, progress: Progress) -> Tuning:
    """Return the tuning of a study."""
    progress.step("loading the control library")
    from chamberctl.proposal.propose import tune

    return tune(study, progress=lambda what: progress.step(f"tuning: {what}"))


def tuned_or_refused(study: Study, progress: Progress) -> Tuning | Infeasible:
    """Return the tuning, or the refusal where there is nothing to tune."""
    try:
        return tuned(study, progress)
    except Infeasible as refusal:
        return refusal
