"""The command `simulate`: what it prints, its exit status, its files, and draws cut short."""

from __future__ import annotations

import contextlib
import csv
import errno
import io
import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any
from xml.etree import ElementTree as ET

import numpy as np
import pytest

import chamberctl as cc
from chamberctl.cli import main
from chamberctl.control.tuning import rule_tuning
from chamberctl.report import folder
from chamberctl.simulation.scenarios import SCENARIOS
from chamberctl.study import preset_path
from tests import studies

CHECKOUT = Path(__file__).resolve().parent.parent
PLANT = "preset:reference-plant"
LISTED = "simulate-files.json"

Run = Callable[..., tuple[int, str, str]]


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str]) -> Run:
    def call(*arguments: str) -> tuple[int, str, str]:
        status = main(["simulate", *arguments])
        shown = capsys.readouterr()
        return status, shown.out, shown.err

    return call


@pytest.fixture(autouse=True)
def _quick_rule(monkeypatch: pytest.MonkeyPatch) -> None:
    """Tune by the published rule: tuning is not what is tried here."""
    monkeypatch.setattr("chamberctl.cli.simulate.tuned", lambda study, progress: rule_tuning(study))


@pytest.fixture
def at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """Make draws in threads of this process, which starts faster than processes."""
    from concurrent.futures import ThreadPoolExecutor
    from contextlib import contextmanager

    @contextmanager
    def working(_: Any) -> Any:
        with ThreadPoolExecutor(1) as threads:
            yield threads

    monkeypatch.setattr("chamberctl.simulation.monte_carlo._working", working)


def limited(path: Path, **limits: str) -> str:
    """Write the reference plant with limits of the duty; return the file."""
    text = preset_path("reference-plant").read_text(encoding="utf-8")
    lines = "".join(f'{name} = "{value}"\n' for name, value in limits.items())
    assert text.count("[duty.limits]\n") == 1
    return studies.write(path, text.replace("[duty.limits]\n", f"[duty.limits]\n{lines}"))


def words(text: str) -> str:
    return " ".join(text.split())


def table(path: Path) -> tuple[list[str], list[dict[str, str]]]:
    """Comments and rows of a CSV."""
    lines = path.read_text(encoding="utf-8").splitlines()
    comments = [line for line in lines if line.startswith("#")]
    return comments, list(csv.DictReader(io.StringIO("\n".join(lines[len(comments) :]))))


# What is shown


def test_one_scenario_shows_every_metric_and_takes_the_worst_point(run: Run) -> None:
    status, out, _ = run(PLANT, "--scenario", "gas-step", "--json")
    found = json.loads(out)["runs"]
    assert status == 0
    assert len(found) == 1
    study = cc.load(PLANT)
    ours = cc.simulate(study, rule_tuning(study), "gas-step")
    assert found[0]["where"] == ours.prepared.point.where
    assert found[0]["metrics"]["peak_deviation"] == ours.metrics.peak_deviation
    assert found[0]["metrics"]["limit_cycle"] is None
    assert found[0]["metrics"]["largest_booster_difference_pa"] is None
    status, out, _ = run(PLANT, "--scenario", "gas-step")
    assert status == 0
    assert "nothing was judged" in out.splitlines()[0]
    assert f"Gas step at point {found[0]['point']} ({found[0]['where']})" in out
    assert "Peak deviation" in out
    assert "not a safety function" in words(out)


def test_all_runs_what_applies_and_says_what_does_not(run: Run) -> None:
    status, out, _ = run(PLANT, "--all", "--json")
    answer = json.loads(out)
    assert status == 0
    assert [one["scenario"] for one in answer["runs"]] == list(SCENARIOS)
    refused = {one["scenario"]: one["refusal"] for one in answer["runs"] if not one["happens"]}
    assert set(refused) == {"clogging-line", "gas-change"}
    assert all(refused.values())
    status, out, _ = run(PLANT, "--all")
    assert status == 0
    said = words(out)
    for name, reason in refused.items():
        assert f"{SCENARIOS[name].title}: {words(reason)}" in said


