"""What a controller was left with, against what is to be typed in."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from chamberctl.control.found import READING, key_of, settings_from
from chamberctl.control.tuning import assess
from chamberctl.display import number
from chamberctl.errors import Infeasible, InputError

if TYPE_CHECKING:
    from chamberctl.control.tuned import Tuning
    from chamberctl.study import Study

PLACE = "controller.as_left"


@dataclass(frozen=True)
class LeftOtherwise:
    """A controller that was left with other settings.

    Parameters
    ----------
    holds : bool
        Whether the loop keeps the duty's margins with those.
    text : str
        In what they differ, and what they do.
    """

    holds: bool
    text: str


def left_otherwise(study: Study, tuning: Tuning) -> LeftOtherwise | None:
    """Compare the settings that a study records as left with a tuning.

    Parameters
    ----------
    study : Study
        Its record may name some settings only; for the others those of the tuning count.
    tuning : Tuning
        What was to be typed in.

    Returns
    -------
    LeftOtherwise or None
        None where nothing is recorded, or all that is recorded is as it was to be.
    """
    texts = study.controller.as_left
    if not texts:
        return None
    named = {key_of(name) for name in texts}
    rest = {key: text for key, text in tuning.typed.texts().items() if key not in named}
    if texts.get(READING, study.controller.reading) != study.controller.reading:
        rest = {}
    try:
        found = settings_from(study, {**texts, **rest}, PLACE)
        differs = [
            f"{row.label} {row.text} in place of {tuning.typed[row.key].text}"
            for row in found.typed.rows
            if row.key in named and not _same(row.value, tuning.typed[row.key].value)
        ]
        if found.settings.reading != tuning.settings.reading:
            differs.append(f"a {found.settings.reading} reading")
        if not differs:
            return None
        then = assess(study, found.settings)
    except (Infeasible, InputError) as error:
        return LeftOtherwise(
            False, f"What the controller was left with is no law that could be checked: {error}"
        )
    said = f"The controller was left with other settings than these: {'; '.join(differs)}. "
    if then.holds:
        return LeftOtherwise(True, f"{said}They keep the margins asked for, too.")
    peak, index = then.worst["ms"]
    point = then.points[index]
    does = (
        f"is {point.margins.reason or 'unstable'}"
        if not point.margins.stable
        else f"has Ms {number(peak)}"
    )
    return LeftOtherwise(
        False,
        f"{said}With those the loop {does} at {point.point.where}: type in the ones below, and "
        "read them back.",
    )


def _same(one: float, other: float) -> bool:
    return one == other or (math.isnan(one) and math.isnan(other))
