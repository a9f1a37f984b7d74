"""Everything the report says, gathered section by section; the templates only set it."""

from __future__ import annotations

import platform
import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from importlib.metadata import version as version_of
from typing import TYPE_CHECKING, Any

from chamberctl import __version__
from chamberctl.cautions import CAUTIONS
from chamberctl.errors import Infeasible
from chamberctl.report import (
    behavior_text,
    gains_text,
    handle_text,
    influence_text,
    margins_text,
    moves_text,
    pictures,
    proposal_text,
    responses_text,
    rules_text,
    schedule_text,
    study_text,
    window_text,
    words,
)
from chamberctl.report.drawings import join_words
from chamberctl.report.verdict import few, unreachable, verdict

if TYPE_CHECKING:
    from chamberctl.control.tuning import Tuning
    from chamberctl.plant.window import OperatingWindow
    from chamberctl.simulation.days import Day
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
    study: Study,
    tuning: Tuning | Infeasible,
    window: OperatingWindow,
    origin: Origin,
    days: Sequence[Day] = (),
) -> dict[str, Any]:
    """Return the report's text, tables and pictures.

    Parameters
    ----------
    study : Study
    tuning : Tuning or Infeasible
        The settings with their margins, or the reason why there are none.
    window : OperatingWindow
    origin : Origin
    days : sequence of Day
        Scenarios that were run.

    Returns
    -------
    dict
        Names as in ``templates/report.html.jinja``.
    """
    answer = verdict(study, tuning, window, days)
    influence = _influence(study, tuning, window)
    if answer.good:  # who signs a yes must read at its head what alone would make it a no
        answer = replace(answer, points=(*answer.points, *few(influence["reversals"])))
    context: dict[str, Any] = {
        "version": __version__,
        "title": study.title or "Untitled study",
        "tag": study.controller.tag,
        "verdict": answer,
        "record": _record(study, origin),
        "study": {
            "summary": study_text.summary(study, mark=" (marked with a diamond)"),
            "description": study.description,
            "given": study_text.given(study),
            "defaults": study_text.defaults(study),
        },
        "window": _window(study, window),
        "handle": _handle(study, window),
        "influence": influence,
        "handover": _handover(study, None if isinstance(tuning, Infeasible) else tuning),
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
        "behavior": None,
        "proposal": None,
        "schedule": None,
        "moves": None,
        "rules": None,
        "glance": [],
    }
    if isinstance(tuning, Infeasible):
        context["no_gains"] = answer.lead.removeprefix("No settings are given: ")
        return context
    if days:
        context["behavior"] = behavior_text.section(study, tuning, days)
    return context | _tuned(study, tuning)


def _tuned(study: Study, tuning: Tuning) -> dict[str, Any]:
    from chamberctl.control.controller import LAW

    notations, note = gains_text.notations(tuning)
    return {
        "proposal": _proposal(study, tuning),
        "schedule": schedule_text.section(study, tuning),
        "moves": _moves(study, tuning),
        "rules": _rules(study, tuning),
        "glance": gains_text.glance(tuning),
        "action": {"sentence": words.ACTION_SENTENCE, "steps": tuning.check_steps},
        "gains": {
            "typed": gains_text.typed(study, tuning),
            "spans": gains_text.spans(study, tuning),
            "findings": window_text.gathered(
                f for f in tuning.findings if f.subject != "not reachable"
            ),
            "notations": notations,
            "notations_note": note,
            "why": tuning.why,
            "law": LAW,
        },
        "margins": {
            "text": f"{margins_text.text(study, tuning)} {margins_text.disk(tuning)}".strip(),
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


def _proposal(study: Study, tuning: Tuning) -> dict[str, Any] | None:
    """Return how the one set was found; beside a schedule it is there to be compared with."""
    if tuning.one_set is None:
        return proposal_text.section(study, tuning)
    found = proposal_text.section(study, tuning.one_set)
    if found is not None:
        found["lead"] = (
            "For comparison, the best one set for the whole duty, which is not proposed; what "
            f"follows up to the gain schedule is of it. {found['lead']}"
        )
    return found


def _moves(study: Study, tuning: Tuning) -> dict[str, Any]:
    from chamberctl.control.large_moves import large_moves

    found = large_moves(study, [point.settings for point in tuning.points], tuning.points)
    named = zip(margins_text.labels(tuning), tuning.points, strict=True)
    labels = [label for label, point in named if point.margins.stable]
    return {"lead": moves_text.LEAD, "table": moves_text.table(study, found, labels)}


def _rules(study: Study, tuning: Tuning) -> dict[str, Any]:
    from chamberctl.control.rule_comparison import compare_rules

    optimum = (tuning.one_set or tuning).design.optimum
    envelope = [] if optimum is None else [plant.model for plant in optimum.plants]
    found = compare_rules(study, tuning, envelope)
    return {
        "lead": rules_text.lead(found),
        "table": rules_text.table(found),
        "text": rules_text.text(found),
        "sources": " ".join(rules_text.sources(found)),
    }


def _file_name(file: str) -> str:
    """Return a study's name without the folders of the machine it was read on."""
    if file.startswith("preset:"):
        return file
    return re.split(r"[/\\\\]", file)[-1] or "made in memory"


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
        ("Study file", _file_name(study.file)),
        ("Report made on", origin.made_on),
    ]


def _window(study: Study, window: OperatingWindow) -> dict[str, Any]:
    findings = [f for f in window.findings if f.subject != "duty not reachable"]
    blocked = [(i, p) for i, p in enumerate(window.duty_points, start=1) if not p.feasible]
    return {
        "text": window_text.text(study, window),
        "unreachable": unreachable(blocked, every=True),
        "reach": window_text.reach(study, window),
        "points": window_text.points(study, window),
        "answers": window_text.answers(study, window),
        "booster": window_text.booster(study, window),
        "findings": window_text.gathered(
            [*findings, *window_text.point_findings(window.duty_points)]
        ),
        **pictures.window(study, window),
    }


def _handle(study: Study, window: OperatingWindow) -> dict[str, Any]:
    from chamberctl.plant.handle import handle_verdict

    found = handle_verdict(study, window.duty_points)
    return {
        "lead": handle_text.lead(found),
        "reasons": found.reasons,
        "table": handle_text.table(study, found),
        "notes": handle_text.notes(found),
    }


def _influence(
    study: Study, tuning: Tuning | Infeasible, window: OperatingWindow
) -> dict[str, Any]:
    from chamberctl.control.influence import influences

    settings = None if isinstance(tuning, Infeasible) else tuning
    found = influences(study, settings, window.duty_points)
    return {
        "reversals": influence_text.reversals(found),
        "text": influence_text.text(found),
        "nominal": influence_text.nominal(found),
        "table": influence_text.table(found),
        "picture": pictures.influence(found),
    }


def _handover(study: Study, tuning: Tuning | None) -> dict[str, Any]:
    return {
        "facts": gains_text.handover(study, tuning),
        "table": gains_text.restore(study),
        "missing": "The settings found in the controller are not written down in the study. Write "
        "them down before anything is typed in: they are the way back.",
    }


def _origin(study: Study, origin: Origin) -> list[tuple[str, str]]:
    libraries = ", ".join(f"{name} {version_of(name)}" for name in LIBRARIES)
    return [
        ("Study file, SHA-256", origin.study_sha256),
        ("chamberctl", __version__),
        ("Computed with", f"Python {platform.python_version()}, {libraries}"),
    ]