def test_a_limit_that_is_missed_is_a_no_and_one_that_is_kept_a_yes(
    run: Run, tmp_path: Path
) -> None:
    status, out, _ = run(limited(tmp_path, overshoot="0.1 %"), "--scenario", "gas-step")
    assert status == 1
    assert out.splitlines()[0].endswith("NO")
    assert "the duty asks for at most 0.1 % of setpoint" in words(out)
    assert "at most 0.1, BROKEN" in words(out)
    status, out, _ = run(limited(tmp_path, overshoot="50 %"), "--scenario", "gas-step")
    assert status == 0
    assert out.splitlines()[0].endswith("YES")
    assert "at most 50, kept" in words(out)


def test_points_by_number_and_all_corners(run: Run) -> None:
    status, out, _ = run(PLANT, "--scenario", "gas-step", "--point", "2", "--json")
    names = [name for _, _, name in cc.load(PLANT).duty_points()]
    assert json.loads(out)["runs"][0]["where"] == names[1]
    status, out, _ = run(PLANT, "--scenario", "gas-step", "--point", "corners", "--json")
    assert status == 0
    from chamberctl.simulation.scenarios import corners

    wanted = [point.where for point in corners(cc.load(PLANT))]
    assert [one["where"] for one in json.loads(out)["runs"]] == wanted


def test_the_seed_makes_the_noise(run: Run, tmp_path: Path) -> None:
    """The furnace's gauge is noisy; the same seed gives the same run, none gives none."""
    found = []
    for seed in ([], ["--seed", "3"], ["--seed", "3"], ["--seed", "4"]):
        _, out, _ = run("preset:crystal-furnace", "--scenario", "gas-step", *seed, "--json")
        found.append(json.loads(out)["runs"][0]["metrics"]["drive_travel_per_h"])
    assert found[1] == found[2]
    assert len(set(found)) == 3


# What goes wrong


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        ([PLANT], "--scenario NAME, several if wanted, or --all"),
        ([PLANT, "--all", "--scenario", "gas-step"], "or --all"),
        ([PLANT, "--scenario", "gas-stp"], "did you mean 'gas-step'"),
        ([PLANT, "--scenario", "x"], "known are: setpoint-step-up"),
        ([PLANT, "--scenario", "gas-step", "--point", "9"], "1 to 6, or corners"),
        ([PLANT, "--scenario", "gas-step", "--seed", "one"], "'one' is no whole number"),
        ([PLANT, "--scenario", "gas-step", "--draws", "-5"], "--draws"),
        ([PLANT, "--scenario", "gas-step", "--draws", "0"], "a number of runs is 1 to"),
        ([PLANT, "--scenario", "gas-step", "--plot-as", "jpg"], "svg"),
    ],
)
def test_bad_arguments_exit_2_and_say_what_would_be_right(
    run: Run, arguments: list[str], said: str
) -> None:
    status, out, err = run(*arguments)
    assert (status, out) == (2, "")
    assert said in err
    assert "Traceback" not in err


def test_what_cannot_happen_or_be_held_is_a_no(run: Run, tmp_path: Path) -> None:
    status, out, _ = run(PLANT, "--scenario", "clogging-line")
    assert status == 1
    assert out.splitlines()[0].endswith("NO")
    assert "Clogging line: Nothing can clog: the study describes no line" in words(out)
    path = studies.reference_study(tmp_path, ("5 mbar", ("60 mbar L/s",)))
    status, out, err = run(path, "--scenario", "gas-step")
    assert (status, out) == (1, "")
    assert "not reachable" in err
    both = studies.reference_study(tmp_path, ("5 mbar", ("60 mbar L/s", "250 mbar L/s")))
    status, _, err = run(both, "--scenario", "gas-step", "--point", "1")
    assert status == 1
    assert "not reachable" in err
    status, out, _ = run(both, "--scenario", "gas-step")
    assert status == 0
    assert "must not be used as they are" in words(out)


