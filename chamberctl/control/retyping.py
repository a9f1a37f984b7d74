"""The same settings for a controller that takes them otherwise: form, units, spans, registers.

What they mean stays as it is to the last digit; what is typed in changes, and with it what rounding
does. So margins are computed anew for the numbers as they will be typed in.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

from chamberctl.control.forms import from_typed, rounded, rounding_findings, to_typed
from chamberctl.control.found import FoundSettings, found_settings
from chamberctl.control.notations import all_notations, respan
from chamberctl.control.tuning import assess
from chamberctl.errors import Infeasible, InputError
from chamberctl.findings import Finding

if TYPE_CHECKING:
    from chamberctl.control.controller import PidSettings
    from chamberctl.control.forms import TypedSettings
    from chamberctl.control.notations import Notations
    from chamberctl.control.tuned import Tuning
    from chamberctl.study import Study

Recorded = Literal["as_found", "as_left"]

_SPANS = ("reading_low_pa", "reading_high_pa", "output_low", "output_high")
_SAID = ("decimals", "registers", "rounding", "stability", "margins", "order of the integral")


@dataclass(frozen=True)
class Retyped:
    """Settings as another controller, or the same one with other spans, takes them.

    Parameters
    ----------
    origin : str
        Where the settings come from.
    study : Study
        With the controller as it is to be.
    before : TypedSettings
        In the language of the study as it was.
    exact, typed : TypedSettings
        In the other language: with all digits, and as they will be typed in.
    settings : PidSettings
        What the typed numbers mean.
    notations : Notations
        The typed numbers in every notation.
    tuning : Tuning or None
        The typed settings over the whole duty; None where no duty point can be held.
    findings : tuple of Finding
        Spans that have to be changed together with the gain, what rounding takes away and does to
        the margins, registers, limits that are missed.
    """

    origin: str
    study: Study
    before: TypedSettings
    exact: TypedSettings
    typed: TypedSettings
    settings: PidSettings
    notations: Notations
    tuning: Tuning | None
    findings: tuple[Finding, ...]

    @property
    def good(self) -> bool:
        """Whether nothing that was found says no."""
        return not any(finding.severity == "no" for finding in self.findings)


def retype(
    study: Study, source: Tuning | Recorded | FoundSettings, changes: Mapping[str, Any]
) -> Retyped:
    """Return a study's settings for a changed controller.

    Parameters
    ----------
    study : Study
        System, duty and controller as they are.
    source : Tuning, {"as_found", "as_left"} or FoundSettings
        Which settings: those of a tuning, with all digits, those that the study records, or given
        ones.
    changes : mapping of str to text
        Fields of the study's controller typed anew, such as {"form": "series", "reading_high":
        "1000 mbar"}.

    Returns
    -------
    Retyped
        With margins of the numbers as typed in, where the duty can be held.

    Raises
    ------
    InputError
        If the study records no such settings.
    FormError
        If the changed controller cannot express them.
    StudyError
        If a change makes no valid study.
    """
    settings, before, origin, notes = _settings(study, source)
    after = study.with_text({f"controller.{key}": text for key, text in changes.items()})
    controller, drive = after.controller, after.system.drive
    exact = to_typed(settings, controller, drive)
    findings = [*notes, *_span_notes(study, after, settings)]
    try:
        tuning = assess(after, settings, origin=origin)
    except Infeasible as refusal:
        typed = rounded(exact)
        findings += rounding_findings(exact, typed)
        findings.append(Finding("caution", "margins", f"There are no margins: {refusal}"))
        meant = from_typed(typed)
        return Retyped(
            origin, after, before, exact, typed, meant, all_notations(meant, controller, drive),
            None, tuple(findings),
        )  # fmt: skip
    findings += [f for f in tuning.findings if f.subject in _SAID]
    return Retyped(
        origin, after, before, exact, tuning.typed, tuning.settings, tuning.notations, tuning,
        tuple(findings),
    )  # fmt: skip


def _settings(
    study: Study, source: Tuning | Recorded | FoundSettings
) -> tuple[PidSettings, TypedSettings, str, Sequence[Finding]]:
    if isinstance(source, FoundSettings):
        return source.settings, source.typed, "The settings are those given.", _notes(source)
    if not isinstance(source, str):
        exact = to_typed(source.unrounded, study.controller, study.system.drive)
        return source.unrounded, exact, "The settings are those that tuning finds.", ()
    found = found_settings(study, source)
    words = source.replace("_", " ")
    if found is None:
        raise InputError(
            f"no settings are recorded {words}; write them there, or take those of tuning",
            field=f"controller.{source}", file=study.file,
        )  # fmt: skip
    origin = f"The settings are those recorded {words}."
    return found.settings, found.typed, origin, _notes(found)


def _notes(found: FoundSettings) -> list[Finding]:
    said = (
        ("Not written down, so assumed", found.assumed),
        ("Not settings of the law, and left out", found.others),
    )
    return [
        Finding("note", "settings", f"{words}: {', '.join(names)}.")
        for words, names in said
        if names
    ]


def _span_notes(before: Study, after: Study, settings: PidSettings) -> list[Finding]:
    """What has to go with spans that change; empty where they stay."""
    old, new = before.controller, after.controller
    if all(getattr(old, name) == getattr(new, name) for name in _SPANS):
        return []
    return [respan(settings, old, new, after.system.drive)[1]]
