"""What a field holds when it reports a change."""

from __future__ import annotations

from typing import Any

import streamlit as st


def entered(key: str) -> Any:
    """Return what a field holds, by its key, for whoever is called on its change.

    Looking a key up in the page's state is one of the places where a run is broken off for what
    was entered since. Broken off there, a change would never be taken, as the field reports it
    once. A copy of the whole state is made without a break.
    """
    return st.session_state.to_dict()[key]
