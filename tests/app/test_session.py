"""What a page remembers: changes, undo, saving, and the copy that survives."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

import chamberctl as cc
from chamberctl.study import preset_path, recovery
from desk.session import Candidate, Session

PRESET = "preset:reference-plant"
VOLUME = "system.chamber.volume"


@pytest.fixture
def session() -> Session:
    return Session.begun(PRESET)


@pytest.fixture
def own(tmp_path: Path) -> Session:
    path = tmp_path / "plant.toml"
    path.write_bytes(preset_path("reference-plant").read_bytes())
    return Session.begun(str(path))


def kept(session: Session) -> recovery.RecoveryCopy:
    copy = recovery.recall(session.key)
    assert copy is not None
    return copy


def test_every_change_is_in_the_recovery_copy_at_once(session: Session) -> None:
    assert kept(session).text == session.text
    session.edit({VOLUME: "600 L"})
    assert "600 L" in kept(session).text
    session.edit({VOLUME: "600 bananas"})
    assert "600 bananas" in kept(session).text
    session.use(Candidate("mine", {"Kc": "2,5"}))
    session.keep_candidate(Candidate("careful", {"Kc": "1"}, "from the commissioning"))
    back = Session.restored(kept(session))
    assert back.state == session.state
    assert back.text == session.text


def test_a_session_comes_back_with_its_last_good_study_where_the_text_is_one(
    session: Session,
) -> None:
    session.edit({VOLUME: "600 L"})
    back = Session.restored(kept(session))
    assert back.study == session.study
    assert back.standing == session.standing


def test_undo_and_redo_go_through_every_kind_of_change(session: Session) -> None:
    states = [session.state]
    session.edit({VOLUME: "600 L"})
    states.append(session.state)
    session.edit({VOLUME: "nonsense"})
    states.append(session.state)
    session.use(Candidate("mine", {"Kc": "2"}))
    states.append(session.state)
    for state in reversed(states[:-1]):
        session.undo()
        assert session.state == state
        assert kept(session).text == state.text
    assert not session.back
    session.undo()
    for state in states[1:]:
        session.redo()
        assert session.state == state
    session.undo()
    session.edit({"title": "another way"})
    assert not session.forth


def test_undo_and_redo_go_on_after_a_reload(session: Session) -> None:
    first = session.state
    session.edit({VOLUME: "600 L"})
    session.use(Candidate("mine", {"Kc": "2,5"}))
    session.edit({VOLUME: "600 bananas"})
    session.edit({"duty.hold_band": "9 %"})
    last = session.state
    session.undo()
    back = Session.restored(kept(session))
    assert (back.back, back.forth) == (session.back, session.forth)
    back.redo()
    assert back.state == last
    for _ in range(4):
        back.undo()
    assert back.state == first
    assert back.study == cc.load(PRESET)
    assert Session.restored(kept(back)).forth == back.forth


def test_opening_another_study_leaves_unsaved_work_in_its_copy(session: Session) -> None:
    session.edit({VOLUME: "600 L"})
    left = session.key
    session.open("preset:student-rig")
    assert session.key != left
    copies = {copy.key: copy for copy in recovery.recent()}
    assert "600 L" in copies[left].text
    assert copies[left].differs
    assert copies[session.key].source == "preset:student-rig"
    study = Session.restored(copies[left]).study
    assert study is not None
    assert study.system.chamber.volume_m3 == pytest.approx(0.6)


def test_opening_another_study_over_saved_work_keeps_the_copy(own: Session) -> None:
    key = own.key
    own.edit({VOLUME: "600 L"})
    own.save()
    own.open("preset:student-rig")
    assert own.key == key
    assert len(recovery.recent()) == 1


def test_a_home_folder_is_known_by_its_sign(
    session: Session, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("HOME", str(tmp_path))
    monkeypatch.setenv("USERPROFILE", str(tmp_path))
    session.save("~/mine.toml")
    assert (tmp_path / "mine.toml").is_file()
    session.edit({VOLUME: "600 L"})
    session.save("~/mine.toml")
    session.open("~/mine.toml")
    assert session.study is not None
    assert session.study.system.chamber.volume_m3 == pytest.approx(0.6)
    with pytest.raises(cc.StudyError, match="no such file"):
        session.open("~nobody-knows-me/mine.toml")


def test_a_record_is_written_onto_what_stands_now(session: Session) -> None:
    session.edit({"controller.as_found": {"Kc": "8", "reading": "log10"}})
    session.record("as_found", "Ti", " 25,5 ")
    assert session.study is not None
    assert session.study.controller.as_found == {"Kc": "8", "reading": "log10", "Ti": "25,5"}
    for name in ("Kc", "Ti", "reading"):
        session.record("as_found", name, "")
    assert session.study.controller.as_found is None


def test_a_text_without_fields_says_so(session: Session) -> None:
    session.edit({VOLUME: "600 bananas"})
    assert session.has_fields
    session.set_text(session.text.replace("[controller]", "[controller"))
    assert not session.has_fields
    assert not Session.restored(kept(session)).has_fields
    session.undo()
    assert session.has_fields


def test_the_last_good_study_goes_on_while_a_field_is_wrong(session: Session) -> None:
    session.edit({VOLUME: "600 bananas"})
    assert session.study is not None
    assert session.study.system.chamber.volume_m3 == 0.5
    assert "bananas" in session.problem_at(VOLUME)
    session.edit({"duty.hold_band": "9 %"})
    assert session.study.duty.hold_band == 0.09
    session.edit({VOLUME: "700 L"})
    assert not session.problems
    assert session.study.system.chamber.volume_m3 == pytest.approx(0.7)
    assert session.study.duty.hold_band == 0.09


def test_what_is_said_of_page_and_file(own: Session, tmp_path: Path) -> None:
    assert own.standing == "saved"
    own.edit({VOLUME: "600 L"})
    assert own.standing == "changed since it was saved"
    own.save()
    assert own.standing == "saved"
    assert cc.load(tmp_path / "plant.toml").system.chamber.volume_m3 == 0.6
    own.undo()
    assert own.standing == "changed since it was saved"


def test_a_preset_gets_a_name_of_your_own_at_its_first_save(
    session: Session, tmp_path: Path
) -> None:
    assert "no file of yours" in session.standing
    with pytest.raises(cc.InputError, match="a name of your own"):
        session.save()
    target = tmp_path / "mine.toml"
    session.save(str(target))
    assert session.file == str(target)
    assert target.read_text(encoding="utf-8") == session.text
    session.edit({VOLUME: "600 L"})
    session.save()
    assert "600 L" in target.read_text(encoding="utf-8")


def test_a_first_save_never_takes_the_place_of_another_file(
    session: Session, tmp_path: Path
) -> None:
    target = tmp_path / "mine.toml"
    target.write_text("theirs")
    with pytest.raises(cc.StudyError, match="another file has"):
        session.save(str(target))
    assert target.read_text() == "theirs"


def test_saving_refuses_a_file_that_changed_since_and_offers_another_name(
    own: Session, tmp_path: Path
) -> None:
    path = tmp_path / "plant.toml"
    theirs = path.read_text(encoding="utf-8").replace("Reference plant", "Theirs")
    path.write_text(theirs, encoding="utf-8")
    own.edit({VOLUME: "600 L"})
    with pytest.raises(cc.StudyError, match="save under another name"):
        own.save()
    assert path.read_text(encoding="utf-8") == theirs
    own.save(str(tmp_path / "other.toml"))
    assert own.file == str(tmp_path / "other.toml")


def test_the_refusal_survives_a_crash(own: Session, tmp_path: Path) -> None:
    own.edit({VOLUME: "600 L"})
    (tmp_path / "plant.toml").write_text("theirs")
    back = Session.restored(kept(own))
    with pytest.raises(cc.StudyError, match="someone else changed"):
        back.save()


@pytest.mark.parametrize("first", [True, False])
def test_a_crash_right_after_a_save_does_not_take_the_own_file_for_a_strangers(
    session: Session, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, first: bool
) -> None:
    target = tmp_path / "mine.toml"
    if not first:
        session.save(str(target))
        session.edit({VOLUME: "600 L"})

    class Crash(Exception):
        pass

    def crash(*_: object) -> None:
        raise Crash

    with monkeypatch.context() as patch:
        patch.setattr(Session, "_saved_to", crash)
        with pytest.raises(Crash):
            session.save(str(target))
    back = Session.restored(kept(session))
    assert back.standing == "saved"
    back.edit({VOLUME: "700 L"})
    back.save()
    assert "700 L" in target.read_text(encoding="utf-8")


def test_a_crash_right_before_a_save_leaves_it_undone(
    own: Session, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    own.edit({VOLUME: "600 L"})
    own.write_copy(saving_to=own.file)
    back = Session.restored(kept(own))
    assert back.standing == "changed since it was saved"
    back.save()
    assert "600 L" in (tmp_path / "plant.toml").read_text(encoding="utf-8")


def test_a_text_that_is_no_study_is_not_saved(own: Session, tmp_path: Path) -> None:
    before = (tmp_path / "plant.toml").read_bytes()
    own.edit({VOLUME: "much"})
    with pytest.raises(cc.StudyError, match="such as '5e-3 mbar'"):
        own.save()
    assert (tmp_path / "plant.toml").read_bytes() == before


def test_two_pages_on_one_copy_each_keep_their_own(session: Session) -> None:
    other = Session.restored(kept(session))
    session.edit({VOLUME: "600 L"})
    other.edit({VOLUME: "700 L"})
    assert other.key != session.key
    assert "600 L" in kept(session).text
    assert "700 L" in kept(other).text


def test_a_broken_upload_changes_nothing(session: Session) -> None:
    before = session.state
    with pytest.raises(cc.StudyError, match=r"mine\.toml"):
        session.take_upload("mine.toml", b"volume = 3")
    with pytest.raises(cc.StudyError, match="1 MB"):
        session.take_upload("big.toml", b"#" * 1_000_001)
    with pytest.raises(cc.StudyError, match="zero byte"):
        session.take_upload("picture.toml", b"\x89PNG\0\0")
    assert session.state == before


def test_an_upload_is_a_study_without_a_file_yet(session: Session) -> None:
    session.take_upload("../../mine.toml", preset_path("student-rig").read_bytes())
    assert session.file == ""
    assert session.download_name == "mine.toml"
    assert session.study == cc.study.loads(session.text)


@pytest.mark.skipif(os.name != "posix" or os.geteuid() == 0, reason="root may write anywhere")
def test_a_copy_that_cannot_be_written_is_said(session: Session, data_folder: Path) -> None:
    (data_folder / "recovery").chmod(0o500)
    session.edit({VOLUME: "600 L"})
    assert session.trouble


def test_a_data_folder_that_is_a_file_is_said(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "file").write_text("x")
    monkeypatch.setenv(recovery.FOLDER_VARIABLE, str(tmp_path / "file"))
    session = Session.begun(PRESET)
    assert "CHAMBERCTL_DATA" in session.trouble
    assert session.study is not None
