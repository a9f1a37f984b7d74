"""Settings kept side by side: as typed by a person, judged like any others."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Literal

from chamberctl.control.duty_loops import settings_frame
from chamberctl.control.forms import (
    from_typed,
    language,
    read_typed,
    rounded,
    rounding_findings,
    to_typed,
)
from chamberctl.control.found import as_recorded, found_settings
from chamberctl.control.tuning import assess
from chamberctl.errors import Infeasible, InputError

if TYPE_CHECKING:
    from chamberctl.control.answers import Plants
    from chamberctl.control.controller import PidSettings
    from chamberctl.control.duty_loops import DutyLoops
    from chamberctl.control.forms import TypedSettings
    from chamberctl.control.rule_comparison import RuleComparison
    from chamberctl.control.tuned import Tuning
    from chamberctl.study import Controller, Drive, Study


OUTDATED = "of before a change"
SINCE = "The plant or its duty was changed since."
"""What is said of settings that were found for another plant or duty: in the name, in the note."""


@dataclass(frozen=True)
class Candidate:
    """Settings that are kept side by side with others.

    Parameters
    ----------
    name : str
        Given by the user.
    texts : mapping of str to str
        The numbers as typed in the controller's language, by the law's symbols; what is missing is
        as the study's own way of finding settings gives it.
    note : str
        Where they come from.
    """

    name: str
    texts: Mapping[str, str]
    note: str = ""

    @property
    def key(self) -> tuple[tuple[str, str], ...]:
        """The numbers as something that can be looked up."""
        return tuple(sorted(self.texts.items()))

    @property
    def shown_name(self) -> str:
        """The name; with a mark where the settings were found for another plant or duty."""
        return f"{self.name}, {OUTDATED}" if self.note.endswith(SINCE) else self.name

    def outdated(self) -> Candidate:
        """Return the settings as those of a study that was changed since, if they say of which."""
        if not self.note or self.note.endswith(SINCE):
            return self
        return replace(self, note=f"{self.note} {SINCE}")


@dataclass
class Bench:
    """A study with what is computed of it once, to try many settings on.

    Parameters
    ----------
    loops : DutyLoops
        The study's loops.
    own : Tuning
        The settings that the study's own way of finding them gives.
    plants : dict
        Sampled plants, filled as they are needed.
    """

    loops: DutyLoops
    own: Tuning
    plants: Plants = field(default_factory=dict)

    @property
    def study(self) -> Study:
        """The study."""
        return self.loops.study


@dataclass(frozen=True)
class Shown:
    """Settings under the name they are shown by, with what was found out about them."""

    name: str
    tuning: Tuning


def distinct(used: str, shown: Sequence[Shown]) -> list[Shown]:
    """Return settings with names of their own: where one is taken, a number follows it.

    Parameters
    ----------
    used : str
        Name of the settings in use.
    shown : sequence of Shown
        What is shown beside them.
    """
    names, found = {used}, []
    for one in shown:
        name, number = one.name, 2
        while name in names:
            name, number = f"{one.name} ({number})", number + 1
        names.add(name)
        found.append(replace(one, name=name))
    return found


def candidate_of(name: str, tuning: Tuning, note: str = "") -> Candidate:
    """Return the settings of a tuning as a candidate.

    Parameters
    ----------
    name : str
    tuning : Tuning
    note : str
    """
    return Candidate(name, tuning.typed.texts(), note)


def judged(bench: Bench, candidate: Candidate) -> Tuning:
    """Check a candidate over the whole duty.

    Parameters
    ----------
    bench : Bench
    candidate : Candidate

    Returns
    -------
    Tuning

    Raises
    ------
    FormError, QuantityError
        If the texts mean no law.
    Infeasible
        If no duty point can be held.
    """
    settings = from_typed(read_typed(bench.own.typed, candidate.texts))
    origin = f"These settings were chosen by a person: {candidate.name}."
    if candidate.note:
        origin = f"{origin} {candidate.note}"
    return assess(bench.study, settings, origin=origin, loops=bench.loops)


def tried(bench: Bench, candidate: Candidate) -> Tuning | Infeasible | InputError:
    """Check a candidate; the refusal in place of the result where there is none."""
    try:
        return judged(bench, candidate)
    except (Infeasible, InputError) as refusal:
        return refusal


def found_beside(study: Study) -> Tuning | Infeasible | InputError | None:
    """Check the settings that were found in the controller; None where none are written down."""
    try:
        found = found_settings(study)
        if found is None:
            return None
        said = f"; {', '.join(found.assumed)}" if found.assumed else ""
        then = as_recorded(study)
        return assess(then, found.settings, origin=f"As found in the controller{said}.")
    except (Infeasible, InputError) as refusal:
        return refusal


def with_text(own: Tuning, candidate: Candidate, key: str, text: str) -> Candidate:
    """Return a candidate with one number typed anew.

    Parameters
    ----------
    own : Tuning
        The study's own settings.
    candidate : Candidate
    key : str
        The law's symbol.
    text : str
        As typed, with one decimal comma or point; empty takes the study's own number.

    Raises
    ------
    FormError, QuantityError
        If the text is no number, or the settings mean no law with it.
    """
    texts = dict(candidate.texts)
    if text.strip():
        texts[key] = text.strip()
    else:
        texts.pop(key, None)
    from_typed(read_typed(own.typed, texts))
    return replace(candidate, texts=texts)


def carried(before: Study, after: Study, candidates: Sequence[Candidate]) -> tuple[Candidate, ...]:
    """Return candidates for a study whose controller may speak another language: same meaning.

    Parameters
    ----------
    before, after : Study
        The study before and after a change.
    candidates : sequence of Candidate
        As typed before it. One that the new language cannot express stays as it is typed.

    Returns
    -------
    tuple of Candidate
        Where the reading changes, the gain is converted at the duty's highest setpoint. Where plant
        or duty changes, their notes say so.
    """
    if (before.system, before.duty) != (after.system, after.duty):
        candidates = [candidate.outdated() for candidate in candidates]
    old, new = (language(one.controller, one.system.drive) for one in (before, after))
    if old == new:
        return tuple(candidates)
    found = []
    for candidate in candidates:
        try:
            found.append(replace(candidate, texts=_carried(before, after, candidate)))
        except InputError:
            found.append(candidate)
    return tuple(found)


def _carried(before: Study, after: Study, candidate: Candidate) -> dict[str, str]:
    # any gains: all of them are in the candidate's texts
    frame = replace(settings_frame(before), kc=1.0, ti_s=60.0)
    blank = to_typed(frame, before.controller, before.system.drive)
    settings = from_typed(read_typed(blank, candidate.texts))
    control = after.controller
    settings = on_reading(settings, control.reading, pivot_pa(before))
    return as_typed(settings, control, after.system.drive).texts()


def pivot_pa(study: Study) -> float:
    """Return the indicated pressure at which a gain is converted to another reading [Pa].

    It is the highest setpoint of the duty, whatever the settings: so the way back gives the old
    numbers, and on a linear reading the loop is nowhere faster than it was.
    """
    return max(hold.setpoint_pa for hold in study.duty.holds)


def on_reading(
    settings: PidSettings, reading: Literal["log10", "linear"], pressure_pa: float
) -> PidSettings:
    """Return settings for another reading, with the same loop gain at one pressure.

    Parameters
    ----------
    settings : PidSettings
    reading : {"log10", "linear"}
        The reading they are to be for; nothing changes where they are for it.
    pressure_pa : float
        Indicated pressure at which the loop's gain stays [Pa]: a decade is ln(10) times it.
    """
    if settings.reading == reading:
        return settings
    decade_pa = math.log(10.0) * pressure_pa
    factor = 1.0 / decade_pa if reading == "linear" else decade_pa
    return replace(
        settings, reading=reading, kc=settings.kc * factor,
        setpoint_ramp_per_s=settings.setpoint_ramp_per_s / factor,
    )  # fmt: skip


def as_typed(settings: PidSettings, controller: Controller, drive: Drive) -> TypedSettings:
    """Return settings as they are typed in, with all digits where rounding would lose a term."""
    exact = to_typed(settings, controller, drive)
    typed = rounded(exact)
    lost = any(finding.severity == "no" for finding in rounding_findings(exact, typed))
    return exact if lost else typed


def rule_candidates(found: RuleComparison) -> tuple[Candidate, ...]:
    """Return the published rules' settings as candidates; those that cannot be typed in are out."""
    control, drive = found.study.controller, found.study.system.drive
    listed = []
    for row in found.rows:
        if row.origin != "published" or row.settings is None:
            continue
        try:
            texts = as_typed(row.settings, control, drive).texts()
        except InputError:
            continue
        listed.append(Candidate(f"{row.name}, {row.kind}", texts, f"{row.source}."))
    return tuple(listed)
