"""The command line: what it prints, its exit status, and what happens when something goes wrong."""

from __future__ import annotations

import contextlib
import json
import os
import re
import signal
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

import chamberctl as cc
from chamberctl.cli import main
from chamberctl.cli import progress as progress_module
from chamberctl.study import preset_path
from tests import studies

CHECKOUT = Path(__file__).resolve().parent.parent
FIVE_MBAR = ("5 mbar", ("60 mbar L/s", "120 mbar L/s", "250 mbar L/s"))


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str]) -> Callable[..., tuple[int, str, str]]:
    def call(*arguments: str) -> tuple[int, str, str]:
        status = main(arguments)
        shown = capsys.readouterr()
        return status, shown.out, shown.err

    return call


@pytest.fixture(autouse=True)
def _words_only(monkeypatch: pytest.MonkeyPatch) -> None:
    """Leave the report's pictures out: they have tests of their own and take longest."""
    monkeypatch.setattr("chamberctl.figures.to_svg", lambda figure, name: "<svg></svg>")


def rows(text: str, caption: str) -> list[list[str]]:
    """Return the cells of one table of the output, two blanks apart."""
    lines = text.split(caption)[1].split("\n\n")[0].splitlines()
    body = next(i for i, line in enumerate(lines) if line.startswith("---"))
    return [re.split(r" {2,}", line.strip()) for line in lines[body + 1 :]]


def no_constants(text: str) -> Any:
    """Read JSON that must not hold NaN or Infinity."""

    def refuse(word: str) -> None:
        raise AssertionError(word)

    return json.loads(text, parse_constant=refuse)


# What the commands say


def test_the_window_of_the_reference_plant_and_the_point_out_of_reach(
    run: Any, tmp_path: Path
) -> None:
    """A01: 60, 120 and 250 mbar L/s reach 0.6-3, 1.2-6 and 2.5-12.5 mbar; 5 mbar at 60 is not."""
    status, out, _ = run("window", studies.reference_study(tmp_path, FIVE_MBAR))
    assert status == 1
    assert [row[:3] for row in rows(out, "Pressures that can be held")] == [
        ["60", "0.6", "3"],
        ["120", "1.2", "6"],
        ["250", "2.5", "12.5"],
    ]
    first, *others = rows(out, "Where each duty point lies")
    assert first[1] == "5 mbar at 60 mbar L/s"
    assert first[-1] == "not reachable"
    assert all("not reachable" not in " ".join(row) for row in others)
    assert "2 of 3 duty points" in out


def test_down_and_up_differ_and_where_it_cannot_rise(run: Any, tmp_path: Path) -> None:
    """A02: at 5 mbar and 250 mbar L/s 0.50 mbar/s down, 0.30 up; at 60 mbar L/s it cannot rise."""
    _, out, _ = run("window", studies.reference_study(tmp_path, FIVE_MBAR))
    answers = rows(out, "How each duty point answers")
    assert answers[2][-2:] == ["0.5", "0.3"]
    assert answers[0][-1] == "cannot rise"


def test_the_operating_point_of_the_reference_plant(run: Any, tmp_path: Path) -> None:
    """A03: 5 mbar at 250 mbar L/s is held at 50 % or 25 Hz, -0.10 mbar per %, 10 s."""
    path = studies.reference_study(tmp_path, ("5 mbar", ("250 mbar L/s",)))
    status, out, _ = run("window", path)
    assert status == 0
    assert rows(out, "Where each duty point lies")[0][2:7] == ["5", "5", "250", "50", "25"]
    answer = rows(out, "How each duty point answers")[0]
    assert answer[4:6] == ["-0.1", "10"]


def test_the_window_says_whether_speed_is_the_handle_and_what_it_hangs_on(
    run: Any, tmp_path: Path
) -> None:
    path = studies.reference_study(tmp_path, FIVE_MBAR)
    _, out, _ = run("window", path)
    said = " ".join(out.split())
    assert "Is speed the right handle? With conditions. Speed is the right handle only in" in said
    assert "point 1" in said
    handles = rows(out, "Speed and its alternatives over the duty")
    assert handles[0][:3] == ["speed, plant as it is", "2 of 3", "5"]
    hangs = rows(out, "What window, authority and margins hang on")
    pump = next(row for row in hangs if row[0] == "backing pump: displacement")
    assert pump[1:6] == ["assumed", "5", "+5.3 / -4.8", "+5.3 / -4.8", "1"]
    _, out, _ = run("window", path, "--json")
    answer = no_constants(out)
    assert answer["handle"]["verdict"] == "conditional"
    assert answer["handle"]["failing"] == [1]
    inputs = {entry["path"]: entry for entry in answer["influence"]["inputs"]}
    entry = inputs["system.backing.displacement"]
    assert entry["effects"][1]["lowest_pressure_change"] == pytest.approx(1.0 / 1.05 - 1.0)


