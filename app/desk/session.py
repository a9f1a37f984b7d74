"""The one thing a page remembers: the study as it stands, what it came from, and the settings.

No widget lives here. Every change goes through a method, can be undone, and is written to the
recovery copy before the page is drawn again.
"""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import chamberctl as cc
from chamberctl.errors import Problem
from chamberctl.study import editing, files, recovery
from chamberctl.study.outline import outline
from chamberctl.study.source import decode_source, read_source
from chamberctl.workbench.candidates import Candidate, carried
from chamberctl.workbench.history import State, packed, unpacked
from chamberctl.workbench.row_names import RowNames
from chamberctl.workbench.study_settings import joined, split

MOST_STEPS_BACK = 200


@dataclass
class Session:
    """What one page holds.

    ``study`` is the last good study and ``good_text`` its text, the key of all that is computed
    from it; ``text`` is the text as typed, ``problems`` what keeps that from being a study.
    ``has_fields`` is false where the text is no TOML: it can be mended as a text only.
    ``generation`` grows whenever the text changed elsewhere than in the field that is being typed
    in, so that fields show the new text. ``trouble`` says why there is no recovery copy.
    ``rows`` are the names of the rows of tables, by generation and path.
    """

    key: str
    state: State
    source: str
    file: str = ""
    file_fingerprint: str = ""
    text_fingerprint: str = ""
    study: cc.Study | None = None
    good_text: str = ""
    problems: tuple[Problem, ...] = ()
    has_fields: bool = True
    generation: int = 0
    trouble: str = ""
    back: list[State] = field(default_factory=list)
    forth: list[State] = field(default_factory=list)
    copy_fingerprint: str = ""
    whole: tuple[tuple[str, Candidate | None], str] | None = None
    rows: dict[tuple[int, str], RowNames] = field(default_factory=dict)

    # --- how a session begins -----------------------------------------------------------------

    @classmethod
    def begun(cls, source: str, key: str = "") -> Session:
        """Return a new session on a study file or a preset; StudyError where it cannot be read."""
        text = read_source(source)
        session = cls(key or recovery.new_key(), State(text), source)
        session._opened(source, text, source)
        return session

    @classmethod
    def restored(cls, copy: recovery.RecoveryCopy) -> Session:
        """Return the session that a recovery copy was made of."""
        more = copy.more
        kept = tuple(Candidate(**entry) for entry in more.get("candidates", ()))
        state = State(*split(copy.text), kept)
        session = cls(
            copy.key, state, copy.source, copy.file, copy.file_fingerprint, copy.text_fingerprint
        )
        begun = more.get("saving_to", "")
        if begun and files.file_fingerprint(begun) == files.fingerprint(copy.text.encode("utf-8")):
            session._saved_to(begun)  # the save was done, only not yet written down
        session.study = editing.judge(more.get("good_text", "")).study
        session.back, session.forth = unpacked(session.state, more.get("history"))
        session._judge()
        session.copy_fingerprint = recovery.written(copy.key)
        return session

    # --- what is asked of it ------------------------------------------------------------------

    @property
    def text(self) -> str:
        """The study's text as it stands, with the settings in use, valid or not."""
        state = (self.state.text, self.state.settings)
        if self.whole is None or self.whole[0] != state:
            self.whole = (state, joined(*state))
        return self.whole[1]

    @property
    def settings(self) -> Candidate | None:
        """The settings in use; None: those the tuning gives."""
        return self.state.settings

    @property
    def candidates(self) -> tuple[Candidate, ...]:
        """Settings kept side by side."""
        return self.state.candidates

    @property
    def differs(self) -> bool:
        """Whether the text is another one than was opened or last saved."""
        return files.fingerprint(self.text.encode("utf-8")) != self.text_fingerprint

    @property
    def download_name(self) -> str:
        """Name for a downloaded study."""
        stem = Path(self.file or self.source.removeprefix("preset:")).stem
        return f"{stem or 'study'}.toml"

    @property
    def standing(self) -> str:
        """Say how the page and the file stand to each other."""
        if not self.file:
            return "changed, in no file yet" if self.differs else "as it came, in no file of yours"
        return "changed since it was saved" if self.differs else "saved"

    @property
    def is_still_there(self) -> bool:
        """Whether what was opened can be read again (an upload cannot)."""
        return self.source.startswith("preset:") or bool(self.file)

    def problem_at(self, path: str) -> str:
        """Return what is wrong with a field, or ""."""
        parts = (path, f"{path}.tolerance", f"{path}.basis", f"{path}.note")
        found = (f"{p.remedy}" for p in self.problems if p.field in parts)
        return "; ".join(found)

    def names_of_rows(self, path: str, count: int) -> RowNames:
        """Return the names of the rows of a field of pairs; new ones where the text is another."""
        key = (self.generation, path)
        if key not in self.rows or len(self.rows[key].names) != count:
            self.rows[key] = RowNames.of(count)
        return self.rows[key]

    # --- changes ------------------------------------------------------------------------------

    def edit(self, changes: Mapping[str, Any]) -> None:
        """Type fields of the study anew, by path; None removes a field."""
        self._change_text(editing.with_changes(self.text, changes))

    def record(self, record: str, name: str, text: str) -> None:
        """Write a setting into one of the controller's records; an empty text takes it out.

        The others stay as they stand now, which may be otherwise than they were drawn.
        """
        assert self.study is not None
        known = dict(getattr(self.study.controller, record) or {})
        texts = {**known, name: text.strip()}
        self.edit({f"controller.{record}": {n: t for n, t in texts.items() if t} or None})

    def edit_tables(self, changes: Mapping[str, Any]) -> None:
        """Add or take out whole tables and rows, by path."""
        self.edit(changes)
        self.generation += 1

    def move_up(self, path: str) -> None:
        """Put one table of an array before the one before it."""
        self.set_text(editing.moved_up(self.text, path))

    def set_text(self, text: str) -> None:
        """Take a whole new text."""
        self._change_text(text)
        self.generation += 1

    def use(self, settings: Candidate | None) -> None:
        """Take settings into use; None: those the tuning gives."""
        self._change(replace(self.state, settings=settings))

    def keep_candidate(self, candidate: Candidate) -> None:
        """Keep settings side by side with the others; the same name replaces."""
        others = tuple(kept for kept in self.candidates if kept.name != candidate.name)
        self._change(replace(self.state, candidates=(*others, candidate)))

    def drop_candidate(self, name: str) -> None:
        """Drop one of the kept settings."""
        left = tuple(kept for kept in self.candidates if kept.name != name)
        self._change(replace(self.state, candidates=left))

    def change_together(
        self,
        changes: Mapping[str, Any],
        settings: Candidate | None,
        candidates: tuple[Candidate, ...],
    ) -> None:
        """Type fields anew and take other settings with them, as one change."""
        text = editing.with_changes(self.state.text, changes)
        self._change(State(text, settings, candidates))
        self.generation += 1

    def undo(self) -> None:
        """Take back the last change."""
        self._move(self.back, self.forth)

    def redo(self) -> None:
        """Make the change again that was taken back last."""
        self._move(self.forth, self.back)

    # --- files --------------------------------------------------------------------------------

    def open(self, source: str) -> None:
        """Open a study file or a preset; StudyError where it is none, and nothing changes then."""
        source = _full(source)
        text = read_source(source)
        cc.load(source)
        self._opened(source, text, source)

    def take_upload(self, name: str, content: bytes) -> None:
        """Open an uploaded file; StudyError where it is no study, and nothing changes then."""
        text = decode_source(content, name)
        self._check(text, name)
        self._opened("", text, name)

    def save(self, path: str = "") -> None:
        """Save the study; StudyError where it is not valid, or the file is no longer as it was.

        Without a path it goes to the file it came from. A path that is not that file must be new.
        """
        target = _full(path) or self.file
        if not target:
            raise cc.InputError("give the study a name of your own first", field="Save to")
        self._check(self.text, target)
        known = self.file_fingerprint if _same(target, self.file) else ""
        target = str(Path(target).absolute())
        # said before it is done: after a crash the file is known as our own, if it was done
        self.write_copy(saving_to=target)
        try:
            files.save_unless_changed(target, self.text, known)
        except cc.StudyError:
            self.write_copy()
            raise
        self._saved_to(target)
        self._judge()
        self.write_copy()

    def write_copy(self, saving_to: str = "") -> None:
        """Write the recovery copy; what hinders it is said in ``trouble``."""
        try:
            if self.copy_fingerprint != recovery.written(self.key):
                # another page was opened on the same copy and has gone on: each keeps its own
                self.key = recovery.new_key()
            self.copy_fingerprint = recovery.keep(self._copy(saving_to))
            self.trouble = ""
        except cc.StudyError as error:
            self.trouble = str(error.first)

    # --- inside -------------------------------------------------------------------------------

    def _saved_to(self, path: str) -> None:
        """Remember that the text as it stands is what a file holds."""
        self.text_fingerprint = files.fingerprint(self.text.encode("utf-8"))
        self.file = self.source = path
        self.file_fingerprint = self.text_fingerprint

    def _copy(self, saving_to: str) -> recovery.RecoveryCopy:
        more: dict[str, Any] = {
            "candidates": [vars(kept) for kept in self.candidates],
            "history": packed(self.state, self.back, self.forth),
        }
        if saving_to:
            more["saving_to"] = saving_to
        if self.problems:
            more["good_text"] = self.good_text  # what the page goes on with after a reload
        return recovery.RecoveryCopy(
            self.key, self.text, self.source, self.file, self.file_fingerprint,
            self.text_fingerprint, more,
        )  # fmt: skip

    def _change_text(self, text: str) -> None:
        """Take a new text; settings keep their meaning where the controller speaks otherwise."""
        before = self.study
        self._change(State(*split(text), self.candidates))
        if before is None or self.study is None or self.problems:
            return
        kept = carried(before, self.study, self.candidates)
        used = carried(before, self.study, () if self.settings is None else (self.settings,))
        self._take(replace(self.state, candidates=kept, settings=used[0] if used else None))

    def _change(self, state: State) -> None:
        if state == self.state:
            return
        self.back = [*self.back, self.state][-MOST_STEPS_BACK:]
        self.forth = []
        self._take(state)

    def _move(self, from_: list[State], to: list[State]) -> None:
        if from_:
            to.append(self.state)
            self._take(from_.pop())
            self.generation += 1

    def _take(self, state: State) -> None:
        if state == self.state and self.study is not None:
            return
        changed = state.text != self.state.text
        self.state = state
        if changed:
            self._judge()
        self.write_copy()

    def _judge(self) -> None:
        found = editing.judge(self.state.text, self.file or self.source, self.study)
        self.study, self.good_text, self.problems = found.study, found.text, found.problems
        self.has_fields = not found.problems or _has_fields(self.state.text)

    def _opened(self, path: str, text: str, source: str) -> None:
        if self.copy_fingerprint and self.differs:
            # what was never saved stays in the copy it has, and is offered as work of another page
            self.key, self.copy_fingerprint = recovery.new_key(), ""
        is_file = bool(path) and not path.startswith("preset:")
        self.file = str(Path(path).absolute()) if is_file else ""
        self.file_fingerprint = files.file_fingerprint(path) if is_file else ""
        self.text_fingerprint = files.fingerprint(text.encode("utf-8"))
        self.source, self.study, self.state = source, None, State(*split(text))
        self.whole = ((self.state.text, self.state.settings), text)
        self.back, self.forth = [], []
        self.generation += 1
        self._judge()
        self.write_copy()

    @staticmethod
    def _check(text: str, file: str) -> None:
        found = editing.judge(text, file)
        if found.problems:
            raise cc.StudyError(found.problems)


def _full(path: str) -> str:
    """Return a path as typed with the user's folder in the place of `~`."""
    return os.path.expanduser(path)  # noqa: PTH111  # a user nobody knows stays as typed


def _has_fields(text: str) -> bool:
    try:
        outline(text)
    except cc.StudyError:
        return False
    return True


def _same(path: str, other: str) -> bool:
    return bool(other) and Path(path).resolve() == Path(other).resolve()
