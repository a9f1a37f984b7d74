"""The gain schedule in words and tables: entries as typed in, and what each duty point gets."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from chamberctl.display import Display, number
from chamberctl.report import margins_text
from chamberctl.report.drawings import Drawing, drawing
from chamberctl.report.tables import Column, Row, Table, numbers

if TYPE_CHECKING:
    from chamberctl.control.schedule_parts import PointWorth
    from chamberctl.control.scheduled import Scheduled
    from chamberctl.control.tuned import Tuning
    from chamberctl.study import Study

LEAD = (
    "What is proposed is not one set of gains but {count}, which change with the {key}: type them "
    "in only where the controller changes gains without a jump of the output. The table of "
    "settings above is of entry {entry}, in force at the duty point with the largest Ms. Margins, "
    "step answers, runs and the answer of this report are those of the schedule: at each duty "
    "point those of the entry in force there. {one_set}"
)
ONE_SET = (
    "One set of gains for the whole duty is only what the schedule is compared with: its share of "
    "the integral action stands in the last column of the second table."
)
NO_SET = "No one set of gains keeps the limits over the whole duty."
LOOK = (
    "Look at how far gain and integral time move from one entry to the next, and whether every "
    "duty point (dots) lies clear of the thresholds (dashed): around them two steps overlap by the "
    "hysteresis, and which one is in force depends on where the {key} came from."
)


def section(study: Study, tuning: Tuning) -> dict[str, Any] | None:
    """Return text and tables of the schedule; None where there is none."""
    found = tuning.schedule
    if found is None:
        return None
    return {
        "lead": lead(tuning, found),
        "picture": _picture(study, tuning, found),
        "tables": tables(study, tuning),
        "why": [one.entry.why for one in found.entries],
    }


def lead(tuning: Tuning, found: Scheduled) -> str:
    """Return what is proposed, what of it the other tables show, and what one set is there for."""
    return LEAD.format(
        count=len(found.entries),
        key=_key_words(found),
        entry=found.points[tuning.design_index].entry + 1,
        one_set=NO_SET if tuning.one_set is None else ONE_SET,
    )


def tables(study: Study, tuning: Tuning) -> tuple[Table, ...]:
    """Return the entries as typed in and what each duty point gets; none without a schedule."""
    found = tuning.schedule
    return () if found is None else (_entries(study, found), _points(found))


def as_json(found: Scheduled) -> dict[str, Any]:
    """Return the schedule for machines: SI units in the names."""
    unit = "pa" if found.schedule.key == "reading" else "speed_fraction"
    return {
        "key": found.schedule.key,
        "least_share": found.schedule.least_share,
        "entries": [
            {
                f"from_{unit}": one.entry.low or None,
                f"to_{unit}": one.entry.high if math.isfinite(one.entry.high) else None,
                "as_typed": one.typed.texts(),
                "largest_ms": one.largest_ms,
                "why": one.entry.why,
            }
            for one in found.entries
        ],
        "thresholds": [
            {f"at_{unit}": one.at, f"up_{unit}": one.up, f"down_{unit}": one.down}
            for one in found.schedule.thresholds
        ],
        "points": [
            {
                "where": point.where,
                "entry": point.entry + 1,
                "ms": point.margins.ms,
                "share_of_alone": worth.scheduled / worth.alone,
                "share_of_alone_with_one_set": None
                if math.isnan(worth.fixed)
                else worth.fixed / worth.alone,
            }
            for point, worth in zip(found.points, found.schedule.worth, strict=True)
        ],
    }


def _picture(study: Study, tuning: Tuning, found: Scheduled) -> Drawing:
    """Return gain and integral time over the key."""
    from chamberctl import figures

    by_reading = found.schedule.key == "reading"
    show = Display.of(study)
    places = [point.point.indicated_pa if by_reading else point.point.speed
              for point in tuning.points]  # fmt: skip
    return drawing(
        figures.gain_schedule(
            found,
            places,
            margins_text.labels(tuning),
            (lambda value: float(show.to_pressure(value)))
            if by_reading
            else (lambda value: 100.0 * value),
            f"indicated pressure [{show.pressure}]" if by_reading else "output [% of rated]",
        ),
        "gain-schedule",
        LOOK.format(key=_key_words(found)),
    )


def _key_words(found: Scheduled) -> str:
    return "indicated pressure" if found.schedule.key == "reading" else "output"


def _entries(study: Study, found: Scheduled) -> Table:
    """One row for each entry; settings that are the same in all stand in the table above."""
    show, by_reading = Display.of(study), found.schedule.key == "reading"
    unit = show.pressure if by_reading else "% of rated"

    def shown(value: float) -> str:
        return number(show.to_pressure(value) if by_reading else 100.0 * value, 4)

    rows = [one.typed.rows for one in found.entries]
    differ = [
        index
        for index, row in enumerate(rows[0])
        if row.key in ("Kc", "Ti") or len({one[index].text for one in rows}) > 1
    ]
    columns = [
        Column("Entry", "", "mid"),
        numbers("Up to here from below", unit),
        numbers("Down to here from above", unit),
        *(numbers(rows[0][index].label, rows[0][index].shown_unit) for index in differ),
        numbers("Largest Ms"),
        Column("Duty points"),
    ]
    body = []
    for index, one in enumerate(found.entries):
        above = found.schedule.thresholds[index : index + 1]
        below = found.schedule.thresholds[index - 1 : index] if index else ()
        body.append(
            Row([
                str(index + 1),
                shown(above[0].up) if above else "no limit",
                shown(below[0].down) if below else "no limit",
                *(one.typed.rows[k].text for k in differ),
                number(one.largest_ms),
                "; ".join(one.entry.points) or "none, leads between them",
            ])
        )  # fmt: skip
    return Table(f"Gain schedule over the {_key_words(found)}, as typed in", columns, body)


def _points(found: Scheduled) -> Table:
    columns = (
        Column("Duty point"),
        Column("Entry", "", "mid"),
        numbers("Ms"),
        numbers("Gain margin"),
        numbers("Phase margin", "deg"),
        numbers("Integral action, of what the point could have alone", "%"),
        numbers("With one set", "%"),
    )
    rows = [
        Row([
            point.where,
            str(point.entry + 1),
            number(point.margins.ms),
            number(point.margins.gain_margin),
            number(point.margins.phase_margin_deg),
            number(100.0 * worth.scheduled / worth.alone),
            _share(worth),
        ])
        for point, worth in zip(found.points, found.schedule.worth, strict=True)
    ]  # fmt: skip
    return Table("What the schedule gives each duty point", columns, rows)


def _share(worth: PointWorth) -> str:
    return "none" if math.isnan(worth.fixed) else number(100.0 * worth.fixed / worth.alone)
