"""A live picture with what to look at, and a fold-out with formula and source."""

from __future__ import annotations

import streamlit as st

from chamberctl.workbench.explanations import EXPLANATIONS
from chamberctl.workbench.looks import Live
from desk import style
from desk.results import Drawn


def show(live: Live | Drawn, name: str, *, widest: int = style.WIDEST) -> None:
    """Show a picture with its explanation."""
    found = EXPLANATIONS[name]
    style.picture(Drawn(live.svg, live.alt), found.look, widest=widest, fits=True)
    with st.expander("Formula and source"):
        st.markdown(found.formula)
        st.caption(f"Source: {found.source}")
