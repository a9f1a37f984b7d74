"""Ending the program from the page, for those who started it without a terminal."""

from __future__ import annotations

import os
import signal

from chamberctl.cli.workbench import STARTED_ALONE


def started_alone() -> bool:
    """Say whether there is no terminal from which the program could be stopped."""
    return bool(os.environ.get(STARTED_ALONE))


def end() -> None:
    """Stop the server; everything is in the recovery copy already."""
    os.kill(os.getpid(), signal.SIGTERM)
