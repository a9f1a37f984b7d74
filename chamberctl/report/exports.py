"""Files for other software and for the hand: the loop as JSON, the settings as a table.

`loop_document` holds all that the margins depend on, so that anyone can recompute them; its schema
is docs/reference/loop.schema.json. Both exports carry the cautions and the action sentence.
"""

from __future__ import annotations

import csv
import io
import json
import math
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

from chamberctl.cautions import CAUTIONS
from chamberctl.control.controller import LAW
from chamberctl.control.duty_margins import WORSE_IS_LARGER
from chamberctl.control.forms import ACTION_SENTENCE

if TYPE_CHECKING:
    from chamberctl.control.controller import PidSettings
    from chamberctl.control.forms import TypedSettings
    from chamberctl.control.margins import LoopMargins
    from chamberctl.control.scheduled import Scheduled
    from chamberctl.control.tuning import TunedPoint, Tuning
    from chamberctl.study import Study

__all__ = ["gains_csv", "loop_document", "loop_json"]

FORMAT = "chamberctl-loop/1"
MARGINS = (
    "gain_margin",
    "gain_margin_low",
    "phase_margin_deg",
    "delay_margin_s",
    "ms",
    "mt",
    "disk_margin",
    "crossover_rad_s",
)


def loop_document(study: Study, tuning: Tuning) -> dict[str, Any]:
    """Return the loop with all that its margins depend on, ready for JSON.

    Parameters
    ----------
    study : Study
        What was tuned.
    tuning : Tuning
        Its tuning.

    Returns
    -------
    dict
        As docs/reference/loop.schema.json; None where a number does not exist or is infinite.
        ``dead_time_s`` of a point is that of drive, gauge and computation; the hold is not in it.
        Where gains are scheduled, each point has the settings and the margins of its entry, and
        ``worst`` is of these; ``settings`` and ``as_typed`` are those of the design point's entry.
    """
    settings = tuning.settings
    found = tuning.schedule
    return {
        "format": FORMAT,
        "scan_time_s": settings.scan_time_s,
        "reading": settings.reading,
        "law": LAW,
        "settings": _settings(settings),
        "as_typed": _as_typed(study, tuning),
        **({} if found is None else {"schedule": _schedule(found)}),
        "points": [
            _point(point) | ({} if found is None else {"settings": _settings(point.settings)})
            for point in tuning.points
        ],
        "worst": {
            name: {"value": _number(value), "point": tuning.points[index].where}
            for name, (value, index) in tuning.worst.items()
            if name in WORSE_IS_LARGER
        },
        "action": ACTION_SENTENCE,
        "manual_check": list(tuning.check_steps),
        "cautions": [f"{caution.title}: {caution.text}" for caution in CAUTIONS],
    }


