"""The report: complete, repeatable, the same numbers as its files, and never over a user's file."""

from __future__ import annotations

import errno
import json
import os
import re
from html.parser import HTMLParser
from importlib.metadata import version
from pathlib import Path

import pytest

import chamberctl as cc
from chamberctl.cautions import GAS_ADVICE
from chamberctl.control.tuning import rule_tuning
from chamberctl.errors import Infeasible
from chamberctl.plant.handle import handle_verdict
from chamberctl.plant.tolerances import toleranced_fields
from chamberctl.report import ReportFiles, folder, margins_text, study_text
from chamberctl.study import loads, preset_path
from tests import studies

QUICK = ("crystal-furnace", "reference-plant")
PRESETS = [
    name if name in QUICK else pytest.param(name, marks=pytest.mark.thorough)
    for name in sorted(cc.presets())
]
HANGS_ON = "What window, authority and margins hang on, the strongest first"
#: Elements that fetch something, and attributes that would.
FETCHING = {"script", "link", "img", "iframe", "object", "embed", "video", "audio", "source"}


class Page(HTMLParser):
    """The parts of a page that tests look at: elements, words, tables as rows of cells."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self.words: list[str] = []
        self.tables: dict[str, list[list[str]]] = {}
        self._rows: list[list[str]] = []
        self._caption = ""
        self._open: list[str] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, dict(attrs)))
        self._open.append(tag)
        if tag == "table":
            self._rows, self._caption = [], ""
        elif tag == "tr":
            self._rows.append([])
        elif tag in ("td", "th"):
            self._rows[-1].append("")

    def handle_endtag(self, tag: str) -> None:
        while self._open and self._open.pop() != tag:
            pass
        if tag == "table":
            self.tables[self._caption.strip() or " ".join(self._rows[0])] = self._rows

    def handle_data(self, data: str) -> None:
        if "style" in self._open:
            return
        self.words.append(data)
        if "caption" in self._open:
            self._caption += data
        elif ("td" in self._open or "th" in self._open) and self._rows:
            self._rows[-1][-1] += data

    @property
    def text(self) -> str:
        return " ".join(" ".join(self.words).split())

    def sections(self) -> list[str]:
        return [str(a["id"]) for tag, a in self.elements if tag == "h2"]


@pytest.fixture(scope="module", params=PRESETS)
def written(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> tuple[ReportFiles, cc.Study, cc.Tuning]:
    study = cc.load(f"preset:{request.param}")
    tuning = rule_tuning(study)
    return cc.write_report(study, tuning, tmp_path_factory.mktemp("report")), study, tuning


@pytest.fixture(scope="module")
def page(written: tuple[ReportFiles, cc.Study, cc.Tuning]) -> Page:
    return Page(written[0].html.read_text(encoding="utf-8"))


@pytest.fixture(scope="module")
def refused(tmp_path_factory: pytest.TempPathFactory) -> tuple[ReportFiles, Page]:
    """A report without settings: 5 mbar cannot be held at 60 mbar L/s."""
    study = loads(studies.reference_text([("5 mbar", ("60 mbar L/s",))]))
    with pytest.raises(Infeasible) as caught:
        rule_tuning(study)
    files = cc.write_report(study, caught.value, tmp_path_factory.mktemp("no"))
    return files, Page(files.html.read_text(encoding="utf-8"))


@pytest.fixture
def words_only(monkeypatch: pytest.MonkeyPatch) -> None:
    """Leave the pictures out, for tests that read words: drawing takes longer than all else."""
    monkeypatch.setattr("chamberctl.figures.to_svg", lambda figure, name: "<svg></svg>")


def test_the_sections_follow_each_other_as_they_are_read(
    page: Page, written: tuple[ReportFiles, cc.Study, cc.Tuning]
) -> None:
    assert page.sections() == [
        "record", "study", "window", "handle", "settings", "restore", "margins", "rules",
        "frequency", "responses", "behavior", "reading", "influence", "assumptions", "cautions",
        "words", "recompute", "signatures",
    ]  # fmt: skip
    answer = "YES" if written[2].holds else "NO"
    assert page.text.index(answer) < page.text.index("Record")


def test_the_page_stands_alone(page: Page) -> None:
    assert ("html", {"lang": "en"}) in page.elements
    for tag, attributes in page.elements:
        assert tag not in FETCHING
        for name in ("src", "href", "xlink:href", "data", "action"):
            assert (attributes.get(name) or "#").startswith("#")
        assert "url(http" not in (attributes.get("style") or "")
        assert not any(name.startswith("on") for name in attributes)
    ids = [a["id"] for _, a in page.elements if a.get("id")]
    assert len(ids) == len(set(ids))


def test_every_picture_has_a_text_alternative(page: Page) -> None:
    pictures = [a for tag, a in page.elements if tag == "svg"]
    assert len(pictures) == 10
    for attributes in pictures:
        assert attributes["role"] == "img"
        assert len(attributes["aria-label"] or "") > 40


def test_every_caution_is_there_in_full(page: Page, refused: tuple[ReportFiles, Page]) -> None:
    for one in (page, refused[1]):
        for caution in cc.CAUTIONS:
            assert f"{caution.title}. {caution.text}" in one.text.replace(" . ", ". ")
        assert one.text.index("not a safety function") < one.text.index("Record")


def test_the_action_is_a_sentence_with_a_check(
    page: Page, refused: tuple[ReportFiles, Page]
) -> None:
    """A33: pressure above setpoint -> speed up, with a manual check step, in every report."""
    for one in (page, refused[1]):
        assert "Pressure above setpoint -> speed must go up." in one.text
        assert "manual" in one.text.lower()
        assert "FALL" in one.text


def test_every_field_is_listed_as_typed_with_its_basis(
    page: Page, written: tuple[ReportFiles, cc.Study, cc.Tuning]
) -> None:
    study = written[1]
    given = next(rows for name, rows in page.tables.items() if "As typed" in rows[0])
    assert len(given) - 1 == len(study_text.given(study).rows)
    cells = {(row[2], row[3]) for row in given[1:]}
    for path, value in study.provenance.items():
        if value.basis in ("measured", "data sheet", "assumed") and "as_found" not in path:
            assert (value.typed, value.basis) in cells, path
    assumed = sum(tag == "span" and a.get("class") == "assumed" for tag, a in page.elements)
    counted = study_text.bases(study)
    varied = sum(row[1] == "assumed" for row in page.tables[HANGS_ON])
    assert assumed == counted["assumed"] + counted["default"] + varied


def test_speed_as_a_handle_and_what_the_answer_hangs_on(
    page: Page, written: tuple[ReportFiles, cc.Study, cc.Tuning], refused: tuple[ReportFiles, Page]
) -> None:
    verdict = handle_verdict(written[1])
    assert verdict.sentence in page.text
    rows = page.tables["Speed and its alternatives over the duty"]
    assert [row[0] for row in rows[1:]] == [h.name for h in verdict.handles if h.computed]
    assert GAS_ADVICE in page.text
    assert len(page.tables[HANGS_ON]) - 1 >= len(toleranced_fields(written[1]))
    assert "Ms" in " ".join(page.tables[HANGS_ON][0])
    without = refused[1]
    assert "Speed is the wrong handle for this duty" in without.text
    assert "margins were not looked at" in without.text
    assert "Ms" not in " ".join(without.tables[HANGS_ON][0])


def test_the_settings_carry_units_spans_and_every_notation(
    page: Page, written: tuple[ReportFiles, cc.Study, cc.Tuning]
) -> None:
    _, study, tuning = written
    rows = page.tables["Settings in this controller's form"][1:]
    assert [row[:3] for row in rows] == [[r.label, r.text, r.unit] for r in tuning.typed.rows]
    for words in (
        tuning.typed.language.reading_span_text,
        tuning.typed.language.output_span_text,
        "Start output",
        "On a bad reading",
        "Switch to automatic at",
        "Scan time",
    ):
        assert words in page.text
    rows = page.tables["The same settings in other notations"][1:]
    gain = next(row[2] for row in rows if row[1] == "Gain")
    own = study.controller.output_unit
    assert all(f" {unit}" in gain for unit in ("%/%", "%/decade", f"{own}/decade"))
    assert "repeats/min" in next(row[2] for row in rows if row[1] == "Integral action")
    assert study.controller.tag in page.text


def test_the_page_shows_the_margins_that_loop_json_holds(
    page: Page, written: tuple[ReportFiles, cc.Study, cc.Tuning]
) -> None:
    files, study, tuning = written
    assert files.loop_json is not None
    loop = json.loads(files.loop_json.read_text(encoding="utf-8"))
    rows = page.tables["Margins with the settings as typed in"][1:]
    assert len(rows) == len(loop["points"]) == len(study.duty_points()) - len(tuning.refused)
    for row, point, tuned in zip(rows, loop["points"], tuning.points, strict=True):
        margins = point["margins"]
        shown = [float(cell) for cell in (row[4], row[5], row[7], row[8], row[9], row[10])]
        names = ("ms", "gain_margin", "phase_margin_deg", "delay_margin_s", "mt", "disk_margin")
        assert shown == pytest.approx([margins[name] for name in names], rel=6e-3)
        assert float(row[1]) == pytest.approx(tuned.point.indicated_pa / 100, rel=6e-3)
        assert float(row[2]) == pytest.approx(tuned.point.pressure_pa / 100, rel=6e-3)
        assert row[-1] == "holds"
    worst = page.tables["The worst of each margin, and what rounding changed"]
    points = [row[1] for row in page.tables["Where each duty point lies"][1:]]
    for row, name in zip(worst[1:], margins_text.NAMES, strict=True):
        if row[3]:
            assert points[int(row[3]) - 1] == loop["worst"][name]["point"], name
    ms = next(row for row in worst if row[0] == "Ms")
    assert float(ms[2]) == pytest.approx(loop["worst"]["ms"]["value"], rel=6e-3)


@pytest.mark.slow
def test_the_same_study_makes_the_same_report_but_for_its_date(
    written: tuple[ReportFiles, cc.Study, cc.Tuning], tmp_path: Path
) -> None:
    files, study, _ = written
    again = cc.write_report(study, rule_tuning(study), tmp_path)
    for name in ("loop_json", "gains_csv", "study"):
        assert getattr(files, name).read_bytes() == getattr(again, name).read_bytes()
    date = re.compile(r"(Report made on</dt><dd>)[^<]+")
    first, second = (date.sub(r"\1", f.html.read_text(encoding="utf-8")) for f in (files, again))
    assert first == second


def test_the_copy_of_the_study_is_the_study_and_its_hash_is_printed(
    page: Page, written: tuple[ReportFiles, cc.Study, cc.Tuning]
) -> None:
    files, study, _ = written
    name = study.file.removeprefix("preset:")
    assert files.study.read_bytes() == preset_path(name).read_bytes()
    assert folder.sha256(files.study.read_bytes()) in page.text
    assert f"control {version('control')}" in page.text


def test_no_settings_means_no_gains_anywhere(refused: tuple[ReportFiles, Page]) -> None:
    """A04: the report is headed by the no, says why in one sentence and prints no gains."""
    files, page = refused
    assert files.loop_json is None
    assert files.gains_csv is None
    assert page.text.index("NO") < page.text.index("Record")
    assert "5 mbar is not reachable at a gas load of 60 mbar L/s" in page.text
    assert "Settings in this controller's form" not in page.tables
    assert "margins" not in page.sections()
    assert "None: none of the 1 duty points can be held by speed." in page.text


@pytest.mark.usefixtures("words_only")
def test_true_and_indicated_pressure_stand_side_by_side(tmp_path: Path) -> None:
    """A18: a gas factor of 1.7 makes 1 mbar indicated 1.7 mbar true; both are shown."""
    text = studies.reference_text([("1 mbar", ("100 mbar L/s",))])
    factor = text.replace('kind = "capacitance"', 'kind = "thermal"\ngas_factor = "1.7"')
    study = loads(factor)
    page = Page(
        cc.write_report(study, rule_tuning(study), tmp_path).html.read_text(encoding="utf-8")
    )
    assert page.tables["Where each duty point lies"][1][2:4] == ["1", "1.7"]
    assert page.tables["Margins with the settings as typed in"][1][1:3] == ["1", "1.7"]
    assert "1 mbar indicated, 1.7 mbar true" in page.text


@pytest.mark.usefixtures("words_only")
def test_a_study_cannot_write_into_the_page(tmp_path: Path) -> None:
    text = preset_path("reference-plant").read_text(encoding="utf-8")
    evil = text.replace('title = "Reference plant"', 'title = "</title><script>alert(1)</script>"')
    evil = evil.replace('tag = "PIC-101"', "tag = '\"><img src=x onerror=alert(1)>'")
    study = loads(evil)
    html = cc.write_report(study, rule_tuning(study), tmp_path).html.read_text(encoding="utf-8")
    assert "<script" not in html
    assert "<img" not in html
    assert "&lt;script&gt;" in html


@pytest.mark.usefixtures("words_only")
@pytest.mark.slow
def test_a_yes_says_at_its_head_what_alone_would_make_it_a_no(tmp_path: Path) -> None:
    """Gas compressed without heat from the walls would take the furnace's Ms over its limit."""
    study = cc.load("preset:crystal-furnace")
    page = Page(
        cc.write_report(study, rule_tuning(study), tmp_path).html.read_text(encoding="utf-8")
    )
    head = page.text[: page.text.index("Record")]
    assert "YES" in head
    assert "these inputs alone can push it over the duty's limit of 2" in head
    assert "without heat from the walls" in head


