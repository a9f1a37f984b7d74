"""The study's own way of tuning, which may take many seconds, beside a page that goes on."""

from __future__ import annotations

import threading
import time
from typing import TYPE_CHECKING

from chamberctl.errors import Infeasible, InputError
from chamberctl.findings import Finding

if TYPE_CHECKING:
    from chamberctl.control.tuned import Tuning
    from chamberctl.study import Study
    from chamberctl.workbench.pace_choice import PaceChoice

ONE_SET_HERE = Finding(
    "caution",
    "gain schedule",
    "The study asks for gains that change with the reading or the output. This page compares "
    "single sets for the whole duty, and its report is of the one in use. For the schedule run "
    "chamberctl tune or chamberctl report on a file in which no settings are chosen.",
)
"""What the page says where a study asks for a schedule."""


FIRST_GUESS_HERE = Finding(
    "caution",
    "first guess",
    "These are the settings of the published rule at the hardest duty point as stated. The study "
    "asks for settings that everything within its tolerances bears: 'Find robust settings' in the "
    "view Tune looks for them, as chamberctl tune does.",
)
"""What the page says of a first guess that the study does not ask for."""


def said_of_first_guess(study: Study) -> tuple[Finding, ...]:
    """Return what has to be said of a first guess; nothing where it is what the study asks for."""
    return () if study.controller.rule == "simc" else (FIRST_GUESS_HERE,)


def said_of_schedule(study: Study) -> tuple[Finding, ...]:
    """Return what has to be said where a study asks for a schedule; nothing where it does not."""
    return () if study.controller.schedule == "none" else (ONE_SET_HERE,)


class ProposalJob:
    """One proposal on its way.

    Parameters
    ----------
    study : Study
        What is tuned, as it stood when the job began.
    text : str
        Its text, so that a page knows whether it still is the one shown.
    """

    def __init__(self, study: Study, text: str) -> None:
        self.study, self.text = study, text
        self.result: Tuning | Infeasible | InputError | None = None
        self.paces: PaceChoice | None = None
        self._begun = time.monotonic()
        self._thread = threading.Thread(target=self._work, name="proposal", daemon=True)
        self._thread.start()

    @property
    def running(self) -> bool:
        """Whether it is still on its way."""
        return self._thread.is_alive()

    @property
    def elapsed_text(self) -> str:
        """How long it has taken so far, in whole seconds."""
        return f"{time.monotonic() - self._begun:.0f} s"

    def wait(self, longest_s: float) -> None:
        """Wait until it is done.

        Parameters
        ----------
        longest_s : float
            But no longer than this [s].
        """
        self._thread.join(longest_s)

    def _work(self) -> None:
        from chamberctl.proposal.propose import tune
        from chamberctl.workbench.pace_choice import pace_choice

        try:
            found = tune(self.study.with_text({"controller.schedule": "none"}))
            self.paces = pace_choice(found)
            self.result = found
        except (Infeasible, InputError) as refusal:
            self.result = refusal
