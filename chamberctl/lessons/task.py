"""What a task of the tour is made of, and what all of them say."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from chamberctl.display import number
from chamberctl.lessons.exercise import L_S, MBAR, Exercise
from chamberctl.lessons.feedback import Asked
from chamberctl.workbench.curves import Line

Array = NDArray[np.float64]

FALLS = "more speed LOWERS the pressure, so the change is negative."
NEVER_NEGATIVE = "a time is never negative."


@dataclass(frozen=True)
class Reveal:
    """What is shown after a prediction.

    Parameters
    ----------
    text : tuple of str
        What happens, in sentences.
    formula, source : str
        In markdown with formulas, and where it comes from.
    lines : tuple of Line
        Curves of the picture.
    x_label, y_label, title : str
        Of the picture.
    look : str
        What to look at in it, to follow "Look at".
    """

    text: tuple[str, ...]
    formula: str
    source: str
    lines: tuple[Line, ...]
    x_label: str
    y_label: str
    title: str
    look: str
    log_y: bool = False


@dataclass(frozen=True)
class Task:
    """One task of the tour.

    Parameters
    ----------
    name, title : str
        Its name, and what it is about.
    story : callable
        From an exercise to what the student is told.
    asked : callable
        From an exercise to the number that is asked for.
    reveal : callable
        From an exercise to what is shown after the prediction.
    data : callable
        From an exercise to columns of data to download.
    """

    name: str
    title: str
    story: Callable[[Exercise], str]
    asked: Callable[[Exercise], Asked]
    reveal: Callable[[Exercise], Reveal]
    data: Callable[[Exercise], Mapping[str, Array]]


def where(one: Exercise) -> str:
    """Say which plant it is and where it stands."""
    point = one.point
    return (
        f"Plant R: {number(one.volume_m3 * 1e3)} L, an ideal pump of "
        f"{number(one.pumping_speed_m3_s / L_S)} L/s at 100 % speed, no line. It holds "
        f"{number(point.indicated_pa / MBAR)} mbar at {number(100 * point.speed)} % speed against "
        f"{number(point.gas_load_pa_m3_s / (MBAR * L_S))} mbar L/s."
    )


BALANCE = "V\\,\\frac{dp}{dt} = Q - S\\,n\\,p"
BY_HAND = "Derived from the balance of an ideal pump without line; every number can be checked."