# Files


def test_tables_and_pictures_of_every_run(run: Run, tmp_path: Path) -> None:
    out_dir = tmp_path / "out"
    arguments = [PLANT, "--scenario", "gas-step", "--scenario", "power-dip", "--point", "5"]
    status, out, _ = run(*arguments, "--csv", str(out_dir), "--plot", str(out_dir))
    assert status == 0
    names = {path.name for path in out_dir.iterdir()}
    assert names == {
        LISTED, "gas-step-point-5.csv", "gas-step-point-5.svg", "power-dip-point-5.csv",
        "power-dip-point-5.svg",
    }  # fmt: skip
    assert all(name in out for name in names - {LISTED})
    comments, rows = table(out_dir / "gas-step-point-5.csv")
    assert "not a safety function" in " ".join(comments)
    assert {"time_s", "yf_decades", "d_fraction", "I_fraction", "v_fraction", "u_fraction",
            "mode", "p_chamber_pa"} <= set(rows[0])  # fmt: skip
    study = cc.load(PLANT)
    point = next(p.point for p in rule_tuning(study).points if p.where == study.duty_points()[4][2])
    ours = cc.simulate(study, rule_tuning(study), "gas-step", point=point).trace
    assert np.array([float(row["p_chamber_pa"]) for row in rows]) == pytest.approx(
        ours.pressure_pa, rel=1e-14
    )
    text = (out_dir / "gas-step-point-5.svg").read_text(encoding="utf-8")
    root = ET.fromstring(text)
    assert root.tag.endswith("svg")
    assert "not a safety function" in text
    assert "indicated pressure moves between" in words(text)


def test_a_picture_may_be_a_png(run: Run, tmp_path: Path) -> None:
    status, _, _ = run(PLANT, "--scenario", "gas-step", "--plot", str(tmp_path), "--plot-as", "png")
    assert status == 0
    data = next(tmp_path.glob("*.png")).read_bytes()
    assert data.startswith(b"\x89PNG")
    assert b"not a safety function" in data


def test_a_second_run_adds_to_the_folder_and_renews_its_own_files(run: Run, tmp_path: Path) -> None:
    one, other = "gas-step-point-5.csv", "power-dip-point-5.csv"
    for name in ("gas-step", "power-dip", "gas-step"):
        status, _, _ = run(PLANT, "--scenario", name, "--point", "5", "--csv", str(tmp_path))
        assert status == 0
    assert {path.name for path in tmp_path.iterdir()} == {LISTED, one, other}


@pytest.mark.parametrize("made_first", [False, True])
def test_a_file_of_the_users_is_never_overwritten(
    run: Run, tmp_path: Path, made_first: bool
) -> None:
    arguments = (PLANT, "--scenario", "gas-step", "--point", "5", "--csv", str(tmp_path))
    if made_first:
        assert run(*arguments)[0] == 0
    mine = tmp_path / "gas-step-point-5.csv"
    mine.write_text("mine")
    status, out, err = run(*arguments)
    assert (status, out) == (2, "")
    assert "gas-step-point-5.csv" in err
    assert "move it away or give another folder" in err
    assert mine.read_text() == "mine"


@pytest.mark.parametrize("option", ["--csv", "--plot"])
def test_a_folder_that_cannot_be_written_is_named_before_anything_is_run(
    run: Run, tmp_path: Path, option: str
) -> None:
    (tmp_path / "file").write_text("mine")
    status, out, err = run(PLANT, "--scenario", "gas-step", option, str(tmp_path / "file"))
    assert (status, out) == (2, "")
    assert option in err
    assert "give a folder for" in err


