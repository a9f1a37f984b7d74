"""The documentation is true: its code runs, its commands print what it shows, its links hold."""

from __future__ import annotations

import doctest
import importlib
import inspect
import re
import runpy
import shlex
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

import pytest

from chamberctl.cautions import CAUTIONS
from tests.house import CHECKOUT, MODULES

PAGES = [
    CHECKOUT / "README.md",
    CHECKOUT / "DEVELOPERS.md",
    *sorted((CHECKOUT / "docs").rglob("*.md")),
]
NAMES = [page.relative_to(CHECKOUT).as_posix() for page in PAGES]

#: Commands that install something are tried in .ci/run.
INSTALLS = re.compile(r"pip install|\bruff\b|\bpytest\b|tests\.(benchmarks|mutation)|docs/make_")


class Block(NamedTuple):
    language: str
    text: str


def blocks(page: Path) -> Iterator[Block]:
    text = page.read_text(encoding="utf-8")
    for match in re.finditer(r"^```(\w+)\n(.*?)^```$", text, flags=re.MULTILINE | re.DOTALL):
        yield Block(match[1], match[2])


@pytest.mark.parametrize("page", PAGES, ids=NAMES)
def test_links_lead_somewhere(page: Path) -> None:
    text = re.sub(r"^```.*?^```$", "", page.read_text("utf-8"), flags=re.MULTILINE | re.DOTALL)
    for target in re.findall(r"\]\(([^)#\s]+)[^)]*\)", text):
        assert "://" not in target, f"{target}: chamberctl's documentation works offline"
        assert (page.parent / target).exists(), f"{page.name} links to {target}"


#: Pages whose examples make reports or propose settings, for seconds.
LONG = (
    "README.md", "docs/how-to/report-for-your-plant.md", "docs/reference/cli.md",
    "docs/how-to/check-with-other-software.md", "docs/tutorials/first-hold-loop.md",
)  # fmt: skip


@pytest.mark.parametrize(
    "page",
    [
        pytest.param(page, id=name, marks=pytest.mark.slow if name in LONG else [])
        for page, name in zip(PAGES, NAMES, strict=True)
    ],
)
def test_examples_run_and_print_what_is_shown(
    page: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """Blocks of one page run in order in one folder.

    ``python`` is executed; ``sh`` lines that call chamberctl must end well; ``console`` shows
    commands behind "$ " with their output, where a line "..." stands for any number of lines;
    ``toml`` under a comment "# FILE.toml" is written to that file.
    """
    monkeypatch.chdir(tmp_path)
    namespace: dict[str, object] = {}
    for block in blocks(page):
        if block.language == "python":
            exec(compile(block.text, str(page), "exec"), namespace)
        elif block.language == "sh":
            for line in block.text.splitlines():
                if not INSTALLS.search(line):
                    command(line)
        elif block.language == "console":
            for line, shown in dialogs(block.text):
                capsys.readouterr()
                command(line)
                assert_shown(shown, capsys.readouterr().out, f"{page.name}: {line}")
        elif block.language == "toml" and (name := re.match(r"# (\S+\.toml)\n", block.text)):
            Path(name[1]).write_text(block.text, encoding="utf-8")


def command(line: str) -> None:
    """Run one line that calls chamberctl; "# exit 1" behind it states another status than 0."""
    from chamberctl.cli import main

    words = shlex.split(line, comments=True)
    assert words, "an empty command line"
    assert words[0].endswith("chamberctl"), f"the tests cannot run: {line}"
    stated = re.search(r"# exit (\d)$", line)
    assert main(words[1:]) == int(stated[1] if stated else 0), line


def dialogs(text: str) -> Iterator[tuple[str, list[str]]]:
    parts = re.split(r"^\$ (.*)\n", text, flags=re.MULTILINE)
    for line, shown in zip(parts[1::2], parts[2::2], strict=True):
        yield line, shown.splitlines()


def assert_shown(shown: list[str], printed: str, place: str) -> None:
    pattern = "".join(
        r"(?:.*\n)*?" if line.strip() == "..." else re.escape(line.rstrip()) + r"[ ]*\n"
        for line in shown
    )
    assert re.fullmatch(pattern, printed), f"{place} prints\n{printed}"


PHYSICS = [name for name in MODULES if name.startswith("chamberctl.physics.")]


@pytest.mark.parametrize("module", PHYSICS)
def test_every_formula_stands_in_the_page_of_equations(module: str) -> None:
    """Each public function of physics is named in a heading, so that its formula is looked for."""
    text = (CHECKOUT / "docs" / "explanation" / "equations.md").read_text("utf-8")
    headings = [line for line in text.splitlines() if line.startswith("#")]
    named = set(re.findall(r"`(\w+)`", " ".join(headings)))
    for name, thing in vars(importlib.import_module(module)).items():
        if inspect.isfunction(thing) and thing.__module__ == module and not name.startswith("_"):
            assert name in named, f"{module}.{name} has no formula in equations.md"


def test_the_page_of_equations_says_of_each_where_it_holds_and_where_it_comes_from() -> None:
    text = (CHECKOUT / "docs" / "explanation" / "equations.md").read_text("utf-8")
    for section in re.split(r"^## ", text, flags=re.MULTILINE)[1:]:
        if "\n    " in section:
            plain = " ".join(section.split()).lower()
            for word in ("*holds*", "*source", "*not modeled*"):
                assert word in plain, f"{section.splitlines()[0]}: no {word}"


@pytest.mark.parametrize("module", MODULES)
def test_examples_in_docstrings_print_what_is_shown(module: str) -> None:
    failed, _ = doctest.testmod(importlib.import_module(module), verbose=False)
    assert not failed


def test_the_page_of_fields_is_the_one_written_from_the_declarations() -> None:
    written = runpy.run_path(str(CHECKOUT / "docs" / "make_study_page.py"))["page"]()
    current = (CHECKOUT / "docs" / "reference" / "study.md").read_text("utf-8") == written
    assert current, "write it anew: python docs/make_study_page.py"


def test_the_readme_carries_every_caution() -> None:
    text = (CHECKOUT / "README.md").read_text("utf-8").lower()
    assert "not a safety function" in text
    for words in ("oxidizing", "overpressure and underpressure", "hot pumps", "emergency stop"):
        assert words in text
    assert "local codes" in text
    assert len(CAUTIONS) >= 7


def test_the_readme_starts_with_the_job_and_two_one_line_commands() -> None:
    text = (CHECKOUT / "README.md").read_text("utf-8")
    first = text.split("\n\n")[1]
    for word in ("process engineer", "technician", "student", "gains", "margins", "report"):
        assert word in first
    lines = [line for line in text.splitlines() if line.startswith("python3 -m venv .venv && ")]
    assert len(lines) == 2
    assert text.index(lines[-1]) < text.index("![")