@pytest.mark.usefixtures("words_only")
def test_margins_not_kept_head_the_report(tmp_path: Path) -> None:
    text = preset_path("reference-plant").read_text(encoding="utf-8")
    study = loads(text.replace("ms = { is = 2.0", "ms = { is = 1.2"))
    tuning = rule_tuning(study)
    page = Page(cc.write_report(study, tuning, tmp_path).html.read_text(encoding="utf-8"))
    assert not tuning.holds
    head = page.text[: page.text.index("Record")]
    assert "NO" in head
    assert "fails: Ms" in head
    assert "do not keep the margins asked for" in head
    assert "not released" in page.text
    verdicts = [row[-1] for row in page.tables["Margins with the settings as typed in"][1:]]
    assert all(verdict.startswith("fails: Ms") for verdict in verdicts)


@pytest.mark.usefixtures("words_only")
def test_settings_that_the_decimals_cannot_hold_are_not_called_typed_in(tmp_path: Path) -> None:
    text = preset_path("reference-plant").read_text(encoding="utf-8")
    text = text.replace('reading = "log10"', 'reading = "linear"\ndecimals = { gain = 0 }')
    text = text.replace('gain_as = "gain"', 'gain_as = "engineering"')
    study = loads(text.replace('reading_unit = "mbar"', 'reading_unit = "Pa"'))
    page = Page(
        cc.write_report(study, rule_tuning(study), tmp_path).html.read_text(encoding="utf-8")
    )
    assert "NO" in page.text[: page.text.index("Record")]
    assert not any("as typed in" in caption for caption in page.tables)
    assert any("decimals cannot hold" in caption for caption in page.tables)


