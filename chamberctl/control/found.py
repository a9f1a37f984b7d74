"""Settings as they were found in a controller: texts of the study, read in its own language."""

from __future__ import annotations

import difflib
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

from chamberctl import quantities
from chamberctl.control.conversions import FormError
from chamberctl.control.duty_loops import settings_frame
from chamberctl.control.forms import from_typed, read_typed, to_typed
from chamberctl.errors import QuantityError

if TYPE_CHECKING:
    from chamberctl.control.controller import PidSettings
    from chamberctl.control.forms import TypedSettings
    from chamberctl.control.language import Language
    from chamberctl.study import Study

Record = Literal["as_found", "as_left", "settings"]

#: Names under which people write settings down -> the law's symbol.
NAMES: Mapping[str, str] = {
    "kc": "Kc", "kp": "Kc", "k": "Kc", "p": "Kc", "gain": "Kc", "proportional gain": "Kc",
    "proportional band": "Kc", "band": "Kc", "pb": "Kc",
    "ti": "Ti", "i": "Ti", "integral": "Ti", "integral time": "Ti", "reset time": "Ti",
    "integral action": "Ti", "repeats": "Ti", "integral gain": "Ti", "ki": "Ti",
    "td": "Td", "d": "Td", "derivative": "Td", "derivative time": "Td", "derivative gain": "Td",
    "kd": "Td",
    "tfd": "Tfd", "derivative filter": "Tfd",
    "tf": "Tf", "filter": "Tf", "filter of the reading": "Tf",
    "b": "b", "setpoint weight": "b", "c": "c",
    "tt": "Tt", "tracking time": "Tt",
    "ramp": "ramp", "setpoint ramp": "ramp",
    "output min": "output_min", "output low": "output_min",
    "output max": "output_max", "output high": "output_max",
}  # fmt: skip

#: Names that belong to one notation -> entry of the study's controller, and what it must say.
_BELONGS: Mapping[str, tuple[str, tuple[str, ...]]] = {
    **dict.fromkeys(("gain", "proportional gain"), ("gain_as", ("gain", "engineering"))),
    **dict.fromkeys(("proportional band", "band", "pb"), ("gain_as", ("proportional band",))),
    **dict.fromkeys(("ki", "integral gain", "kd", "derivative gain"), ("form", ("parallel",))),
    **dict.fromkeys(("derivative time",), ("form", ("ideal", "series"))),
    **dict.fromkeys(("integral time", "reset time"), ("integral_as", ("s", "min"))),
    "repeats": ("integral_as", ("repeats per minute", "repeats per second")),
}

READING = "reading"
"""Entry that says which reading the controller had when its settings were recorded."""

_ASSUMED: Mapping[str, tuple[str, str]] = {
    "Td": ("0", "no derivative"),
    "b": ("1", "setpoint weight 1"),
    "c": ("0", "no derivative of the setpoint"),
    "Tt": ("same as Ti", "tracking time equal to the integral time"),
}


@dataclass(frozen=True)
class FoundSettings:
    """Settings that were written down.

    Parameters
    ----------
    place : str
        Where, such as "controller.as_found".
    typed : TypedSettings
        As typed, in the controller's language.
    settings : PidSettings
        What they mean [SI].
    assumed : tuple of str
        What was not written down, and what is taken for it.
    others : tuple of str
        Entries that are no settings of the law.
    """

    place: str
    typed: TypedSettings
    settings: PidSettings
    assumed: tuple[str, ...]
    others: tuple[str, ...]


def found_settings(study: Study, record: Record = "as_found") -> FoundSettings | None:
    """Return the settings that a study records, None where it records none.

    Parameters
    ----------
    study : Study
        Its table controller.as_found holds texts by name: "gain", "integral" and so on, or the
        law's symbols (Kc, Ti, Td, Tfd, Tf, b, c, Tt, ramp, output_min, output_max); each a number
        in the controller's own unit, with or without it. An entry "reading" says that the
        controller had another reading then.
    record : {"as_found", "as_left", "settings"}
        Which table.

    Returns
    -------
    FoundSettings or None

    Raises
    ------
    FormError
        If gain or integral action is missing, a name belongs to another notation or stands twice,
        or the numbers mean no law.
    QuantityError
        If a text is not one number.
    """
    texts: Mapping[str, str] | None = getattr(study.controller, record)
    return settings_from(study, texts, f"controller.{record}") if texts else None