def test_a_full_disk_is_said_and_what_was_computed_is_shown(
    run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nothing half written is left, the earlier files are as they were, and nothing is lost."""
    arguments = (PLANT, "--scenario", "gas-step", "--point", "5", "--csv", str(tmp_path))
    assert run(*arguments)[0] == 0
    before = {path.name: path.read_bytes() for path in tmp_path.iterdir()}

    def full(path: Path, data: bytes) -> None:
        path.write_bytes(data[:100])
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(folder, "_write", full)
    for more in ((), ("--json",)):
        status, out, err = run(*arguments, *more)
        assert status == 2
        assert "No space left on device" in err
        assert "free some space or give another folder" in err
        assert "eak" in out
        assert {path.name: path.read_bytes() for path in tmp_path.iterdir()} == before


# Draws


@pytest.mark.usefixtures("at_once")
def test_draws_show_how_the_metrics_are_spread_and_the_worst_draw(run: Run, tmp_path: Path) -> None:
    arguments = (
        "preset:crystal-furnace", "--scenario", "gas-step", "--draws", "6", "--seed", "2",
        "--csv", str(tmp_path), "--plot", str(tmp_path),
    )  # fmt: skip
    status, out, _ = run(*arguments)
    assert status == 0
    said = words(out)
    assert "6 draws of 6, seed 2" in said
    assert "uncertain inputs, each uniform within its tolerance" in said
    _, rows = table(tmp_path / "gas-step-point-1-draws.csv")
    assert [row["draw"] for row in rows] == [str(number) for number in range(6)]
    peaks = [float(row["peak_deviation"]) for row in rows]
    worst = int(np.argmax(peaks))
    assert f"Draw {worst} is the worst: its peak deviation is {100 * max(peaks):.3g} %" in said
    comments, trace = table(tmp_path / "gas-step-point-1-worst-draw.csv")
    away = [
        abs(float(row["indicated_pa"]) / float(row["setpoint_pa"]) - 1.0)
        for row in trace if float(row["time_s"]) >= 10.0
    ]  # fmt: skip
    assert max(away) == pytest.approx(max(peaks), rel=1e-6)
    assert "not a safety function" in " ".join(comments)
    assert (tmp_path / "gas-step-point-1-draws.svg").is_file()
    status, out, _ = run(*arguments[:7], "--json")
    draws = json.loads(out)["runs"][0]["draws"]
    assert (draws["made"], draws["cancelled"], draws["worst"]["draw"]) == (6, False, worst)
    assert draws["quantiles"]["peak_deviation"][-1] == pytest.approx(max(peaks), rel=1e-9)
    assert draws["kept_limits"] is None


@pytest.mark.usefixtures("at_once")
def test_a_draw_that_misses_a_limit_or_cannot_be_held_is_a_no(run: Run, tmp_path: Path) -> None:
    """The run as described keeps the limit; a plant within the tolerances does not."""
    study = cc.load(PLANT)
    nominal = cc.simulate(study, rule_tuning(study), "gas-step").metrics.peak_deviation
    path = limited(tmp_path, peak_deviation=f"{100.0 * nominal * 1.001:.6g} %")
    assert run(path, "--scenario", "gas-step")[0] == 0
    status, out, _ = run(path, "--scenario", "gas-step", "--draws", "8")
    assert status == 1
    assert out.splitlines()[0].endswith("NO")
    assert "of 8 draws keep the duty's limits" in words(out)
    assert "it breaks the duty's limits" in words(out)
    wide = study.with_text({"system.backing.displacement": {"is": "100 L/s", "tolerance": "60 %"}})
    status, out, _ = run(
        studies.write(tmp_path, wide.text), "--scenario", "gas-step", "--point", "1",
        "--draws", "30", "--csv", str(tmp_path / "out"),
    )  # fmt: skip
    assert status == 1
    assert "runs have no result" in words(out)
    _, rows = table(tmp_path / "out" / "gas-step-point-1-draws.csv")
    assert len(rows) == 30
    assert any(row["failed"] and not row["peak_deviation"] for row in rows)


@pytest.mark.usefixtures("at_once")
def test_draws_that_are_stopped_show_what_was_done(
    run: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    from chamberctl.cli import simulate

    def stop(_: Any) -> Any:
        def spoken(what: str) -> None:
            if "of 400 draws" in what:
                raise KeyboardInterrupt

        return spoken

    monkeypatch.setattr(simulate, "_now_and_then", stop)
    status, out, err = run(
        PLANT, "--scenario", "gas-step", "--scenario", "gas-burst", "--draws", "400"
    )
    assert status == 130
    assert "stopped" in err
    assert "Stopped early" in words(out)
    assert "draws of 400, seed 0" in words(out)
    assert "Draw" in out


@pytest.mark.slow
@pytest.mark.parametrize("spoken", ["starting 100000 draws", " of 100000 draws"])
def test_ctrl_c_in_a_terminal_ends_draws_cleanly(tmp_path: Path, spoken: str) -> None:
    """The signal goes to every process of the terminal, to those too that only begin to start; what
    is done is shown, status 130.
    """
    command = [sys.executable, "-m", "chamberctl", "simulate", PLANT, "--scenario", "gas-step",
               "--draws", "100000", "--csv", str(tmp_path / "out")]  # fmt: skip
    process = subprocess.Popen(
        command, cwd=CHECKOUT, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        start_new_session=True, env={**os.environ, "PYTHONPATH": str(CHECKOUT)},
        # also where whoever began ignores it
        preexec_fn=partial(signal.signal, signal.SIGINT, signal.SIG_DFL),
    )  # fmt: skip
    assert process.stderr is not None
    for line in process.stderr:
        if spoken in line:
            break
    time.sleep(0.5)
    os.killpg(process.pid, signal.SIGINT)
    out, err = process.communicate(timeout=120)
    assert process.returncode == 130, err
    assert "Traceback" not in err
    assert "Stopped early" in words(out)
    made = words(out).partition("Stopped early: ")[2].split()[0]
    assert len(list((tmp_path / "out").glob("gas-step-point-*-draws.csv"))) == (made != "0")
    assert list((tmp_path / "out").glob("gas-step-point-*.csv"))


def test_too_little_memory_is_said_and_is_no_crash(
    run: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    def needs_more(*_: Any) -> Any:
        raise MemoryError

    monkeypatch.setattr("chamberctl.cli.simulate._days", needs_more)
    status, out, err = run(PLANT, "--all")
    assert (status, out) == (2, "")
    assert "more memory than there is" in err


@pytest.mark.usefixtures("at_once")
def test_ctrl_c_between_the_draws_of_two_scenarios_keeps_the_first(
    run: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    from chamberctl.simulation import monte_carlo as many

    def once(*given: Any, **more: Any) -> Any:
        if given[2] == "gas-burst":
            raise KeyboardInterrupt
        return made(*given, **more)

    made = many.monte_carlo
    monkeypatch.setattr(many, "monte_carlo", once)
    status, out, err = run(
        PLANT, "--scenario", "gas-step", "--scenario", "gas-burst", "--draws", "3"
    )
    assert status == 130
    assert "stopped" in err
    assert "3 draws of 3, seed 0" in words(out)


@pytest.mark.usefixtures("at_once")
def test_ctrl_c_pressed_twice_while_draws_are_made_keeps_them(
    run: Run, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """The second press is swallowed with the first; what is done is written and shown."""
    from chamberctl.cli import simulate

    def twice(*given: Any) -> bool:
        drawn(*given)
        with contextlib.suppress(KeyboardInterrupt):
            signal.raise_signal(signal.SIGINT)
        return True

    drawn = simulate._draw
    monkeypatch.setattr(simulate, "_draw", twice)
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    try:
        status, out, _ = run(
            PLANT, "--scenario", "gas-step", "--draws", "3", "--csv", str(tmp_path / "out")
        )
    finally:
        signal.signal(signal.SIGINT, before)
    assert status == 130
    assert "3 draws of 3, seed 0" in words(out)
    assert list((tmp_path / "out").glob("gas-step-point-*-draws.csv"))
