"""What the library computes of a study, kept by the study's text so that nothing is done twice."""

from __future__ import annotations

import streamlit as st

import chamberctl as cc
from chamberctl import figures
from chamberctl.report.verdict import Verdict, verdict

KEPT = 12
"""How many studies' results are kept; the oldest goes first."""


@st.cache_resource(max_entries=KEPT, show_spinner="Computing the window ...")
def window_of(text: str, _study: cc.Study) -> cc.OperatingWindow:
    """Return the operating window."""
    return cc.operating_window(_study)


@st.cache_resource(max_entries=KEPT, show_spinner="Tuning and checking every duty point ...")
def tuning_of(text: str, _study: cc.Study) -> cc.Tuning | cc.Infeasible | cc.InputError:
    """Return the tuning, or in its place the refusal with its reason."""
    try:
        return cc.tune(_study)
    except (cc.Infeasible, cc.InputError) as refusal:
        return refusal


@st.cache_resource(max_entries=KEPT, show_spinner=False)
def verdict_of(text: str, _study: cc.Study) -> Verdict:
    """Return the answer to whether the settings serve the whole duty."""
    tuning = tuning_of(text, _study)
    if isinstance(tuning, cc.InputError):
        return Verdict(False, f"No settings are given: {tuning.first}", ())
    return verdict(_study, tuning, window_of(text, _study))


@st.cache_resource(max_entries=KEPT, show_spinner=False)
def window_picture(text: str, _study: cc.Study) -> tuple[str, str]:
    """Return the picture of the window as SVG, and its text alternative."""
    figure = figures.operating_window(window_of(text, _study), _study)
    return figures.to_svg(figure, "window"), figure.alt


@st.cache_resource(max_entries=KEPT, show_spinner=False)
def authority_picture(text: str, _study: cc.Study) -> tuple[str, str]:
    """Return the picture of the speed authority as SVG, and its text alternative."""
    figure = figures.authority(window_of(text, _study), _study)
    return figures.to_svg(figure, "authority"), figure.alt
