"""The settings in words and tables: what to type in, in every notation, and the way back."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import TYPE_CHECKING

from chamberctl.display import Display, number
from chamberctl.report import words
from chamberctl.report.tables import Column, Row, Table, numbers

if TYPE_CHECKING:
    from chamberctl.control.notations import Notations
    from chamberctl.control.tuning import Tuning
    from chamberctl.study import Study

Pairs = list[tuple[str, str]]


def typed(study: Study, tuning: Tuning) -> Table:
    """Return the settings as they are typed in, beside what was computed before rounding."""
    from chamberctl.control.forms import to_typed

    exact = to_typed(tuning.unrounded, study.controller, study.system.drive)
    columns = (
        Column("Setting"),
        numbers("Type in"),
        Column("Unit"),
        numbers("Before rounding"),
        Column("Meaning"),
    )
    rows = []
    for row, before in zip(tuning.typed.rows, exact.rows, strict=True):
        moved = math.isfinite(before.value) and before.value != row.value
        shown = number(before.value, 6) if moved else ""
        strong = "strong" if row.key in ("Kc", "Ti") else ""
        rows.append(Row([row.label, row.text, row.shown_unit, shown, row.meaning], strong))
    caption = "Settings in this controller's form" + _entry_words(tuning)
    if not tuning.typed.is_rounded:
        caption += ", unrounded: this controller's decimals cannot hold them"
    return Table(caption, columns, rows)


def _entry_words(tuning: Tuning) -> str:
    """Return which entry of a schedule stands for it; nothing without a schedule."""
    found = tuning.schedule
    if found is None:
        return ""
    entry = found.points[tuning.design_index].entry + 1
    return f", entry {entry} of the gain schedule's {len(found.entries)}"


def glance(tuning: Tuning) -> list[tuple[str, str, str]]:
    """Return what to read first, as (name, text, unit): settings, form and span, never bare."""
    language = tuning.typed.language
    keys = ("Kc", "Ti", "Td", "Tf")
    rows = [r for r in tuning.typed.rows if r.key in keys and (r.value or r.key == "Kc")]
    units = {"%/%": "% of output span per % of reading span"}
    return [
        *((row.label, row.text, units.get(row.shown_unit, row.shown_unit)) for row in rows),
        *([("These", _entry_words(tuning)[2:], "")] if tuning.schedule else []),
        ("Form", language.form, ""),
        ("Reading", language.reading, language.reading_span_text.partition(" (")[0]),
        ("Output", language.output_span_text, ""),
    ]


def spans(study: Study, tuning: Tuning) -> Pairs:
    """Return what hides inside the gain: form, spans, scan time, weights."""
    language = tuning.typed.language
    settings = tuning.settings
    control = study.controller
    scale = (
        "log10 of the indicated pressure" if control.reading == "log10" else "indicated pressure"
    )
    order = {
        "after": "after the output is computed",
        "before": "before the output is computed",
        "unknown": "not stated; the worse of the two orders is reported",
    }[control.integral]
    return [
        ("Form", f"{control.form}; the loop reads {scale}"),
        ("Span of the reading", language.reading_span_text),
        ("Span of the output", f"{language.output_span_text}; limits in use "
         f"{Display.of(study).speed_text(settings.output_min)} to "
         f"{Display.of(study).speed_text(settings.output_max)}"),
        ("Scan time", f"{number(settings.scan_time_s)} s; from reading to output "
         f"{number(settings.delay_s)} s"),
        ("Integral is updated", order),
        ("Anti-windup", f"back calculation, tracking time {number(settings.tracking_time_s)} s: "
         "the integral follows the output while that is at a limit"),
    ]  # fmt: skip


def notations(tuning: Tuning) -> tuple[Table, str]:
    """Return the settings in every common notation, and the notes that belong to them."""
    return notations_table(tuning.notations)


def notations_table(found: Notations) -> tuple[Table, str]:
    """Return one set of settings in every common notation, and the notes that belong to it."""
    gathered: dict[tuple[str, str], list[str]] = {}
    for item in found.rows:
        shown = number(item.value) if "e+" in item.text else item.text
        gathered.setdefault((item.group, item.label), []).append(f"{shown} {item.unit}".strip())
    rows: list[Row] = []
    last = ""
    for (group, label), values in gathered.items():
        head, kind = (f"{group[:1].upper()}{group[1:]}", "starts") if group != last else ("", "")
        shown = values[0].split()[0] if len({v.split()[0] for v in values}) == 1 else ""
        plain = shown in ("0", "off")
        rows.append(Row([head, label, shown if plain else " = ".join(values)], kind))
        last = group
    columns = (Column("Part", "", "part"), Column("Setting"), Column("Number and unit"))
    table = Table("The same settings in other notations", columns, rows)
    return table, " ".join(note.text for note in found.notes)


def handover(study: Study, tuning: Tuning | None) -> Pairs:
    """Return start output, switch pressure and what to do about a bad reading."""
    unit = Display.of(study)
    control = study.controller
    gauge = study.loop_gauge()
    if control.start_output is not None:
        start = unit.speed_text(control.start_output)
    elif tuning is not None:
        start = f"{unit.speed_text(tuning.start_output)}, computed: the study states none"
    else:
        start = "not stated: decide it before the first start"
    switch = (
        "not stated: decide at which pressure the loop goes to automatic"
        if control.switch_pressure_pa is None
        else f"{unit.pressure_text(control.switch_pressure_pa)} indicated"
    )
    fault = words.FAULT_MEANING[gauge.fails_to]
    return [
        ("Start output", start),
        ("Switch to automatic at", switch),
        ("On a bad reading", words.BAD_READING[control.bad_reading]),
        ("The loop's gauge", f"{gauge.tag} {fault}"),
        ("Ramps of the drive", _ramps(study)),
    ]


def _ramps(study: Study) -> str:
    """Return the ramps that the drive is to have."""
    drive = study.system.drive
    text = (
        f"from standstill to rated in {number(drive.rise_time_s)} s, back in "
        f"{number(drive.fall_time_s)} s"
    )
    if drive.second_ramp_s > 0.0:
        text += f"; a second ramp of {number(drive.second_ramp_s)} s acts on the speed command"
    return text


def restore(study: Study) -> Table:
    """Return the settings found and left, side by side; empty where none were written down."""
    found: Mapping[str, str] = study.controller.as_found or {}
    left: Mapping[str, str] = study.controller.as_left or {}
    names = [*found, *(name for name in left if name not in found)]
    rows = [
        Row([name.replace("_", " "), str(found.get(name, "")), str(left.get(name, ""))])
        for name in names
    ]
    columns = (Column("Setting"), Column("As found: restore these"), Column("As left"))
    return Table("Values to go back to", columns, rows)