# The folder

OLD = {"report.html": b"old", "loop.json": b"{}", "study.toml": b"s"}
NEW = {"report.html": b"new", "study.toml": b"s"}


def listing(path: Path) -> dict[str, bytes]:
    return {p.name: p.read_bytes() for p in path.iterdir()}


def test_an_earlier_report_is_replaced_and_its_leftovers_removed(tmp_path: Path) -> None:
    folder.write_files(tmp_path, OLD)
    (tmp_path / "notes.txt").write_bytes(b"mine")
    folder.write_files(tmp_path, NEW)
    found = listing(tmp_path)
    assert found.pop(folder.REPORT.list_name)
    assert found == {**NEW, "notes.txt": b"mine"}


@pytest.mark.parametrize("name", ["report.html", "study.toml"])
def test_a_file_of_the_users_is_never_overwritten(tmp_path: Path, name: str) -> None:
    (tmp_path / name).write_bytes(b"mine")
    with pytest.raises(cc.InputError, match="move it away"):
        folder.write_files(tmp_path, NEW)
    assert listing(tmp_path) == {name: b"mine"}


def test_a_report_file_that_the_user_changed_is_the_users(tmp_path: Path) -> None:
    folder.write_files(tmp_path, OLD)
    (tmp_path / "report.html").write_bytes(b"with my remarks")
    (tmp_path / "loop.json").write_bytes(b"changed")
    before = listing(tmp_path)
    with pytest.raises(cc.InputError, match=r"report\.html"):
        folder.write_files(tmp_path, NEW)
    assert listing(tmp_path) == before
    (tmp_path / "report.html").unlink()
    folder.write_files(tmp_path, NEW)
    assert (tmp_path / "loop.json").read_bytes() == b"changed"


