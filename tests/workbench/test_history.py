"""What can be taken back, through a recovery copy."""

from __future__ import annotations

import json
import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from chamberctl.study import preset_path
from chamberctl.workbench.candidates import Candidate
from chamberctl.workbench.history import MOST_CHARACTERS, MOST_STEPS, State, packed, unpacked

TEXT = preset_path("crystal-furnace").read_text(encoding="utf-8")


def through_json(now: State, back: list[State], forth: list[State]) -> object:
    return json.loads(json.dumps(packed(now, back, forth)))


@given(st.lists(st.text("ab\n", max_size=12), min_size=1, max_size=12), st.data())
def test_every_text_comes_back(texts: list[str], data: st.DataObject) -> None:
    states = [State(text) for text in texts]
    here = data.draw(st.integers(0, len(states) - 1))
    back, forth = states[:here], states[:here:-1]
    assert unpacked(states[here], through_json(states[here], back, forth)) == (back, forth)


def test_settings_and_candidates_come_back() -> None:
    mine, calm = Candidate("mine", {"Kc": "2,5"}, "typed"), Candidate("calm", {"Kc": "1"})
    back = [State(TEXT), State(TEXT, mine), State(TEXT, mine, (calm,))]
    forth = [State(TEXT, None, (mine, calm))]
    assert unpacked(State(TEXT), through_json(State(TEXT), back, forth)) == (back, forth)


def test_a_long_day_stays_small() -> None:
    """Two hundred changes of a large study are a fraction of the study itself."""
    chance, text, states = random.Random(5), TEXT, []
    for number in range(200):
        place = chance.randrange(len(text))
        text = f"{text[:place]}{number}{text[place + 3 :]}"
        states.append(State(text, Candidate("own numbers", {"Kc": str(number)})))
    kept = through_json(states[-1], states[:-1], [])
    assert len(json.dumps(kept)) < len(TEXT)
    back, forth = unpacked(states[-1], kept)
    assert back == states[:-1][-MOST_STEPS:]
    assert not forth


def test_what_is_too_much_is_left_out_from_the_far_end() -> None:
    texts = [State(letter * (MOST_CHARACTERS // 2 - 1)) for letter in "abcd"]
    now = State("now")
    assert unpacked(now, through_json(now, texts, [])) == (texts[-2:], [])


@pytest.mark.parametrize(
    "found",
    [
        None,
        "history",
        {},
        {"of": "another text"},
        {**packed(State("x"), [State("y")], []), "settings": [{"nonsense": 1}]},
        {**packed(State("x"), [State("y")], []), "back": [[0, 0, "y", 7, []]]},
        {**packed(State("x"), [State("y")], []), "back": "yes"},
    ],
)
def test_what_is_no_history_of_this_text_is_none(found: object) -> None:
    assert unpacked(State("x"), found) == ([], [])
