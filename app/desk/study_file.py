"""Opening and saving: presets, uploads, files by path, and work that was left unsaved."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import streamlit as st

import chamberctl as cc
from chamberctl.study import recovery
from chamberctl.study.files import named
from chamberctl.study.unsaved import changes_of, title_of
from desk.entered import entered
from desk.findings import show_problems
from desk.session import Session

_ARRIVED, _PRESET_OF = "file:arrived", "file:preset of"


def show(session: Session) -> None:
    """Draw the part of the page that opens and saves."""
    _say(session)
    left, middle, right = st.columns(3)
    with left:
        _preset(session)
    with middle:
        _file(session)
    with right:
        _save(session)
    _earlier(session)


def _say(session: Session) -> None:
    """Show what the last opening or saving came to, once."""
    said = st.session_state.pop("file:said", None)
    if isinstance(said, cc.InputError):
        show_problems("Not done", said.problems)
    elif said:
        st.success(f"✓ {said}")


def _preset(session: Session) -> None:
    def take() -> None:
        _try(lambda: session.open(f"preset:{entered('file:preset')}"), "Opened.")

    names = list(cc.presets())
    if "file:preset" not in st.session_state or st.session_state.get(_PRESET_OF) != session.source:
        name = session.source.removeprefix("preset:")
        st.session_state["file:preset"] = name if name in names else None
        st.session_state[_PRESET_OF] = session.source
    chosen = st.selectbox("Preset", names, None, key="file:preset", placeholder="choose one")
    st.button("Open this preset", key="file:open preset", on_click=take, width="stretch",
              disabled=chosen is None)  # fmt: skip


def _file(session: Session) -> None:
    def take_path() -> None:
        _try(lambda: session.open(entered("file:path").strip()), "Opened.")

    def take_upload() -> None:
        upload = entered(key)
        if upload is not None:
            _try(lambda: session.take_upload(upload.name, upload.getvalue()), "Opened.")

    key = f"file:upload:{session.generation}"
    st.file_uploader(
        "Study file from anywhere (TOML, at most 1 MB)", type="toml", max_upload_size=1, key=key,
        on_change=take_upload,
    )  # fmt: skip
    st.text_input("Or its path on this computer", key="file:path")
    st.button("Open this file", key="file:open path", on_click=take_path, width="stretch")


def _save(session: Session) -> None:
    def take() -> None:
        name = entered("file:save").strip()
        name = name if name == session.file else named(name)
        _try(lambda: session.save(name), lambda: f"Saved to {session.file}.")

    if session.file:
        st.text_input("Save to (empty: the file it came from)", key="file:save",
                      placeholder=session.file)  # fmt: skip
    else:
        st.text_input("Save to: a name of your own", key="file:save",
                      placeholder=str(Path.cwd().joinpath("my-plant.toml")))  # fmt: skip
    st.button("Save the study", key="file:save it", on_click=take, width="stretch")
    st.download_button(
        "Download the study", session.text, file_name=session.download_name,
        mime="application/toml", on_click="ignore", width="stretch",
    )  # fmt: skip


def arrive(session: Session, source: str, what: str) -> None:
    """Open a study from another view; what it is is said where the page goes on with it."""
    left = session.differs
    session.open(source)
    kept = ' What you had before and did not save is listed under "Open another study".'
    st.session_state[_ARRIVED] = f"Opened: {what}{kept if left else ''}"


def say_arrived() -> None:
    """Say once what another view opened."""
    if said := st.session_state.pop(_ARRIVED, ""):
        st.success(f"✓ {said}")


def say_unsaved(session: Session) -> None:
    """On a page where nothing was done yet, say that there is unsaved work of other pages."""
    if not session.differs and not session.back and _unsaved(session):
        st.markdown(
            "**i Unsaved work** of other pages is kept on this computer: it is listed under "
            '"Open another study".'
        )


def _unsaved(session: Session) -> list[recovery.RecoveryCopy]:
    return [copy for copy in recovery.recent() if copy.key != session.key and copy.differs]


def _earlier(session: Session) -> None:
    """Offer work of other pages that was never saved."""
    found = _unsaved(session)
    if not found:
        return
    st.markdown("**Unsaved work of other pages,** kept on this computer:")
    for copy in found[:5]:
        columns = st.columns([5, 1, 1], vertical_alignment="center")
        columns[0].markdown(_told_apart(copy))
        columns[1].button("Continue", key=f"go:{copy.key}", on_click=_continue, args=(copy,))
        columns[2].button("Forget", key=f"no:{copy.key}", on_click=recovery.forget,
                          args=(copy.key,))  # fmt: skip


def _told_apart(copy: recovery.RecoveryCopy) -> str:
    """Say of work of another page what it is, when it was changed, and in what."""
    line, more = changes_of(copy)
    words = [f"`{copy.source}`", title_of(copy), f"last changed {copy.saved_at_text}"]
    if line:
        further = f" and {more} more" if more else ""
        words.append(f"changed: `` {line} ``{further}")
    return " · ".join(filter(None, words))


def _continue(copy: recovery.RecoveryCopy) -> None:
    st.session_state["session"] = Session.restored(copy)
    st.query_params["s"] = copy.key


def _try(action: Callable[[], None], done: str | Callable[[], str]) -> None:
    try:
        action()
    except cc.InputError as error:
        st.session_state["file:said"] = error
    else:
        st.session_state["file:said"] = done if isinstance(done, str) else done()