def test_a_window_without_settings_still_ranks_its_inputs(run: Any, tmp_path: Path) -> None:
    path = studies.reference_study(tmp_path, ("5 mbar", ("60 mbar L/s",)))
    status, out, _ = run("window", path)
    assert status == 1
    assert "margins were not looked at" in " ".join(out.split())
    assert rows(out, "What window, authority and margins hang on")


def test_two_studies_side_by_side(run: Any, tmp_path: Path) -> None:
    """The status says whether the second holds the duty of the first."""
    text = studies.reference_text([("5 mbar", ("120 mbar L/s", "250 mbar L/s"))])
    first = studies.write(tmp_path, text)
    larger = text.replace('displacement = { is = "100 L/s"', 'displacement = { is = "125 L/s"')
    second = studies.write(tmp_path, larger, "second.toml")
    status, out, _ = run("window", first, second)
    assert status == 1
    assert "backing pump: displacement 100 L/s -> 125 L/s" in " ".join(out.split())
    assert rows(out, "Duty points of the first study in both")[1][1:6] == [
        "5 mbar at 250 mbar L/s", "50", "40", "1", "1"
    ]  # fmt: skip
    assert rows(out, "Pressures that can be held")[0] == ["120", "120", "1.2", "0.96", "6", "4.8"]
    status, out, _ = run("window", second, first, "--json")
    answer = no_constants(out)
    assert status == 0
    assert answer["good"]
    assert answer["points"][1]["second"]["speed"] == pytest.approx(0.5)
    assert answer["changes"][0]["second"] == "100 L/s"
    assert answer["cautions"]


def test_no_equilibrium_no_gains_and_one_sentence(run: Any, tmp_path: Path) -> None:
    """A04: outside the window there are no gains, and the reason is one sentence."""
    path = studies.reference_study(tmp_path, ("5 mbar", ("60 mbar L/s",)))
    status, out, _ = run("tune", path)
    assert status == 1
    assert out.splitlines()[0].endswith("NO")
    assert "Type in" not in out
    assert "5 mbar is not reachable at a gas load of 60 mbar L/s" in " ".join(out.split())
    status, out, _ = run("tune", path, "--json")
    result = no_constants(out)
    assert status == 1
    assert result["settings"] is None
    reason = result["points"][0].split(" Nearest:")[0]
    assert len(re.findall(r"\.(?=\s|$)", reason)) == 1


def test_a_hold_band_finer_than_two_counts_fails_before_anything_is_tuned(
    run: Any, tmp_path: Path
) -> None:
    """A19: 12 bit, linear, 0-1000 mbar and a band of +-2 % at 5 mbar: 4.9 % per count."""
    text = studies.reference_text([("5 mbar", ("250 mbar L/s",))])
    text = text.replace('range_high = { is = "100 mbar"', 'range_high = { is = "1000 mbar"')
    coarse = studies.write(tmp_path, text.replace("signal = {", "bits = 12\nsignal = {"))
    status, out, _ = run("check", coarse)
    assert status == 1
    said = " ".join(out.split())
    assert (
        "Hold band ±2 % of setpoint, as said by exercise; margins asked for: Ms at most 2" in said
    )
    assert "one count of PT-101 is up to 4.9 % of the reading" in said
    assert "the hold band of ±2 % is finer than two counts" in said
    status, out, _ = run("check", coarse, "--json")
    answer = no_constants(out)
    assert status == 1
    assert (answer["good"], answer["duty_reachable"]) == (False, True)
    assert answer["findings"][0]["subject"] == "gauge resolution"
    fine = text.replace('signal = { is = "linear"', 'bits = 12\nsignal = { is = "log"')
    fine = studies.write(tmp_path, fine)
    assert run("check", fine)[0] == 0


