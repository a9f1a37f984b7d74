"""The words a user may type, and what is said when another one comes."""

from __future__ import annotations

import argparse
import difflib
from collections.abc import Sequence
from typing import Any, NoReturn

from chamberctl import __version__

STUDY_HELP = "study file, or preset:NAME"
COMMANDS = (
    "check", "window", "tune", "rules", "convert", "simulate", "report", "workbench", "presets",
)  # fmt: skip


class UsageError(Exception):
    """Arguments that make no command; the message says what would."""


class _Parser(argparse.ArgumentParser):
    def error(self, message: str) -> NoReturn:
        raise UsageError(f"{message}\ntry: {self.prog} --help")


def build_parser() -> argparse.ArgumentParser:
    """Return the parser of all commands."""
    parser = _Parser(
        prog="chamberctl",
        allow_abbrev=False,
        description="Tune the loop that holds a vacuum chamber at pressure by pump speed.",
        epilog="Exit status: 0 good, 1 the answer is no, 2 bad input. A control loop, not a safety "
        "function: see the cautions in every report.",
    )
    parser.add_argument("--version", action="version", version=f"chamberctl {__version__}")
    commands = parser.add_subparsers(title="commands", metavar="COMMAND", required=True)
    check = _command(commands, "check", "read a study and say what it rests on")
    check.add_argument("study", nargs="?", metavar="STUDY", help=STUDY_HELP)
    check.add_argument(
        "--self-test",
        action="store_true",
        help="recompute known plants and loops on this machine instead",
    )
    _json(check)
    window = _command(
        commands,
        "window",
        "show the pressures the pump can hold, whether speed is the right handle and what the "
        "answer hangs on; or compare two studies",
    )
    window.add_argument("study", metavar="STUDY", help=STUDY_HELP)
    window.add_argument(
        "second",
        nargs="?",
        metavar="SECOND",
        help="second study: compare it with the first over the first one's duty (its leak counts, "
        "so a constant bleed is written as gas_load.leak)",
    )
    _json(window)
    tune = _command(commands, "tune", "find settings and check their margins over the whole duty")
    tune.add_argument("study", metavar="STUDY", help=STUDY_HELP)
    _json(tune)
    rules = _command(
        commands,
        "rules",
        "show what published tuning rules would give, and why not or at what price",
    )
    rules.add_argument("study", metavar="STUDY", help=STUDY_HELP)
    _json(rules)
    _convert(commands)
    _simulate(commands)
    report = _command(commands, "report", "tune and write the report, loop.json and gains.csv")
    report.add_argument("study", metavar="STUDY", help=STUDY_HELP)
    report.add_argument(
        "--out",
        metavar="DIR",
        help="folder for the report (default: report-NAME, in the current folder); files that are "
        "not the report's own are never overwritten",
    )
    _json(report)
    _workbench(commands)
    presets = _command(commands, "presets", "list the studies that come along, or copy one out")
    presets.add_argument("action", nargs="?", choices=("list", "copy"), default="list")
    presets.add_argument("name", nargs="?", metavar="NAME", help="preset to copy")
    presets.add_argument("path", nargs="?", metavar="PATH", help="new file, or folder to put it in")
    _json(presets)
    return parser


def _convert(commands: Any) -> None:
    convert = _command(
        commands,
        "convert",
        "write settings for another form, other units, spans or registers, exactly, and check the "
        "numbers as they will be typed in",
    )
    convert.add_argument("study", metavar="STUDY", help=STUDY_HELP)
    convert.add_argument(
        "--settings",
        choices=("tuned", "as-found", "as-left"),
        default="tuned",
        help="which settings: those that tuning finds, or those that the study records "
        "(default: tuned)",
    )
    convert.add_argument(
        "--set",
        action="append",
        metavar="NAME=NUMBER",
        help="settings typed here in the study's own language, such as gain=2 and integral=20; "
        "several times",
    )
    convert.add_argument("--form", choices=("ideal", "parallel", "series"), help="the other form")
    for option, what in (
        ("--gain-as", "gain, 'proportional band' or engineering"),
        ("--integral-as", "s, min, 'repeats per minute' or 'repeats per second'"),
        ("--derivative-as", "s or min"),
        ("--filter-as", "time, ratio or cut-off"),
        ("--reading-unit", "unit of pressure"),
        ("--output-unit", "%%, Hz or rpm"),
    ):
        convert.add_argument(option, metavar="WORD", help=what)
    for option in ("--reading-span", "--output-span"):
        convert.add_argument(
            option, nargs=2, metavar=("LOW", "HIGH"), help="the other span, each end with its unit"
        )
    convert.add_argument(
        "--decimals",
        nargs=4,
        type=_whole_number,
        metavar=("GAIN", "INTEGRAL", "DERIVATIVE", "FILTER"),
        help="digits behind the point that the controller takes",
    )
    convert.add_argument(
        "--registers",
        nargs=5,
        metavar=("KIND", "GAIN", "INTEGRAL", "DERIVATIVE", "FILTER"),
        help="int16, uint16, int32 or uint32, and the integer that stands for 1 of each",
    )
    _json(convert)


