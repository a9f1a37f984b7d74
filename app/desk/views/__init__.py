"""The views of the workbench page, in the order of the work."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from desk.session import Session
from desk.views import describe, tune, window

VIEWS: Mapping[str, Callable[[Session], None]] = {
    "Describe": describe.show,
    "Window": window.show,
    "Tune": tune.show,
}
"""Every view by the name on its button; each draws itself from the session."""
