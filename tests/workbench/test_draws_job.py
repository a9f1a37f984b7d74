"""Draws beside the page: counted, cancelled, given up when forgotten, and nothing left behind."""

from __future__ import annotations

import threading
import time
from dataclasses import replace

import pytest

import chamberctl as cc
from chamberctl.workbench import draws_job
from chamberctl.workbench.candidates import Bench
from chamberctl.workbench.draws_job import Asked, DrawsJob


def asked(bench: Bench, runs: int, scenario: str = "gas-step") -> Asked:
    return Asked(bench.own, "mine", scenario, bench.own.points[0].point, runs)


def left_behind() -> list[str]:
    return [t.name for t in threading.enumerate() if t.name.startswith("draw")]


def test_all_draws_are_made_and_the_worst_is_run_again(bench: Bench) -> None:
    job = DrawsJob(asked(bench, 12))
    job.wait(120.0)
    assert job.ask() == "done"
    assert job.share == 1.0
    assert job.progress_text == "12 of 12 draws"
    assert job.found is not None
    assert job.worst is not None
    worst = job.found.worst()
    assert worst is not None
    assert job.worst.metrics.peak_deviation == pytest.approx(worst.measures["peak_deviation"])
    assert not left_behind()


def test_a_cancelled_job_keeps_what_it_has_and_leaves_nothing_running(bench: Bench) -> None:
    job = DrawsJob(asked(bench, 5000))
    assert job.ask() == "running"
    job.cancel()
    job.wait(60.0)
    assert job.ask() == "cancelled"
    assert job.found is None or job.found.cancelled
    assert not left_behind()


def test_a_job_that_no_page_asks_after_is_given_up(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(draws_job, "FORGOTTEN_S", 0.2)
    job = DrawsJob(asked(bench, 20_000))
    job.wait(60.0)
    assert job.ask() == "cancelled"
    assert job.share < 1.0


def test_the_page_goes_on_while_draws_are_made(bench: Bench) -> None:
    """Another thread gets its turns: the compiled runs let it."""
    job = DrawsJob(asked(bench, 3000))
    turns, end = 0, time.monotonic() + 1.0
    while time.monotonic() < end:
        turns += 1
        time.sleep(0.005)
    job.cancel()
    job.wait(60.0)
    assert turns > 20


def test_what_cannot_be_drawn_says_why(bench: Bench) -> None:
    job = DrawsJob(asked(bench, 5, "gas-change"))
    job.wait(60.0)
    assert job.ask() == "failed"
    assert isinstance(job.failure, cc.Infeasible)
    job = DrawsJob(replace(asked(bench, 5), runs=0))
    job.wait(60.0)
    assert isinstance(job.failure, cc.InputError)
