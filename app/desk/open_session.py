"""Which session a page shows: the one it had before a reload or crash, else a new one."""

from __future__ import annotations

import sys

import streamlit as st

import chamberctl as cc
from chamberctl.study import recovery
from desk.session import Session

FIRST = "preset:crystal-furnace"
"""What a page shows that was started without a study."""

_KEY, _SESSION = "s", "session"


def current() -> Session:
    """Return this page's session; its key stands in the address, so that a reload finds it."""
    if _SESSION not in st.session_state:
        st.session_state[_SESSION] = _restored() or Session.begun(_asked_for())
    session: Session = st.session_state[_SESSION]
    if st.query_params.get(_KEY) != session.key:
        st.query_params[_KEY] = session.key
    return session


def _restored() -> Session | None:
    key = st.query_params.get(_KEY, "")
    try:
        copy = recovery.recall(key)
    except cc.StudyError as error:
        st.warning(f"**! The recovery copy of this page is not used:** {error.first}")
        return None
    return None if copy is None else Session.restored(copy)


def _asked_for() -> str:
    """Return the study that the program was started with."""
    return sys.argv[1] if len(sys.argv) > 1 else FIRST
