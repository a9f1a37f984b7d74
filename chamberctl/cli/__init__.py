"""The command line: check, window, tune, rules, convert, simulate, report, workbench, presets.

Exit status 0: good. 1: the answer is no. 2: what was given cannot be used. As of any program in a
shell, 130: stopped by Ctrl-C; 141: the program that read the output closed it before its end.
"""

from __future__ import annotations

import contextlib
import gc
import os
import sys
from collections.abc import Iterator, Sequence
from typing import TextIO

from chamberctl.cli.arguments import UsageError, build_parser, check_command
from chamberctl.errors import ChamberctlError, Infeasible, InputError
from chamberctl.memory import collect_rarely, end_without_looking

__all__ = ["main"]

#: All matrices here are small; handing one to several threads costs far more than its arithmetic.
#: It has to be said before numpy is loaded, and whoever says otherwise is left alone.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

GOOD, NO, BAD_INPUT = 0, 1, 2
STOPPED, UNREAD = 130, 141


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command.

    Parameters
    ----------
    argv : sequence of str, optional
        Arguments without the program's name; those of the process if not given.

    Returns
    -------
    int
        0 good, 1 the answer is no, 2 bad input; 130 stopped, 141 output not read to its end.
    """
    for stream in (sys.stdout, sys.stderr):
        _never_fail_on_characters(stream)
    given = list(sys.argv[1:] if argv is None else argv)
    if argv is None:  # the process is this command's alone
        end_without_looking()
    try:
        with _rare_collections():
            return _run(given)
    except BrokenPipeError:
        _write_no_more()
        return UNREAD
    except KeyboardInterrupt:
        _complain("stopped; nothing half written is left behind")
        return STOPPED
    except MemoryError:
        _complain(
            "this takes more memory than there is; let it last less long, or ask for less at a time"
        )
        return BAD_INPUT
    except OSError as error:
        _write_no_more()
        with contextlib.suppress(OSError):
            reason = f"the output cannot be written: {error.strerror or error}"
            _complain(f"{reason}; files are either complete or as they were")
        return BAD_INPUT


@contextlib.contextmanager
def _rare_collections() -> Iterator[None]:
    """Let one command collect rarely, and leave the caller's choice as it was."""
    before = gc.get_threshold()
    collect_rarely()
    try:
        yield
    finally:
        gc.set_threshold(*before)


def _run(given: list[str]) -> int:
    try:
        check_command(given)
        arguments = build_parser().parse_args(given)
        from chamberctl.cli import commands

        good: bool = getattr(commands, arguments.run)(arguments)
        sys.stdout.flush()
    except UsageError as error:
        _complain(str(error))
        return BAD_INPUT
    except Infeasible as error:
        sys.stdout.flush()
        _complain(f"No. {error}")
        return NO
    except InputError as error:
        sys.stdout.flush()
        for problem in error.problems:
            _complain(str(problem))
        return BAD_INPUT
    except ChamberctlError as error:
        sys.stdout.flush()
        _complain(str(error))
        return BAD_INPUT
    return GOOD if good else NO


def _complain(text: str) -> None:
    print(f"chamberctl: {text}", file=sys.stderr, flush=True)


def _write_no_more() -> None:
    """Let what is left of the output go nowhere; Python would fail once more when it closes."""
    with contextlib.suppress(OSError, ValueError):
        null = os.open(os.devnull, os.O_WRONLY)
        os.dup2(null, sys.stdout.fileno())
        os.close(null)


def _never_fail_on_characters(stream: TextIO) -> None:
    """Let a terminal that lacks a character show a replacement."""
    reconfigure = getattr(stream, "reconfigure", None)
    if reconfigure is not None:
        reconfigure(errors="replace")
