"""How much the answer hangs on each thing that is not known exactly.

Every field with a tolerance is moved to both ends of it, one at a time, and everything the data do
not decide is settled the other way; window, authority and margins of the given settings are found
anew. What is ranked first deserves to be measured first.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from chamberctl.control.margins import margins
from chamberctl.display import number
from chamberctl.plant.field_names import field_words
from chamberctl.plant.floor import above_floor, floor_pa
from chamberctl.plant.small_signal import loop_models
from chamberctl.plant.tolerances import LEAST_FACTOR, envelope_cases, toleranced_fields, vary
from chamberctl.plant.variations import Outcome, outcomes
from chamberctl.plant.window import duty_points

if TYPE_CHECKING:
    from chamberctl.control.controller import PidSettings
    from chamberctl.control.tuning import Tuning
    from chamberctl.plant.linear import LoopModel
    from chamberctl.plant.point import OperatingPoint
    from chamberctl.study import Study


@dataclass(frozen=True)
class State:
    """What counts of the study as it is, or as changed.

    Parameters
    ----------
    lowest_authority : float
        Least speed authority at the gauge over the held duty points [-]; NaN where none is held.
    worst_ms : float
        Largest Ms over the duty points that have a loop [-]; inf where one is unstable, NaN without
        settings or loop.
    held : frozenset of int
        Numbers of the duty points that speed holds, from 1.
    """

    lowest_authority: float
    worst_ms: float
    held: frozenset[int]


@dataclass(frozen=True)
class Effect:
    """What one change does.

    Parameters
    ----------
    label : str
        "-5 %", "+5 %", or what is settled.
    lowest_change, highest_change : float
        Relative change of the window's lower and upper end (true chamber pressure), at the duty's
        gas load where it is largest [-]; inf where an end comes into being or is lost.
    state : State
        The study with the change.
    lost, gained : tuple of int
        Duty points, numbered from 1, that speed no longer holds, and that it holds only now.
    weight : float
        The largest relative change of window ends, authority and Ms [-]; inf where a duty point is
        lost or the loop becomes unstable.
    """

    label: str
    lowest_change: float
    highest_change: float
    state: State
    lost: tuple[int, ...]
    gained: tuple[int, ...]
    weight: float


@dataclass(frozen=True)
class Influence:
    """One uncertain input and what hangs on it.

    Parameters
    ----------
    path : str
        Path in the file; empty for something that the data do not decide.
    name : str
        The input in plain words.
    tolerance : float
        Relative half width [-]; NaN for something undecided.
    basis : str
        "measured", "data sheet", "assumed", "not stated" or "undecided".
    effects : tuple of Effect
        At the lower and at the upper end of the tolerance; one for something undecided.
    """

    path: str
    name: str
    tolerance: float
    basis: str
    effects: tuple[Effect, ...]

    @property
    def weight(self) -> float:
        """The larger weight of its effects; it ranks the influences."""
        return max(effect.weight for effect in self.effects)

    @property
    def window_change(self) -> float:
        """Largest change of either window end, by size [-]."""
        changes = [c for e in self.effects for c in (e.lowest_change, e.highest_change)]
        return max(changes, key=abs, default=math.nan)


@dataclass(frozen=True)
class Influences:
    """All influences on one study, the strongest first.

    Parameters
    ----------
    nominal : State
        The study as it is.
    rows : tuple of Influence
        Strongest first.
    has_margins : bool
        Whether there are settings whose margins could be looked at.
    ms_limit : float or None
        Largest Ms that the duty allows.
    """

    nominal: State
    rows: tuple[Influence, ...]
    has_margins: bool
    ms_limit: float | None


def influences(
    study: Study,
    tuning: Tuning | None = None,
    points: Sequence[OperatingPoint] | None = None,
) -> Influences:
    """Find what window, authority and margins hang on.

    Parameters
    ----------
    study : Study
        The study, with tolerances.
    tuning : Tuning, optional
        Its tuning; the settings stay as they are while the plant changes. Without it no margins.
    points : sequence of OperatingPoint, optional
        The study's duty points from `duty_points`, where they are known already.

    Returns
    -------
    Influences
        Ranked.
    """
    points = duty_points(study) if points is None else points
    changes = list(_changes(study))
    studies = [study, *(one for _, _, one in changes)]
    found = outcomes(study, points, studies)
    peaks = _worst_peaks(found, points, tuning)
    base, nominal = found[0], _state(found[0], peaks[0])
    grouped: dict[str, list[Effect]] = {}
    about: dict[str, tuple[str, float, str]] = {}
    for (key, label, _), outcome, ms in zip(changes, found[1:], peaks[1:], strict=True):
        grouped.setdefault(key, []).append(_effect(label, base, outcome, nominal, ms))
    for path, tolerance, basis in toleranced_fields(study):
        about[path] = (field_words(study, path), tolerance, basis)
    rows = []
    for key, effects in grouped.items():
        name, tolerance, basis = about.get(key, (key, math.nan, "undecided"))
        path = key if key in about else ""
        rows.append(Influence(path, name, tolerance, basis, tuple(effects)))
    rows.sort(key=lambda row: -row.weight)
    return Influences(nominal, tuple(rows), tuning is not None, study.duty.limits.ms)


def _changes(study: Study) -> Iterator[tuple[str, str, Study]]:
    """Yield what is changed (path or case), the label of the change, and the changed study."""
    for path, tolerance, _ in toleranced_fields(study):
        percent = number(100.0 * tolerance)
        for sign, factor in (("-", max(1.0 - tolerance, LEAST_FACTOR)), ("+", 1.0 + tolerance)):
            yield path, f"{sign}{percent} %", vary(study, path, factor)
    for case in envelope_cases(study):
        yield case.label, "if so", case.study


def _state(outcome: Outcome, worst_ms: float) -> State:
    authority = outcome.authority[outcome.held]
    least = float(np.min(authority)) if authority.size else math.nan
    return State(least, worst_ms, frozenset(int(i) + 1 for i in np.flatnonzero(outcome.held)))


def _effect(label: str, base: Outcome, outcome: Outcome, nominal: State, ms: float) -> Effect:
    state = _state(outcome, ms)
    before, after = (
        above_floor(one.lowest_pa, one.highest_pa, floor_pa(one.study)) for one in (base, outcome)
    )
    lowest, highest = (_largest_change(*ends) for ends in zip(before, after, strict=True))
    lost = tuple(sorted(nominal.held - state.held))
    return Effect(
        label=label,
        lowest_change=lowest,
        highest_change=highest,
        state=state,
        lost=lost,
        gained=tuple(sorted(state.held - nominal.held)),
        weight=math.inf if lost else _weight(lowest, highest, state, nominal),
    )


def _largest_change(before: np.ndarray, after: np.ndarray) -> float:
    """Relative change of largest size; inf where a steady state appears or disappears."""
    if np.any(np.isnan(before) != np.isnan(after)):
        return math.inf
    known = ~np.isnan(before)
    if not np.any(known):
        return 0.0
    change = after[known] / before[known] - 1.0
    return float(change[np.argmax(np.abs(change))])


def _weight(lowest: float, highest: float, state: State, nominal: State) -> float:
    if math.isinf(state.worst_ms) and not math.isinf(nominal.worst_ms):
        return math.inf
    sizes = [abs(lowest), abs(highest)]
    for after, before in (
        (state.lowest_authority, nominal.lowest_authority),
        (state.worst_ms, nominal.worst_ms),
    ):
        if math.isfinite(after) and math.isfinite(before) and before:
            sizes.append(abs(after / before - 1.0))
    return max(sizes)


def _worst_peaks(
    found: Sequence[Outcome], points: Sequence[OperatingPoint], tuning: Tuning | None
) -> list[float]:
    """Largest Ms of the tuned settings over the duty, for every outcome."""
    if tuning is None:
        return [math.nan] * len(found)
    looped = np.isin([point.where for point in points], [p.where for p in tuning.points])
    in_force = {point.where: point.settings for point in tuning.points}
    models: list[LoopModel] = []
    settings: list[PidSettings] = []
    owners: list[int] = []
    for index, outcome in enumerate(found):
        usable = np.flatnonzero(outcome.held & ~outcome.limited & looped)
        names = [points[int(i)].where for i in usable]
        models += loop_models(outcome, usable, names)
        settings += [in_force[name] for name in names]
        owners += [index] * usable.size
    return _peaks(models, owners, len(found), settings)


def _peaks(
    models: list[LoopModel], owners: list[int], count: int, settings: list[PidSettings]
) -> list[float]:
    peaks = np.full(count, math.nan)
    if models:
        every = margins(models, settings)
        sizes = np.where(every.stable, every.ms, math.inf)
        np.fmax.at(peaks, np.array(owners), sizes)
    return [float(value) for value in peaks]
