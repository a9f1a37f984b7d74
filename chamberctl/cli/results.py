"""Results for other programs: plain names with units."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from chamberctl.errors import Infeasible
from chamberctl.report import margins_text, proposal_text, schedule_text

if TYPE_CHECKING:
    from chamberctl.control.tuning import Tuning
    from chamberctl.report.verdict import Verdict
    from chamberctl.study import Study

MARGINS = (
    "stable", "gain_margin", "gain_margin_low", "phase_margin_deg", "delay_margin_s", "ms", "mt",
    "disk_margin", "crossover_rad_s", "reason",
)  # fmt: skip
SETTINGS = (
    "kc", "ti_s", "td_s", "tf_s", "tfd_s", "b", "c", "tracking_time_s", "setpoint_ramp_per_s",
    "integral", "reading",
    "scan_time_s", "delay_s", "output_min", "output_max",
)  # fmt: skip


def tuning_json(study: Study, tuning: Tuning | Infeasible, answer: Verdict) -> dict[str, Any]:
    """Return a tuning with units in the names; kc is in speed fraction per decade or per Pa."""
    result: dict[str, Any] = {"title": study.title, "tag": study.controller.tag, **vars(answer)}
    if isinstance(tuning, Infeasible):
        return result | {"settings": None, "reason": tuning.reason, "nearest": tuning.nearest}
    settings = {name: getattr(tuning.settings, name) for name in SETTINGS}
    unit = "per_decade" if tuning.settings.reading == "log10" else "per_pa"
    settings[f"kc_speed_fraction_{unit}"] = settings.pop("kc")
    typed = [
        {"setting": row.label, "key": row.key, "text": row.text, "unit": row.shown_unit}
        for row in tuning.typed.rows
    ]
    points = [
        {
            "point": int(label),
            "where": tuned.point.where,
            "indicated_pa": tuned.point.indicated_pa,
            "pressure_pa": tuned.point.pressure_pa,
            "gas_load_pa_m3_s": tuned.point.gas_load_pa_m3_s,
            "speed": tuned.point.speed,
            "margins": {name: getattr(tuned.margins, name) for name in MARGINS},
            "fails": margins_text.fails(study, tuned.margins),
        }
        for label, tuned in zip(margins_text.labels(tuning), tuning.points, strict=True)
    ]
    worst = {
        name: {"value": value, "point": int(margins_text.labels(tuning)[index])}
        for name, (value, index) in tuning.worst.items()
    }
    return result | {
        "settings": settings,
        "as_typed": typed,
        "spans": {
            "reading": tuning.typed.language.reading_span_text,
            "output": tuning.typed.language.output_span_text,
        },
        "action": "Pressure above setpoint -> speed must go up.",
        "check_steps": list(tuning.check_steps),
        "start_output": tuning.start_output,
        "points": points,
        "worst": worst,
        "gain_spread": dict(tuning.gain_spread),
        "why": list(tuning.why),
        "optimum": None
        if tuning.design.optimum is None
        else proposal_text.as_json(tuning.design.optimum),
        "one_set_optimum": None
        if tuning.one_set is None or tuning.one_set.design.optimum is None
        else proposal_text.as_json(tuning.one_set.design.optimum),
        "schedule": None if tuning.schedule is None else schedule_text.as_json(tuning.schedule),
        "findings": [vars(finding) for finding in tuning.findings],
    }