def _workbench(commands: Any) -> None:
    from chamberctl.cli.workbench import port_number

    workbench = _command(
        commands, "workbench", "open the page in a browser: describe, see the window, tune, try"
    )
    workbench.add_argument("study", nargs="?", metavar="STUDY", help=STUDY_HELP)
    workbench.add_argument(
        "--port",
        type=port_number,
        metavar="N",
        help="port on this computer (default: the first free one from 8501)",
    )
    workbench.add_argument(
        "--no-browser", action="store_true", help="print the address, open no browser"
    )


def _simulate(commands: Any) -> None:
    simulate = _command(
        commands,
        "simulate",
        "run the sampled loop on the nonlinear plant through the days it is tried on, and judge it "
        "by the limits of the duty",
    )
    simulate.add_argument("study", metavar="STUDY", help=STUDY_HELP)
    simulate.add_argument(
        "--scenario",
        action="append",
        metavar="NAME",
        help="what happens, such as gas-step; may be given several times",
    )
    simulate.add_argument(
        "--all",
        action="store_true",
        help="every scenario; those that cannot happen to this plant are named with the reason",
    )
    simulate.add_argument(
        "--point",
        metavar="N",
        help="number of the duty point that the loop holds, as in the tables of 'window', or "
        "'corners' (default: the point with the worst margins)",
    )
    simulate.add_argument(
        "--seed",
        type=_whole_number,
        metavar="N",
        help="seed of the gauge's noise (default: no noise) and of the draws (default: 0)",
    )
    simulate.add_argument(
        "--draws",
        type=_whole_number,
        metavar="N",
        help="run each scenario N times more, over tolerances and noise, and show how the metrics "
        "are spread and the worst draw; Ctrl-C keeps what is done",
    )
    simulate.add_argument(
        "--csv",
        metavar="DIR",
        help="folder for a table of each run; files not written by this command are never "
        "overwritten",
    )
    simulate.add_argument("--plot", metavar="DIR", help="folder for a picture of each run")
    simulate.add_argument(
        "--plot-as", choices=("svg", "png"), default="svg", help="kind of picture (default: svg)"
    )
    _json(simulate)


def _whole_number(typed: str) -> int:
    if not typed.isdecimal():
        raise argparse.ArgumentTypeError(f"'{typed}' is no whole number")
    return int(typed)


def _command(commands: Any, name: str, summary: str) -> argparse.ArgumentParser:
    parser: argparse.ArgumentParser = commands.add_parser(
        name, help=summary, description=f"{summary[:1].upper()}{summary[1:]}.", allow_abbrev=False
    )
    parser.set_defaults(run=name)
    return parser


def _json(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--json",
        action="store_true",
        help="machine-readable output: units in the names; null: does not exist or unlimited",
    )


def check_command(given: Sequence[str]) -> None:
    """Refuse an unknown command with the nearest one.

    Raises
    ------
    UsageError
        If the first word is no command.
    """
    first = next((word for word in given if not word.startswith("-")), None)
    if first is None or first in COMMANDS:
        return
    near = difflib.get_close_matches(first, COMMANDS, 1, 0.5)
    hint = f"did you mean '{near[0]}'?" if near else f"commands are {', '.join(COMMANDS)}"
    raise UsageError(f"no command '{first}'; {hint}\ntry: chamberctl --help")