@pytest.mark.slow
def test_a_booster_beyond_its_data_sheet_is_a_no_in_every_command(run: Any, tmp_path: Path) -> None:
    """A10: a pressure difference above the stated limit is flagged, and nothing says yes to it."""
    text = preset_path("crystal-furnace").read_text(encoding="utf-8")
    text = studies.by_rule(text.replace('{ is = "60 mbar"', '{ is = "30 mbar"'))
    path = studies.write(tmp_path, text)
    for command in (("check", path), ("window", path), ("tune", path), ("window", path, path)):
        status, out, _ = run(*command)
        assert status == 1, command
        if len(command) == 2:
            assert "above its stated limit of 30 mbar" in " ".join(out.split()), command
    _, out, _ = run("report", path, "--out", str(tmp_path / "out"))
    assert out.startswith("NO: ")


@pytest.mark.parametrize("typed", ["5e-3 mbar", "0,005 mbar", "5E-3 mbar"])
def test_small_numbers_stay_what_they_are(run: Any, tmp_path: Path, typed: str) -> None:
    """A48: 5e-3 mbar in three spellings is shown as 5.0e-3, never as 0.01 or 0."""
    text = studies.reference_text([(typed, ("0.25 mbar L/s",))])
    text = text.replace('range_low = { is = "0.01 mbar"', 'range_low = { is = "1e-3 mbar"')
    text = text.replace('reading_low = { is = "0.1 mbar"', 'reading_low = { is = "1e-3 mbar"')
    path = studies.write(tmp_path, text)
    status, out, _ = run("window", path)
    assert status == 0
    assert rows(out, "Where each duty point lies")[0][2:4] == ["5.0e-3", "5.0e-3"]
    _, out, _ = run("window", path, "--json")
    assert no_constants(out)["duty_points"][0]["indicated_pa"] == pytest.approx(0.5, rel=1e-12)
    _, out, _ = run("check", path)
    assert typed in out


@pytest.mark.slow
def test_every_output_carries_the_safety_line_and_no_option_removes_it(
    run: Any, tmp_path: Path
) -> None:
    """A50: whatever comes out says that this is not a safety function."""
    path = studies.reference_study(tmp_path, ("5 mbar", ("250 mbar L/s",)))
    out_dir = str(tmp_path / "out")
    for command in (
        ("check", path),
        ("check", path, "--json"),
        ("window", path),
        ("window", path, "--json"),
        ("tune", path),
        ("simulate", path, "--scenario", "gas-step"),
        ("simulate", path, "--scenario", "gas-step", "--json"),
        ("report", path, "--out", out_dir),
    ):
        _, out, _ = run(*command)
        assert "not a safety function" in " ".join(out.split())
    for name in ("report.html", "loop.json", "gains.csv"):
        assert "not a safety function" in (tmp_path / "out" / name).read_text(encoding="utf-8")


@pytest.mark.parametrize("command", ["check", "window", "tune", "simulate", "report", "presets"])
def test_no_option_touches_the_cautions(command: str, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit, match="0"):
        main([command, "--help"])
    options = set(re.findall(r"--[a-z-]+", capsys.readouterr().out))
    simulation = {
        "--scenario",
        "--all",
        "--point",
        "--seed",
        "--draws",
        "--csv",
        "--plot",
        "--plot-as",
    }
    assert options <= {"--help", "--json", "--out", "--self-test"} | simulation


def test_out_of_scope_is_said_plainly(run: Any, tmp_path: Path) -> None:
    """A55: 1e-6 mbar, or a turbo pump, is outside the model: exit 2 and those words."""
    status, out, err = run(
        "window", studies.reference_study(tmp_path, ("1e-6 mbar", ("1 mbar L/s",)))
    )
    assert (status, out) == (2, "")
    assert "outside the model" in err
    assert "setpoint" in err
    text = preset_path("reference-plant").read_text(encoding="utf-8")
    turbo = text.replace("[system.backing]", "[system.turbo]")
    status, _, err = run("window", studies.write(tmp_path, turbo))
    assert status == 2
    assert "outside the model" in err


def test_a_good_tuning_says_yes_and_what_to_type(run: Any) -> None:
    status, out, _ = run("tune", "preset:reference-plant")
    assert status == 0
    assert out.splitlines()[0].endswith("YES")
    assert "Pressure above setpoint -> speed must go up." in out
    tuning = cc.tune(cc.load("preset:reference-plant"))
    for row in tuning.typed.rows:
        assert re.search(rf"{re.escape(row.label)} +{re.escape(row.text)}\b", out), row.label
    assert "Span of the reading" in out
    assert len(rows(out, "Margins with the settings as typed in")) == len(tuning.points)