def loop_json(study: Study, tuning: Tuning) -> str:
    """Return `loop_document` as JSON text; numbers keep every digit."""
    document = loop_document(study, tuning)
    return json.dumps(document, indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def _number(value: float | None) -> float | None:
    return float(value) if value is not None and math.isfinite(value) else None


def _settings(settings: PidSettings) -> dict[str, Any]:
    return {
        "Kc": settings.kc,
        "Ti_s": _number(settings.ti_s),
        "Td_s": settings.td_s,
        "Tf_s": settings.tf_s,
        "Tfd_s": settings.tfd_s,
        "b": settings.b,
        "c": settings.c,
        "Tt_s": _number(settings.tracking_time_s),
        "integral": settings.integral,
        "output_min": settings.output_min,
        "output_max": settings.output_max,
    }


def _schedule(found: Scheduled) -> dict[str, Any]:
    """Return thresholds and entries; inf and 0 at the ends are null: gains are held there."""
    unit = "pa" if found.schedule.key == "reading" else "speed_fraction"
    return {
        "key": found.schedule.key,
        "thresholds": [
            {f"at_{unit}": one.at, f"up_{unit}": one.up, f"down_{unit}": one.down}
            for one in found.schedule.thresholds
        ],
        "entries": [
            {
                f"from_{unit}": one.entry.low or None,
                f"to_{unit}": _number(one.entry.high),
                "settings": _settings(one.settings),
                "as_typed": _rows(one.typed),
            }
            for one in found.entries
        ],
    }


def _rows(typed: TypedSettings) -> dict[str, Any]:
    return {
        row.key: {
            "label": row.label,
            "text": row.text,
            "value": _number(row.value),
            "unit": row.shown_unit,
            "meaning": row.meaning,
        }
        for row in typed.rows
    }


def _as_typed(study: Study, tuning: Tuning) -> dict[str, Any]:
    words = tuning.typed.language
    return {
        "form": words.form,
        "reading_span": words.reading_span_text,
        "output_span": words.output_span_text,
        **_rows(tuning.typed),
        "integral": study.controller.integral,
        "start_output": {
            "label": "Start output",
            "text": f"{tuning.start_output * words.output_per_fraction:.4g}",
            "value": tuning.start_output * words.output_per_fraction,
            "unit": words.output_unit,
            "meaning": "output to start from, before the loop is switched to automatic",
        },
    }


def _point(tuned: TunedPoint) -> dict[str, Any]:
    a, b, c, d = tuned.model.siso(tuned.settings.reading)
    return {
        "where": tuned.where,
        "pressure_pa": tuned.point.pressure_pa,
        "gas_load_pa_m3_s": tuned.point.gas_load_pa_m3_s,
        "speed_fraction": tuned.point.speed,
        "A": a.tolist(),
        "B": b.tolist(),
        "C": c.tolist(),
        "D": d.tolist(),
        "dead_time_s": tuned.model.dead_time_s + tuned.settings.delay_s,
        "margins": _margins(tuned.margins),
    }


def _margins(found: LoopMargins) -> dict[str, Any]:
    return {
        "stable": bool(found.stable),
        **{name: _number(getattr(found, name)) for name in MARGINS},
    }


_COLUMNS = ("setting", "as typed", "unit", "exact SI value", "SI unit", "meaning")


def gains_csv(study: Study, tuning: Tuning) -> str:
    """Return the settings as a table to type in from, as comma-separated text.

    Parameters
    ----------
    study : Study
        What was tuned.
    tuning : Tuning
        Its tuning.

    Returns
    -------
    str
        Comment lines that start with "#" (cautions, action sentence, manual check), a header row,
        and one row for each setting: as typed with its unit, and the exact SI value it means.
    """
    text = io.StringIO()
    comments = [
        f"Settings of {study.controller.tag}: {study.title}",
        "as typed: rounded to the controller's decimals; all margins are those of these numbers",
        "exact SI value: what the typed numbers mean in the law, which has the ideal form",
        *([] if tuning.holds else _noes(tuning)),
        ACTION_SENTENCE,
        *tuning.check_steps,
        *(f"{caution.title}: {caution.text}" for caution in CAUTIONS),
        *(note.text for note in tuning.notations.notes),
    ]
    for comment in comments:
        text.write(f"# {' '.join(comment.split())}\n")
    table = csv.writer(text, lineterminator="\n")
    table.writerow(_COLUMNS)
    table.writerows(_typed_rows(tuning))
    table.writerows(_other_rows(study, tuning))
    return text.getvalue()


def _noes(tuning: Tuning) -> list[str]:
    texts = [finding.text for finding in tuning.findings if finding.severity == "no"]
    return ["NO: these settings must not be used as they are.", *(f"NO: {text}" for text in texts)]


def _typed_rows(tuning: Tuning) -> Iterator[tuple[str, ...]]:
    """Each typed row with the law's exact value, of every entry where gains are scheduled."""
    found = tuning.schedule
    if found is None:
        yield from _rows_of(tuning.settings, tuning.typed)
        return
    by_reading = found.schedule.key == "reading"
    words = tuning.typed.language
    per, unit, si = (
        (1.0 / words.pa_per_unit, words.reading_unit, "Pa")
        if by_reading
        else (words.output_per_fraction, words.output_unit, "speed fraction")
    )
    for index, one in enumerate(found.entries, start=1):
        for label, *rest in _rows_of(one.settings, one.typed):
            yield f"Entry {index}: {label}", *rest
    for index, place in enumerate(found.schedule.thresholds, start=1):
        for value, way, meaning in (
            (place.up, "up", f"from entry {index} to {index + 1} above this"),
            (place.down, "down", f"from entry {index + 1} to {index} below this"),
        ):
            label = f"Threshold {index}, {way}"
            yield label, f"{value * per:.6g}", unit, repr(float(value)), si, meaning


def _rows_of(settings: PidSettings, typed: TypedSettings) -> Iterator[tuple[str, ...]]:
    """Each row of one set with the law's exact value; the law is the ideal form."""
    per = "decade" if settings.reading == "log10" else "Pa"
    exact = {
        "Kc": (settings.kc, f"speed fraction per {per}"),
        "Ti": (settings.ti_s, "s"),
        "Td": (settings.td_s, "s"),
        "Tfd": (settings.tfd_s, "s"),
        "Tf": (settings.tf_s, "s"),
        "b": (settings.b, "1"),
        "c": (settings.c, "1"),
        "Tt": (settings.tracking_time_s, "s"),
        "ramp": (settings.setpoint_ramp_per_s, f"{per}/s"),
        "output_min": (settings.output_min, "speed fraction"),
        "output_max": (settings.output_max, "speed fraction"),
    }
    for row in typed.rows:
        value, unit = exact[row.key]
        shown = repr(float(value)) if math.isfinite(value) else "none"
        yield row.label, row.text, row.shown_unit, shown, unit, row.meaning


def _other_rows(study: Study, tuning: Tuning) -> Iterator[tuple[str, ...]]:
    """What else has to be set: start, spans, scan time, order, action on a bad reading."""
    words, controller, settings = tuning.typed.language, study.controller, tuning.settings
    start = tuning.start_output
    yield (
        "Start output", f"{start * words.output_per_fraction:.4g}", words.output_unit,
        repr(float(start)), "speed fraction", "output to start from, before automatic",
    )  # fmt: skip
    switch = controller.switch_pressure_pa
    yield (
        "Switch to automatic at",
        "not stated" if switch is None else f"{switch / words.pa_per_unit:.6g}",
        words.reading_unit, "" if switch is None else repr(switch), "Pa", "indicated pressure",
    )  # fmt: skip
    for label, unit, ends, per, si in (
        ("Reading span", words.reading_unit, (words.reading_low_pa, words.reading_high_pa),
         1.0 / words.pa_per_unit, "Pa"),
        ("Output span", words.output_unit, (words.output_low, words.output_high),
         words.output_per_fraction, "speed fraction"),
    ):  # fmt: skip
        for end, value in zip(("low", "high"), ends, strict=True):
            meaning = "what the controller counts as " + ("0 %" if end == "low" else "100 %")
            yield f"{label}, {end}", f"{value * per:.6g}", unit, repr(value), si, meaning
    scan = settings.scan_time_s or 0.0
    yield "Scan time", f"{scan:g}", "s", repr(scan), "s", "period of the controller"
    yield "Reading", settings.reading, "", "", "", "what the loop acts on"
    yield "Form", words.form, "", "", "", "how the terms are joined"
    yield (
        "Integral renewed", controller.integral, "", settings.integral, "",
        "after or before its use in a scan; where unknown, the worse is reported",
    )  # fmt: skip
    yield "On a bad reading", controller.bad_reading, "", "", "", "decided by the hazard review"
    drive = study.system.drive
    for label, seconds, meaning in (
        ("Drive ramp, rising", drive.rise_time_s, "in the drive, from standstill to rated speed"),
        ("Drive ramp, falling", drive.fall_time_s, "in the drive, from rated speed to standstill"),
        ("Second ramp", drive.second_ramp_s, "on the speed command, 0 to rated; 0: none"),
    ):
        yield label, f"{seconds:g}", "s", repr(seconds), "s", meaning
