"""The workbench's page: describe a plant, see its window, tune its loop.

Start it with ``chamberctl workbench``. The page only shows: the library computes all of it, and the
command line answers the same questions from the same study.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

import streamlit as st

from desk import open_session, strip, style
from desk.ending import end, started_alone
from desk.findings import show_cautions
from desk.session import Session
from desk.views import behave, describe, handover, learn, tune, window

#: Every view by the name on its button, in the order of the work.
VIEWS: Mapping[str, Callable[[Session], None]] = {
    "Describe": describe.show,
    "Window": window.show,
    "Tune": tune.show,
    "Behave": behave.show,
    "Hand over": handover.show,
    "Learn": learn.show,
}


#: Views that write into the study field by field; without fields its text comes first.
WRITING = ("Describe", "Tune", "Hand over")


def main() -> None:
    """Draw the page."""
    st.set_page_config(page_title="chamberctl", layout="wide")
    style.apply()
    session = open_session.current()
    chosen = strip.show(session, list(VIEWS))
    style.start_at_top(chosen)
    if session.study is None or (chosen in WRITING and not session.has_fields):
        describe.mend(session)
    else:
        VIEWS[chosen](session)
    show_cautions()
    if started_alone():
        st.button("End the workbench", on_click=end)


main()
