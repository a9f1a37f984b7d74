"""From a logarithmic reading to a linear one and back in one move, every gain converted."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

from chamberctl.control.conversions import FormError
from chamberctl.control.forms import from_typed, read_typed
from chamberctl.control.found import READING
from chamberctl.display import Display
from chamberctl.errors import InputError
from chamberctl.quantities import format_quantity
from chamberctl.workbench.candidates import Candidate, Shown, as_typed, on_reading, pivot_pa

if TYPE_CHECKING:
    from chamberctl.control.controller import PidSettings
    from chamberctl.control.forms import TypedSettings
    from chamberctl.control.tuned import Tuning

READS: Mapping[str, str] = {
    "log10": "the logarithm of the reading, in decades",
    "linear": "the reading itself",
}


@dataclass(frozen=True)
class ReadingSwitch:
    """A controller on the other reading, every gain converted.

    Parameters
    ----------
    changes : mapping of str to object
        Fields of the study, by path.
    in_use : Candidate
        The settings in use, converted.
    kept : tuple of Candidate
        The candidates, converted.
    said : str
        What was done, in words.
    """

    changes: Mapping[str, object]
    in_use: Candidate
    kept: tuple[Candidate, ...]
    said: str


def other_reading(
    own: Tuning, in_use: Shown, kept: Sequence[Candidate]
) -> ReadingSwitch:  # fmt: skip
    """Return what it takes to put the controller on the other reading.

    The gain is converted so that the loop's gain at the duty's highest setpoint stays; see
    `candidates.pivot_pa`. Elsewhere the loop's gain changes, and that is the point of it.

    Parameters
    ----------
    own : Tuning
        The study's own settings.
    in_use : Shown
        The settings in use.
    kept : sequence of Candidate
        Settings kept beside them; one that means no law is dropped.

    Raises
    ------
    FormError
        If the span has no low end from which a logarithm could be taken.
    """
    study = own.study
    control, drive = study.controller, study.system.drive
    to: Literal["log10", "linear"] = "linear" if control.reading == "log10" else "log10"
    changes: dict[str, object] = {"controller.reading": to}
    for record in ("as_found", "as_left"):
        texts = getattr(control, record)
        if texts and READING not in texts:
            changes[f"controller.{record}.{READING}"] = control.reading
    update: dict[str, object] = {"reading": to}
    if to == "log10" and control.reading_low_pa <= 0.0:
        low = study.loop_gauge().range_low_pa
        if not low > 0.0:
            raise FormError(
                "a log10 reading needs a span whose low end is above 0, and the gauge's range says "
                "none; give the lowest pressure of the signal",
                field="controller.reading_low",
            )
        changes["controller.reading_low"] = format_quantity(low, control.reading_unit, 6)
        update["reading_low_pa"] = low
    after = control.model_copy(update=update)
    pivot = pivot_pa(study)

    def converted(settings: PidSettings) -> TypedSettings:
        return as_typed(on_reading(settings, to, pivot), after, drive)

    others = []
    for candidate in kept:
        try:
            settings = from_typed(read_typed(own.typed, candidate.texts))
        except InputError:
            continue
        others.append(replace(candidate, texts=converted(settings).texts()))
    typed = converted(in_use.tuning.settings)
    note = f"Converted from a {control.reading} reading."
    before, now = in_use.tuning.typed["Kc"], typed["Kc"]
    where = Display.of(study).pressure_text(pivot)
    said = (
        f"The controller now works on {READS[to]}. So that the loop's gain at the highest setpoint "
        f"({where} indicated) stays as it was, {before.label} {before.text} {before.shown_unit} "
        f"became {now.text} {now.shown_unit}; times stay."
    )
    return ReadingSwitch(changes, Candidate(in_use.name, typed.texts(), note), tuple(others), said)
