"""Everything the report says, gathered section by section; the templates only set it."""

from __future__ import annotations

import platform
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from importlib.metadata import version as version_of
from typing import TYPE_CHECKING, Any

from chamberctl import __version__
from chamberctl.cautions import CAUTIONS
from chamberctl.errors import Infeasible
from chamberctl.report import (
    behavior_text,
    gains_text,
    margins_text,
    proposal_text,
    schedule_text,
    study_text,
    window_text,
    words,
)
from chamberctl.report.drawings import join_words
from chamberctl.report.verdict import few, verdict

if TYPE_CHECKING:
    from chamberctl.control.tuning import Tuning
    from chamberctl.report.chapters import Chapters
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
    chapters: Chapters,
    origin: Origin,
    days: Sequence[Day] = (),
) -> dict[str, Any]:
    """Return the report's text, tables and pictures.

    Parameters
    ----------
    study : Study
    tuning : Tuning or Infeasible
        The settings with their margins, or the reason why there are none.
    chapters : Chapters
        The parts that take long, begun with the same tuning.
    origin : Origin
    days : sequence of Day
        Scenarios that were run.

    Returns
    -------
    dict
        Names as in ``templates/report.html.jinja``.
    """
    behavior = None
    if days and not isinstance(tuning, Infeasible):
        worst = behavior_text.corner(tuning, days)
        chapters.begin_days(worst)
        behavior = behavior_text.section(study, days, worst)
    parts, plain = chapters.finished(), chapters.plain
    if behavior is not None:
        behavior["pictures"] = parts["days"]
    answer = verdict(study, tuning, plain.found, days)
    influence = parts["influence"]
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
        "window": plain.window,
        "handle": plain.handle,
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
        "behavior": behavior,
        "proposal": None,
        "schedule": None,
        "moves": None,
        "rules": None,
        "glance": [],
    }
    if isinstance(tuning, Infeasible):
        context["no_gains"] = answer.lead.removeprefix("No settings are given: ")
        return context
    return context | _tuned(study, tuning, parts)


def _tuned(study: Study, tuning: Tuning, parts: Mapping[str, Any]) -> dict[str, Any]:
    from chamberctl.control.controller import LAW

    notations, note = gains_text.notations(tuning)
    return {
        "proposal": _proposal(tuning, parts),
        "schedule": schedule_text.section(study, tuning),
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
        **{name: parts[name] for name in ("moves", "rules", "margins", "responses", "reading")},
    }


def _proposal(tuning: Tuning, parts: Mapping[str, Any]) -> dict[str, Any] | None:
    """Return how the one set was found; beside a schedule it is there to be compared with."""
    found = proposal_text.section(tuning.one_set or tuning)
    if found is None:
        return None
    if tuning.one_set is not None:
        found["lead"] = (
            "For comparison, the best one set for the whole duty, which is not proposed; what "
            f"follows up to the gain schedule is of it. {found['lead']}"
        )
    return found | {"picture": parts["trade_off"], "advice": parts["advice"]}


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
