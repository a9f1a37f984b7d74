"""What the library computes of a study, kept by the study's text so that nothing is done twice."""

from __future__ import annotations

from typing import NamedTuple

import streamlit as st

import chamberctl as cc
from chamberctl import figures
from chamberctl.control.influence import Influences, influences
from chamberctl.control.tuning import rule_tuning
from chamberctl.plant.comparison import Comparison
from chamberctl.plant.handle import HandleVerdict
from chamberctl.report.verdict import Verdict, verdict


class Drawn(NamedTuple):
    """A picture as SVG, and its text alternative."""

    svg: str
    alt: str


KEPT = 12
"""How many studies' results are kept; the oldest goes first."""


@st.cache_resource(max_entries=KEPT, show_spinner="Computing the window ...")
def window_of(text: str, _study: cc.Study) -> cc.OperatingWindow:
    """Return the operating window."""
    return cc.operating_window(_study)


FIRST_GUESS = "first guess by rule"
"""What the settings of `tuning_of` are called on the page."""


@st.cache_resource(max_entries=KEPT, show_spinner=False)
def tuning_of(text: str, _study: cc.Study) -> cc.Tuning | cc.Infeasible | cc.InputError:
    """Return the settings a page begins with, or in their place the refusal with its reason.

    They are the published rule's at the hardest point: found at once, so that margins and verdict
    follow every change of the study. The study's own way may take many seconds; see
    `desk.proposing`.
    """
    try:
        return rule_tuning(_study)
    except (cc.Infeasible, cc.InputError) as refusal:
        return refusal


@st.cache_resource(max_entries=KEPT, show_spinner=False)
def verdict_of(text: str, _study: cc.Study) -> Verdict:
    """Return the answer to whether the settings serve the whole duty."""
    tuning = tuning_of(text, _study)
    if isinstance(tuning, cc.InputError):
        return Verdict(False, f"No settings are given: {tuning.first}", ())
    return verdict(_study, tuning, window_of(text, _study))


@st.cache_resource(max_entries=KEPT, show_spinner="Trying other handles ...")
def handle_of(text: str, _study: cc.Study) -> HandleVerdict:
    """Return whether speed is the right handle, with the alternatives."""
    return cc.handle_verdict(_study, window_of(text, _study).duty_points)


def influence_of(text: str, study: cc.Study, tuning: cc.Tuning | None) -> Influences:
    """Return what window, authority and margins hang on, ranked."""
    typed = () if tuning is None else tuple(tuning.typed.texts().items())
    return _influence_of(text, typed, study, tuning)


@st.cache_resource(max_entries=KEPT, show_spinner="Moving each input ...")
def _influence_of(
    text: str, typed: tuple[tuple[str, str], ...], _study: cc.Study, _tuning: cc.Tuning | None
) -> Influences:
    return influences(_study, _tuning, window_of(text, _study).duty_points)


@st.cache_resource(max_entries=KEPT, show_spinner="Comparing ...")
def comparison_of(text: str, other: str, _study: cc.Study, _other: cc.Study) -> Comparison:
    """Return two studies compared over the duty of the first."""
    return cc.compare(_study, _other)


@st.cache_resource(max_entries=KEPT, show_spinner=False)
def window_picture(text: str, _study: cc.Study) -> Drawn:
    """Return the picture of the window."""
    return _drawn(figures.operating_window(window_of(text, _study), _study), "window")


@st.cache_resource(max_entries=KEPT, show_spinner=False)
def authority_picture(text: str, _study: cc.Study) -> Drawn:
    """Return the picture of the speed authority."""
    return _drawn(figures.authority(window_of(text, _study), _study), "authority")


@st.cache_resource(max_entries=KEPT, show_spinner=False)
def sketch_picture(text: str, index: int, _study: cc.Study) -> Drawn:
    """Return the sketch of the system at one of its duty points."""
    point = window_of(text, _study).duty_points[index]
    return _drawn(figures.sketch(_study, point), "sketch")


@st.cache_resource(max_entries=KEPT, show_spinner=False)
def pump_picture(text: str, _study: cc.Study) -> Drawn:
    """Return the curves of the backing pump."""
    return _drawn(figures.pump_curves(_study), "pump")


@st.cache_resource(max_entries=KEPT, show_spinner=False)
def line_picture(text: str, _study: cc.Study) -> Drawn:
    """Return the conductances of the line."""
    return _drawn(figures.line_conductances(_study), "line")


def _drawn(figure: figures.Picture, name: str) -> Drawn:
    """Return a picture as text; the figure itself is not kept."""
    return Drawn(figures.to_svg(figure, name), figure.alt)