def settings_from(study: Study, texts: Mapping[str, str], place: str) -> FoundSettings:
    """Return what texts mean as settings of a study's controller.

    Parameters
    ----------
    study : Study
        For the language of its controller.
    texts : mapping of str to str
        As the tables of `found_settings`.
    place : str
        Where they stand, for errors.

    Raises
    ------
    FormError, QuantityError
        As `found_settings`.
    """
    then = _on_reading_of(study, texts, place)
    # any gains: they are replaced by what was written down
    frame = replace(settings_frame(then), kc=1.0, ti_s=60.0)
    blank = to_typed(frame, then.controller, then.system.drive)
    named: dict[str, tuple[str, str]] = {}
    others = []
    for name, text in texts.items():
        plain, key = _plain(name), key_of(name)
        if plain == READING:
            continue
        if key is None:
            others.append(f"{name} = {text}")
            continue
        _check_notation(plain, blank.language, f"{place}.{name}", text, study.file)
        if key in named:
            raise FormError(
                f"the same setting stands twice, as {named[key][0]} and as {name}; keep one",
                given=text, field=f"{place}.{name}", file=study.file,
            )  # fmt: skip
        named[key] = (name, text)
    _check_complete(named, others, place, study.file)
    numbers, assumed = {}, []
    for row in blank.rows:
        if row.key in named:
            name, text = named[row.key]
            numbers[row.key] = _without_unit(text, row.shown_unit, f"{place}.{name}", study.file)
        elif row.key in _ASSUMED:
            numbers[row.key], said = _ASSUMED[row.key]
            assumed.append(said)
        elif row.key in ("Tf", "Tfd"):
            assumed.append(f"no {row.label.lower()}")
    try:
        typed = read_typed(blank, numbers)
        settings = from_typed(typed)
    except (FormError, QuantityError) as error:
        first = error.first
        where = f"{place}.{named[first.field][0]}" if first.field in named else first.field or place
        raise type(error)(first.remedy, given=first.given, field=where, file=study.file) from error
    return FoundSettings(place, typed, settings, tuple(assumed), tuple(others))


def key_of(name: str) -> str | None:
    """Return the law's symbol of a name under which people write a setting down, None for none."""
    return NAMES.get(_plain(name))


def _plain(name: str) -> str:
    return " ".join(name.replace("_", " ").replace("-", " ").lower().split())


def as_recorded(study: Study, record: Record = "as_found") -> Study:
    """Return the study with its controller on the reading that it had when settings were recorded.

    Parameters
    ----------
    study : Study
    record : {"as_found", "as_left", "settings"}
        Which table.

    Raises
    ------
    FormError
        If the table's entry "reading" is none.
    """
    texts: Mapping[str, str] = getattr(study.controller, record) or {}
    return _on_reading_of(study, texts, f"controller.{record}")


def _on_reading_of(study: Study, texts: Mapping[str, str], place: str) -> Study:
    reading = texts.get(READING, study.controller.reading)
    if reading == study.controller.reading:
        return study
    if reading not in ("log10", "linear"):
        raise FormError(
            "a reading is log10 or linear", given=reading, field=f"{place}.{READING}",
            file=study.file,
        )  # fmt: skip
    control = study.controller.model_copy(update={"reading": reading})
    return study.model_copy(update={"controller": control})


def _check_notation(name: str, words: Language, field: str, text: str, file: str) -> None:
    entry, allowed = _BELONGS.get(name, ("", ()))
    if entry and getattr(words, entry) not in allowed:
        wanted = " or ".join(f"'{word}'" for word in allowed)
        raise FormError(
            f"a name of another notation: controller.{entry} is '{getattr(words, entry)}'; for "
            f"this name it must be {wanted}",
            given=text, field=field, file=file,
        )  # fmt: skip


def _check_complete(
    named: Mapping[str, tuple[str, str]], others: list[str], place: str, file: str
) -> None:
    for key, word in (("Kc", "gain"), ("Ti", "integral")):
        if key in named:
            continue
        near = [name.partition(" = ")[0] for name in others]
        hint = difflib.get_close_matches(word, near, 1, 0.6)
        said = f"; is '{hint[0]}' it? write {word}" if hint else ""
        raise FormError(
            f"'{word}' is missing: without it these settings are no law{said}",
            field=place, file=file,
        )  # fmt: skip


def _without_unit(text: str, unit: str, field: str, file: str) -> str:
    """Return the number of a text that may carry its unit."""
    plain = text.strip()
    if not plain[:1].isdigit() and plain[:1] not in "+-.,":
        return plain  # "off", "same as Ti"
    try:
        number, rest = quantities.split_number(plain)
    except QuantityError as error:
        raise QuantityError(
            error.first.remedy, given=error.first.given, field=field, file=file
        ) from error
    if not rest:
        return plain
    if rest.replace(" ", "") != unit.replace(" ", ""):
        raise FormError(
            f"this controller takes this setting in {unit or 'plain numbers'}; convert it, or "
            "change the controller's table",
            given=text, field=field, file=file,
        )  # fmt: skip
    return f"{number:.17g}"