def test_a_report_beside_the_study_itself_is_possible(tmp_path: Path) -> None:
    (tmp_path / "study.toml").write_bytes(b"s")
    folder.write_files(tmp_path, NEW)
    assert listing(tmp_path)["report.html"] == b"new"


RUNS = folder.Kind("the runs", "--csv", "runs.json", "runs/1", clears=False)


def test_runs_are_added_to_a_folder_and_nothing_is_removed(tmp_path: Path) -> None:
    folder.write_files(tmp_path, NEW)
    folder.write_files(tmp_path, {"a.csv": b"1", "b.csv": b"2"}, RUNS)
    folder.write_files(tmp_path, {"b.csv": b"3"}, RUNS)
    found = listing(tmp_path)
    assert (found["a.csv"], found["b.csv"], found["report.html"]) == (b"1", b"3", b"new")
    (tmp_path / "a.csv").write_bytes(b"mine")
    folder.refuse_taken(tmp_path, ["b.csv", "c.csv"], RUNS)
    with pytest.raises(cc.InputError, match=r"--csv.*a\.csv.*not of the runs made here before"):
        folder.refuse_taken(tmp_path, ["a.csv"], RUNS)
    with pytest.raises(cc.InputError, match="move it away"):
        folder.write_files(tmp_path, {"report.html": b"4"}, RUNS)
    folder.write_files(tmp_path, OLD)
    assert listing(tmp_path)["b.csv"] == b"3"