@pytest.mark.parametrize(
    "name",
    [
        pytest.param(name, marks=[] if name == "reference-plant" else pytest.mark.slow)
        for name in sorted(cc.presets())
    ],
)
def test_machine_readable_output_has_units_in_its_names_and_no_nan(
    run: Any, tmp_path: Path, name: str
) -> None:
    """By the published rule, which is found at once; the robust optimum has tests of its own."""
    path = studies.write(tmp_path, studies.by_rule(preset_path(name).read_text("utf-8")))
    for command in ("check", "window", "tune"):
        status, out, _ = run(command, path, "--json")
        result = no_constants(out)
        assert status == (0 if result["good"] else 1)
        assert result["good"] == (name != "freeze-dryer")
        assert result["cautions"][0]["title"] == "Not a safety function"
    tuning = cc.tune(cc.load(path))
    assert result["points"][0]["margins"]["ms"] == tuning.points[0].margins.ms
    assert result["settings"]["kc_speed_fraction_per_decade"] == tuning.settings.kc
    assert [row["text"] for row in result["as_typed"]] == [r.text for r in tuning.typed.rows]


def test_the_self_test_recomputes_known_loops(run: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    status, out, _ = run("check", "--self-test")
    assert status == 0
    assert "dead time 3 s" in out
    assert "right-hand side" in out
    assert "WRONG" not in out
    from dataclasses import replace

    from chamberctl.control import selftest

    good = selftest.self_test()
    spoiled = (replace(good[0], computed=good[0].computed * 1.02), *good[1:])
    monkeypatch.setattr(selftest, "self_test", lambda: spoiled)
    status, out, _ = run("check", "--self-test")
    assert status == 1
    assert "WRONG" in out
    status, out, _ = run("check", "--self-test", "--json")
    assert status == 1
    assert not no_constants(out)["good"]


def test_presets_are_listed_and_copied_but_never_over_a_file(run: Any, tmp_path: Path) -> None:
    status, out, _ = run("presets")
    assert status == 0
    assert all(f"preset:{name}" in out for name in cc.presets())
    target = tmp_path / "mine.toml"
    assert run("presets", "copy", "reference-plant", str(target))[0] == 0
    assert target.read_bytes() == preset_path("reference-plant").read_bytes()
    target.write_text("mine now")
    status, _, err = run("presets", "copy", "reference-plant", str(target))
    assert status == 2
    assert "not overwritten" in err
    assert target.read_text() == "mine now"
    assert run("presets", "copy", "crystal-furnace", str(tmp_path))[0] == 0
    assert (tmp_path / "crystal-furnace.toml").is_file()
    status, _, err = run("presets", "copy", "reference-plant", str(tmp_path / "no" / "where.toml"))
    assert status == 2
    assert "folder that exists" in err
    status, _, err = run("presets", "copy", "referense-plant", str(tmp_path / "x.toml"))
    assert status == 2
    assert "did you mean 'reference-plant'" in err


def test_the_report_is_written_and_headed_by_the_no(run: Any, tmp_path: Path) -> None:
    path = studies.reference_study(tmp_path, ("5 mbar", ("60 mbar L/s",)))
    status, out, _ = run("report", path, "--out", str(tmp_path / "out"))
    assert status == 1
    assert out.startswith("NO: ")
    page = (tmp_path / "out" / "report.html").read_text(encoding="utf-8")
    assert page.index(">NO<") < page.index("<h2")
    assert not (tmp_path / "out" / "loop.json").exists()


@pytest.mark.slow
def test_the_report_goes_to_a_folder_named_after_the_study(
    run: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    status, out, _ = run("report", "preset:reference-plant", "--json")
    assert status == 0
    files = no_constants(out)["files"]
    assert files["html"] == str(Path("report-reference-plant", "report.html"))
    assert all(Path(name).is_file() for name in files.values())


# What goes wrong


@pytest.mark.parametrize(
    "arguments, words",
    [
        (["windw", "x"], "did you mean 'window'"),
        (["dance", "x"], "commands are check"),
        (["window"], "STUDY"),
        (["window", "x", "--jsn"], "--jsn"),
        (["check"], "--self-test"),
        (["check", "x", "--self-test"], "takes no study"),
        (["presets", "copy", "reference-plant"], "copy NAME PATH"),
        (["presets", "list", "x"], "copy NAME PATH"),
        ([], "COMMAND"),
        (["window", "preset:crystal-furnance"], "did you mean 'crystal-furnace'"),
        (["window", "no-such-file.toml"], "no such file"),
    ],
)
def test_bad_arguments_exit_2_and_say_what_would_be_right(
    run: Any, arguments: list[str], words: str
) -> None:
    status, out, err = run(*arguments)
    assert (status, out) == (2, "")
    assert words in err
    assert "Traceback" not in err


def test_bad_input_names_file_field_given_and_remedy(run: Any, tmp_path: Path) -> None:
    text = preset_path("reference-plant").read_text(encoding="utf-8")
    path = studies.write(tmp_path, text.replace('{ is = "500 L"', '{ is = "500 mbar"'))
    status, out, err = run("report", path, "--out", str(tmp_path / "out"))
    assert (status, out) == (2, "")
    assert path in err
    assert "system.chamber.volume" in err
    assert "500 mbar" in err
    assert "such as" in err
    assert not (tmp_path / "out").exists()


def test_a_folder_that_cannot_be_written_is_named(run: Any, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("mine")
    for name in ("file", "file/below"):
        status, _, err = run("report", "preset:reference-plant", "--out", str(tmp_path / name))
        assert status == 2
        assert str(tmp_path / name) in err
        assert "folder" in err
    assert (tmp_path / "file").read_text() == "mine"


def shell(*arguments: str, **more: Any) -> subprocess.Popen[str]:
    command = [sys.executable, "-m", "chamberctl.cli", *arguments]
    environment = {**os.environ, **more.pop("env", {})}
    return subprocess.Popen(
        command, cwd=CHECKOUT, env=environment, stderr=subprocess.PIPE, text=True, **more
    )


def test_a_reader_that_stops_reading_ends_the_program_quietly() -> None:
    """With the status that a shell gives to a program ended by a closed pipe."""
    read, write = os.pipe()
    process = shell("presets", stdout=write)
    os.close(write)
    os.close(read)
    _, err = process.communicate(timeout=60)
    assert (process.returncode, err) == (141, "")


def test_the_package_runs_as_a_module() -> None:
    command = [sys.executable, "-m", "chamberctl", "presets"]
    done = subprocess.run(command, cwd=CHECKOUT, capture_output=True, text=True, check=False)
    assert (done.returncode, done.stderr) == (0, "")
    assert "reference-plant" in done.stdout


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="this system has no /dev/full")
def test_output_to_a_full_disk_is_no_crash() -> None:
    with Path("/dev/full").open("w") as full:
        process = shell("presets", stdout=full)
        _, err = process.communicate(timeout=60)
    assert process.returncode == 2
    assert "cannot be written" in err
    assert "Traceback" not in err


def test_a_terminal_without_unicode_is_no_crash(tmp_path: Path) -> None:
    text = preset_path("reference-plant").read_text(encoding="utf-8")
    titled = text.replace('title = "Reference plant"', 'title = "Ofen \u2116 5 \u2013 \u00b5"')
    path = studies.write(tmp_path, titled)
    process = shell("check", path, stdout=subprocess.PIPE, env={"PYTHONIOENCODING": "ascii"})
    out, err = process.communicate(timeout=60)
    assert process.returncode == 0, err
    assert "Ofen ? 5 ? ?" in out


def test_something_is_said_after_two_seconds(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    import time

    with progress_module.Progress() as quick:
        quick.step("quick work")
    assert capsys.readouterr().err == ""
    monkeypatch.setattr(progress_module, "SILENT_S", 0.05)
    with progress_module.Progress() as slow:
        slow.step("long work")
        time.sleep(0.2)
    assert "long work ..." in capsys.readouterr().err


def test_an_interrupt_that_is_swallowed_counts_at_the_next_step() -> None:
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    try:
        with progress_module.Progress() as progress:
            for acted_on in (True, False):
                with contextlib.suppress(KeyboardInterrupt):
                    signal.raise_signal(signal.SIGINT)
                if acted_on:
                    progress.heed()
                    progress.step("next")
            with pytest.raises(KeyboardInterrupt):
                progress.step("next")
            progress.step("not twice")
        assert signal.getsignal(signal.SIGINT) is signal.default_int_handler
    finally:
        signal.signal(signal.SIGINT, before)


def test_python_errors_are_not_hidden(monkeypatch: pytest.MonkeyPatch) -> None:
    """A fault of the program is shown as one; it is not dressed up as bad input."""
    from chamberctl.cli import commands

    def broken(_: Any) -> bool:
        raise ZeroDivisionError

    monkeypatch.setattr(commands, "presets", broken)
    with pytest.raises(ZeroDivisionError):
        main(["presets"])
