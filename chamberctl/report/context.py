"""Everything the report says, gathered section by section; the templates only set it."""

from __future__ import annotations

import platform
from dataclasses import dataclass
from importlib.metadata import version as version_of
from typing import TYPE_CHECKING, Any

from chamberctl import __version__
from chamberctl.cautions import CAUTIONS
from chamberctl.errors import Infeasible
from chamberctl.report import (
    gains_text,
    margins_text,
    pictures,
    responses_text,
    study_text,
    window_text,
    words,
)
from chamberctl.report.drawings import join_words

if TYPE_CHECKING:
    from chamberctl.control.tuning import Tuning
    from chamberctl.plant.window import OperatingWindow
    from chamberctl.study import Study

LIBRARIES = ("numpy", "scipy", "control", "matplotlib")


@dataclass(frozen=True)
class Origin:
    """What a report was made from, and when.

    Parameters
    ----------
    study_sha256 : str
        Hash of the study file beside the report.
    made_on : str
        Date and time, the only thing in which two reports of one study differ.
    """

    study_sha256: str
    made_on: str


def build(
    study: Study, tuning: Tuning | Infeasible, window: OperatingWindow, origin: Origin
) -> dict[str, Any]:
    """Return the report's text, tables and pictures.

    Parameters
    ----------
    study : Study
    tuning : Tuning or Infeasible
        The settings with their margins, or the reason why there are none.
    window : OperatingWindow
    origin : Origin

    Returns
    -------
    dict
        Names as in ``templates/report.html.jinja``.
    """
    context = {
        "version": __version__,
        "title": study.title or "Untitled study",
        "tag": study.controller.tag,
        "verdict": verdict(study, tuning, window),
        "record": _record(study, origin),
        "study": {
            "summary": study_text.summary(study),
            "description": study.description,
            "given": study_text.given(study),
            "defaults": study_text.defaults(study),
        },
        "window": _window(study, window),
        "handover": _handover(study),
        "assumptions": words.MODEL_LIMITS,
        "cautions": CAUTIONS,
        "words": words.WORDS,
        "recompute": words.RECOMPUTE
        if not isinstance(tuning, Infeasible)
        else words.NOTHING_TO_CHECK,
        "origin": _origin(study, origin),
        "action": {"sentence": words.ACTION_SENTENCE, "steps": words.ACTION_CHECK},
        "gains": None,
        "margins": None,
        "glance": [],
    }
    if isinstance(tuning, Infeasible):
        context["no_gains"] = str(tuning)
        return context
    return context | _tuned(study, tuning)


def _tuned(study: Study, tuning: Tuning) -> dict[str, Any]:
    from chamberctl.control.controller import LAW
    from chamberctl.control.notations import manual_check

    design = tuning.points[tuning.design_index].point
    notations, note = gains_text.notations(study, tuning)
    settings = tuning.settings
    steps = manual_check(tuning.typed.language, design, settings.output_min, settings.output_max)
    return {
        "glance": gains_text.glance(tuning),
        "action": {"sentence": words.ACTION_SENTENCE, "steps": steps},
        "gains": {
            "typed": gains_text.typed(study, tuning),
            "spans": gains_text.spans(study, tuning),
            "findings": window_text.gathered(tuning.findings),
            "notations": notations,
            "notations_note": note,
            "why": tuning.why,
            "law": LAW,
        },
        "margins": {
            "text": margins_text.text(study, tuning),
            "table": margins_text.at_points(study, tuning),
            "worst": margins_text.worst_of_each(study, tuning),
            **pictures.frequency(study, tuning),
        },
        "responses": responses_text.section(study, tuning),
        "reading": {
            "text": responses_text.reading_cost(study, tuning),
            "picture": pictures.spread(study, tuning),
        },
    }


def verdict(study: Study, tuning: Tuning | Infeasible, window: OperatingWindow) -> dict[str, Any]:
    """Return whether the answer is yes, the sentence that says so, and what it rests on."""
    if isinstance(tuning, Infeasible):
        return {
            "good": False,
            "lead": f"No settings are given. {tuning.reason}",
            "points": [tuning.nearest] if tuning.nearest else [],
        }
    total = len(tuning.points)
    broken = [
        f"Point {label} ({point.point.where}) fails: {', '.join(names)}."
        for label, point in zip(margins_text.labels(tuning), tuning.points, strict=True)
        if (names := margins_text.fails(study, point.margins))
    ]
    refused = [
        f"{f.subject[:1].upper()}{f.subject[1:]}: {f.text}"
        for f in window_text.gathered((*tuning.findings, *window.findings))
        if f.severity == "no"
    ]
    points = [*broken, *refused, margins_text.text(study, tuning)]
    assumed = study_text.bases(study)["assumed"]
    if assumed:
        points.append(f"{assumed} of the values it rests on are assumed; section 2 marks them.")
    if tuning.holds:
        limits = join_words(margins_text.limits_in_words(study))
        lead = f"These settings hold at all {total} duty points. Limits kept: {limits}."
    else:
        lead = (
            f"These settings do not hold over the whole duty: {len(broken)} of {total} points fail."
            if broken
            else "These settings must not be used as they are; the reason follows."
        )
    return {"good": bool(tuning.holds), "lead": lead, "points": points}


def _record(study: Study, origin: Origin) -> list[tuple[str, str]]:
    control = study.controller
    blank = "not stated"
    return [
        ("Loop", control.tag),
        ("Set by", control.who or blank),
        ("Date of the setting", control.when or blank),
        ("Reason", control.why or blank),
        ("Duty as said by", study.duty.said_by or blank),
        ("Hold band", f"\u00b1{100 * study.duty.hold_band:g} % of setpoint"),
        ("Margins asked for", join_words(margins_text.limits_in_words(study))),
        ("Study file", study.file or "made in memory"),
        ("Report made on", origin.made_on),
    ]


def _window(study: Study, window: OperatingWindow) -> dict[str, Any]:
    findings = [f for f in window.findings if f.subject != "duty not reachable"]
    return {
        "text": window_text.text(study, window),
        "reach": window_text.reach(study, window),
        "points": window_text.points(study, window),
        "answers": window_text.answers(study, window),
        "booster": window_text.booster(study, window),
        "findings": window_text.gathered([*findings, *window_text.point_findings(window.duty_points)]),
        **pictures.window(study, window),
    }


def _handover(study: Study) -> dict[str, Any]:
    return {
        "facts": gains_text.handover(study),
        "table": gains_text.restore(study),
        "missing": "The settings found in the controller are not written down in the study. Write "
        "them "
        "down before anything is typed in: they are the way back.",
    }


def _origin(study: Study, origin: Origin) -> list[tuple[str, str]]:
    libraries = ", ".join(f"{name} {version_of(name)}" for name in LIBRARIES)
    return [
        ("Study file, SHA-256", origin.study_sha256),
        ("chamberctl", __version__),
        ("Computed with", f"Python {platform.python_version()}, {libraries}"),
    ]
