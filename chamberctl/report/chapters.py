"""The parts of a report that take long, each on its own, so that two processes can share them."""

from __future__ import annotations

from collections.abc import Callable
from importlib import import_module
from typing import TYPE_CHECKING, Any, NamedTuple

from chamberctl.errors import Infeasible
from chamberctl.report import (
    behavior_text,
    handle_text,
    influence_text,
    margins_text,
    moves_text,
    pictures,
    proposal_text,
    responses_text,
    rules_text,
    window_text,
)
from chamberctl.report.verdict import unreachable
from chamberctl.simulation.engine import load_compiled
from chamberctl.workers import results

if TYPE_CHECKING:
    from chamberctl.control.trade_off import TradeOff
    from chamberctl.control.tuning import Tuning
    from chamberctl.plant.window import OperatingWindow
    from chamberctl.study import Study
    from chamberctl.workers import Desk, Piece


class Plain(NamedTuple):
    """What needs no settings.

    Parameters
    ----------
    found : OperatingWindow
        The study's operating window.
    window, handle : dict
        The chapters on the window, and on speed as the handle.
    """

    found: OperatingWindow
    window: dict[str, Any]
    handle: dict[str, Any]


class Chapters:
    """The parts of one report, begun as soon as what they need is known.

    Parameters
    ----------
    study : Study
        System, duty and controller.
    desk : Desk
        Who does the work.
    window : OperatingWindow, optional
        The study's operating window, where it is known already.
    """

    def __init__(self, study: Study, desk: Desk, window: OperatingWindow | None = None) -> None:
        self.study = study
        self._desk = desk
        # while there is nothing else to do
        desk.once(load_compiled, study.system, study.loop_gauge())
        desk.lay_down(import_module, "chamberctl.figures")
        self._plain = desk.lay_down(_plain, study, window)
        self._pieces: dict[str, Piece[Any]] = {}

    @property
    def plain(self) -> Plain:
        """What needs no settings; waits for it."""
        return self._plain.result()

    def begin(self, tuning: Tuning | Infeasible) -> None:
        """Begin what needs the settings, or the refusal."""
        wanted = {"influence": _influence} if isinstance(tuning, Infeasible) else WITH_SETTINGS
        for name, function in wanted.items():
            self._pieces[name] = self._desk.lay_down(function, self.study, tuning)

    def begin_days(self, worst: behavior_text.Corner) -> None:
        """Begin the pictures of the days."""
        self._begin_first("days", behavior_text.pictures, self.study, worst)

    def finished(self) -> dict[str, Any]:
        """Return the chapters that were begun; waits for them.

        What is left is done from the last, while somebody else goes on from the first.
        """
        searched = self._pieces.get("trade_off")
        if searched is not None and (curve := searched.result()) is not None:
            self._begin_first("trade_off", pictures.trade_off, curve)
        names = reversed(self._pieces)
        return dict(zip(names, results(reversed(self._pieces.values())), strict=True))

    def _begin_first(self, name: str, draw: Callable[..., Any], *arguments: Any) -> None:
        """Begin a picture before all that lies there, for whoever draws already."""
        self._pieces.pop(name, None)
        drawn = self._desk.lay_down(draw, *arguments, urgent=True)
        self._pieces = {name: drawn, **self._pieces}


def _plain(study: Study, window: OperatingWindow | None) -> Plain:
    from chamberctl.plant.window import operating_window

    found = operating_window(study) if window is None else window
    return Plain(found, _window(study, found), _handle(study, found))


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


def _influence(study: Study, tuning: Tuning | Infeasible) -> dict[str, Any]:
    from chamberctl.control.influence import influences

    found = (
        influences(study)
        if isinstance(tuning, Infeasible)
        else influences(study, tuning, tuning.duty_points)
    )
    return {
        "reversals": influence_text.reversals(found),
        "text": influence_text.text(found),
        "nominal": influence_text.nominal(found),
        "table": influence_text.table(found),
        "picture": pictures.influence(found),
    }


def _trade_off(study: Study, tuning: Tuning) -> TradeOff | None:
    """Return what calmness costs; None for a design without an optimum."""
    from chamberctl.control.trade_off import trade_off

    optimum = (tuning.one_set or tuning).design.optimum
    return None if optimum is None else trade_off(study, optimum)


def _advice(study: Study, tuning: Tuning) -> list[str]:
    return proposal_text.advice(study, tuning.one_set or tuning)


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


def _margins(study: Study, tuning: Tuning) -> dict[str, Any]:
    return {
        "text": f"{margins_text.text(study, tuning)} {margins_text.disk(tuning)}".strip(),
        "table": margins_text.at_points(study, tuning),
        "worst": margins_text.worst_of_each(study, tuning),
        **pictures.frequency(study, tuning),
    }


def _responses(study: Study, tuning: Tuning) -> dict[str, Any] | None:
    return responses_text.section(study, tuning)


def _reading(study: Study, tuning: Tuning) -> dict[str, Any]:
    return {
        "text": responses_text.reading_cost(study, tuning),
        "picture": pictures.spread(study, tuning),
    }


WITH_SETTINGS: dict[str, Callable[..., Any]] = {
    "influence": _influence,
    "margins": _margins,
    "reading": _reading,
    "responses": _responses,
    "moves": _moves,
    "advice": _advice,
    "rules": _rules,
    "trade_off": _trade_off,
}
"""Those with pictures first: whoever goes on from the last then need not load what draws."""
