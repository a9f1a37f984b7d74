"""What a page can take back, in the few words that a recovery copy has room for."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from chamberctl.study.files import fingerprint
from chamberctl.workbench.candidates import Candidate

MOST_STEPS: Final = 50
"""So many steps in either direction are kept."""

MOST_CHARACTERS: Final = 400_000
"""So much text they may hold together; the farthest steps are left out first."""


@dataclass(frozen=True)
class State:
    """All that undo brings back.

    Parameters
    ----------
    text : str
        The study's text without the settings that a person chose, valid or not.
    settings : Candidate or None
        These settings; None where the study's own way of finding settings is used.
    candidates : tuple of Candidate
        Settings kept side by side.
    """

    text: str
    settings: Candidate | None = None
    candidates: tuple[Candidate, ...] = ()


def packed(now: State, back: Sequence[State], forth: Sequence[State]) -> dict[str, Any]:
    """Return the steps around a state as plain JSON values; inverse of `unpacked`.

    Each step keeps only what its text has otherwise than its neighbor nearer to the state.

    Parameters
    ----------
    now : State
    back : sequence of State
        What undo brings back, the nearest last.
    forth : sequence of State
        What redo brings back, the nearest last.
    """
    known: dict[tuple[object, ...], int] = {}
    listed: list[Candidate] = []

    def place(candidate: Candidate) -> int:
        key = (candidate.name, candidate.note, candidate.key)
        if key not in known:
            known[key] = len(listed)
            listed.append(candidate)
        return known[key]

    def steps(states: Sequence[State]) -> list[list[Any]]:
        found: list[list[Any]] = []
        nearer, room = now.text, MOST_CHARACTERS
        for state in reversed(states[-MOST_STEPS:]):
            change = _change(nearer, state.text)
            room -= len(change[2])
            if room < 0:
                break
            settings = None if state.settings is None else place(state.settings)
            found.append([*change, settings, [place(kept) for kept in state.candidates]])
            nearer = state.text
        return found

    found = {"of": _mark(now.text), "back": steps(back), "forth": steps(forth)}
    return {**found, "settings": [vars(candidate) for candidate in listed]}


def unpacked(now: State, found: Any) -> tuple[list[State], list[State]]:
    """Return what undo and redo bring back, the nearest last.

    Parameters
    ----------
    now : State
        The state as it was kept.
    found : object
        What `packed` made of it. Where it is something else, or of another text, there is nothing
        to take back.
    """
    if not isinstance(found, Mapping) or found.get("of") != _mark(now.text):
        return [], []
    try:
        listed = [Candidate(**entry) for entry in found["settings"]]

        def states(steps: Sequence[Sequence[Any]]) -> list[State]:
            states, text = [], now.text
            for head, tail, middle, settings, kept in steps:
                text = f"{text[:head]}{middle}{text[len(text) - tail :]}"
                used = None if settings is None else listed[settings]
                states.append(State(text, used, tuple(listed[place] for place in kept)))
            return states[::-1]

        return states(found["back"]), states(found["forth"])
    except (IndexError, KeyError, TypeError, ValueError):
        return [], []  # of another version


def _change(before: str, after: str) -> tuple[int, int, str]:
    """Return how much of a text's head and tail stays, and what stands between them afterwards."""
    most = min(len(before), len(after))
    head = bisect_left(range(most), True, key=lambda i: before[: i + 1] != after[: i + 1])
    room = most - head
    tail = bisect_left(
        range(room), True,
        key=lambda i: before[len(before) - i - 1 :] != after[len(after) - i - 1 :],
    )  # fmt: skip
    return head, tail, after[head : len(after) - tail]


def _mark(text: str) -> str:
    return fingerprint(text.encode("utf-8"))
