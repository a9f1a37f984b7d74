"""What calmness costs: the optimum over Ms, and any of its settings to be taken into use."""

from __future__ import annotations

import streamlit as st

from chamberctl import figures
from chamberctl.workbench.pace_choice import PaceChoice
from desk import explained
from desk.entered import entered
from desk.results import Drawn
from desk.session import Session

_KNOWN = "calmness:known"


def remember(text: str, found: PaceChoice | None) -> None:
    """Keep what was found for a study's text, and its picture."""
    if found is None:
        st.session_state.pop(_KNOWN, None)
        return
    picture = figures.trade_off(found.curve)
    drawn = Drawn(figures.to_svg(picture, "trade-off"), picture.alt)
    st.session_state[_KNOWN] = (text, found, drawn)


def _known(session: Session) -> tuple[PaceChoice, Drawn] | None:
    """Return choice and picture, where they are known for the study as it is."""
    text, found, drawn = st.session_state.get(_KNOWN, ("", None, None))
    return None if found is None or text != session.good_text else (found, drawn)


def choose(session: Session) -> None:
    """Draw the choice of the calmness, which is taken into use at once."""
    known = _known(session)
    if known is None:
        return
    found = known[0]
    names = list(found.candidates)

    drawn = st.session_state.get("calmness:ms", found.chosen)

    def take() -> None:
        chosen = entered("calmness:ms")
        if chosen != drawn:  # a slider that is gone may report what it showed
            session.use(found.candidates[chosen])

    st.select_slider(
        "Largest Ms at every plant", names, value=found.chosen, key="calmness:ms", on_change=take,
        help="Left is calmer, right is faster. Each is the optimum within its Ms and is taken into "
        "use at once.",
    )  # fmt: skip


def show(session: Session) -> None:
    """Draw what calmness costs."""
    known = _known(session)
    if known is not None:
        st.subheader("What calmness costs")
        explained.show(known[1], "trade-off", widest=800)