def test_a_link_is_not_followed(tmp_path: Path) -> None:
    elsewhere = tmp_path / "elsewhere"
    elsewhere.write_bytes(b"mine")
    out = tmp_path / "out"
    out.mkdir()
    (out / "report.html").symlink_to(elsewhere)
    with pytest.raises(cc.InputError, match="move it away"):
        folder.write_files(out, NEW)
    assert elsewhere.read_bytes() == b"mine"


def test_a_strange_list_is_refused(tmp_path: Path) -> None:
    (tmp_path / folder.REPORT.list_name).write_text('{"format": "something else"}')
    with pytest.raises(cc.InputError, match=folder.REPORT.list_name):
        folder.write_files(tmp_path, NEW)


@pytest.mark.parametrize("allowed", range(3))
def test_a_full_disk_loses_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, allowed: int
) -> None:
    """Whichever write fails first, the earlier report is as it was."""
    folder.write_files(tmp_path, OLD)
    before = listing(tmp_path)
    real, written = folder._write, []

    def full(path: Path, data: bytes) -> None:
        written.append(path)
        if len(written) > allowed:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        real(path, data)

    monkeypatch.setattr(folder, "_write", full)
    with pytest.raises(cc.InputError, match="No space left on device"):
        folder.write_files(tmp_path, NEW)
    assert listing(tmp_path) == before
