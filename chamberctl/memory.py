"""How often Python looks for objects that hold only each other."""

from __future__ import annotations

import atexit
import gc

COLLECT_AFTER = 100_000
"""Objects made since the last look for unreachable cycles."""


def collect_rarely() -> None:
    """Look for unreachable cycles of objects less often: a tenth of a report's time went there."""
    gc.set_threshold(COLLECT_AFTER, *gc.get_threshold()[1:])


def end_without_looking() -> None:
    """Let the process end without looking for cycles, which no one needs then: it took 0.3 s."""
    atexit.register(gc.freeze)
