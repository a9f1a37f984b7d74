"""Settings kept side by side: as typed by a person, judged like any others."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from chamberctl.control.forms import from_typed, read_typed, rounded, rounding_findings, to_typed
from chamberctl.control.tuning import assess
from chamberctl.errors import Infeasible, InputError

if TYPE_CHECKING:
    from chamberctl.control.answers import Plants
    from chamberctl.control.controller import PidSettings
    from chamberctl.control.duty_loops import DutyLoops
    from chamberctl.control.forms import TypedSettings
    from chamberctl.control.tuned import Tuning
    from chamberctl.study import Controller, Drive, Study


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


def as_typed(settings: PidSettings, controller: Controller, drive: Drive) -> TypedSettings:
    """Return settings as they are typed in, with all digits where rounding would lose a term."""
    exact = to_typed(settings, controller, drive)
    typed = rounded(exact)
    lost = any(finding.severity == "no" for finding in rounding_findings(exact, typed))
    return exact if lost else typed
