"""Many runs: the same on any executor, stopped cleanly, single failures kept."""

from __future__ import annotations

import math
import os
import subprocess
import sys
import threading
from collections.abc import Callable
from concurrent.futures import BrokenExecutor, Executor, Future, ThreadPoolExecutor
from dataclasses import replace
from functools import cache
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import chamberctl as cc
from chamberctl.control.tuning import rule_tuning
from chamberctl.errors import InputError
from chamberctl.plant.operating import operating_point
from chamberctl.plant.tolerances import toleranced_fields, vary
from chamberctl.simulation.draws import drawn, metric_values, repeated
from chamberctl.simulation.engine import Trace
from chamberctl.simulation.monte_carlo import MonteCarlo, monte_carlo
from chamberctl.simulation.prepared import Prepared
from chamberctl.simulation.scattered import scattered
from chamberctl.simulation.scenarios import prepare

PRESET = "reference-plant"
ROOT = Path(cc.__file__).parents[1]

CTRL_C = """
import os, signal
import chamberctl as cc
from chamberctl.simulation.monte_carlo import monte_carlo

def interrupt(done, of):
    if done >= 10 and not sent:
        sent.append(done)
        os.killpg(0, signal.SIGINT)

sent = []
if __name__ == "__main__":
    signal.signal(signal.SIGINT, signal.default_int_handler)  # also where whoever began ignores it
    study = cc.load("preset:reference-plant")
    found = monte_carlo(study, cc.tune(study), runs=2000, progress=interrupt)
    print(found.cancelled, 10 <= len(found.runs) < 2000, len(found.runs), len(found.failures))
"""


@cache
def tuning(preset: str = PRESET) -> cc.Tuning:
    study = cc.load(f"preset:{preset}").with_text({"scenario.tail": "30 s"})
    return rule_tuning(study)


class AtOnce(Executor):
    """The least that an executor is: the work is done when it is handed in."""

    def __init__(self) -> None:
        self.tasks = 0
        self.is_shut = False

    def submit(self, fn: Callable[..., Any], /, *args: Any, **more: Any) -> Future[Any]:
        self.tasks += 1
        future: Future[Any] = Future()
        future.set_result(fn(*args, **more))
        return future

    def shutdown(self, wait: bool = True, *, cancel_futures: bool = False) -> None:
        self.is_shut = True


class Breaks(Executor):
    """Its worker dies with the second task."""

    def __init__(self) -> None:
        self.tasks = 0

    def submit(self, fn: Callable[..., Any], /, *args: Any, **more: Any) -> Future[Any]:
        self.tasks += 1
        future: Future[Any] = Future()
        if self.tasks == 2:
            future.set_exception(BrokenExecutor("out of memory"))
        else:
            future.set_result(fn(*args, **more))
        return future


def many(executor: Executor | None, runs: int = 12, **more: Any) -> MonteCarlo:
    found = tuning(more.pop("preset", PRESET))
    return monte_carlo(found.study, found, "gas-step", runs=runs, executor=executor, **more)


def same(one: MonteCarlo, other: MonteCarlo) -> bool:
    return len(one.runs) == len(other.runs) and all(
        a.number == b.number
        and a.factors == b.factors
        and list(a.measures) == list(b.measures)
        and np.array_equal(list(a.measures.values()), list(b.measures.values()), equal_nan=True)
        and np.array_equal(a.indicated_pa, b.indicated_pa)
        for a, b in zip(one.runs, other.runs, strict=True)
    )


# --- the draws


def test_draws_lie_within_the_tolerances_and_fill_them() -> None:
    fields = toleranced_fields(tuning("crystal-furnace").study)
    draws = [drawn(fields, 7, number) for number in range(400)]
    for field in fields:
        values = np.array([one[field.path] for one in draws])
        assert np.all(np.abs(values - 1.0) <= field.tolerance)
        assert values.mean() == pytest.approx(1.0, abs=0.15 * field.tolerance)
        assert values.std() == pytest.approx(field.tolerance / math.sqrt(3.0), rel=0.15)


def test_a_draw_hangs_on_seed_and_number_alone() -> None:
    fields = toleranced_fields(tuning().study)
    assert drawn(fields, 3, 5) == drawn(fields, 3, 5)
    assert drawn(fields, 3, 5) != drawn(fields, 3, 6)
    assert drawn(fields, 3, 5) != drawn(fields, 4, 5)


# --- executors


def test_any_executor_gives_the_same_runs() -> None:
    """At once, in threads, and shared out otherwise; the executor that was lent is not shut."""
    lent = AtOnce()
    first = many(lent)
    assert lent.tasks > 1
    assert not lent.is_shut
    assert not first.cancelled
    assert [run.number for run in first.runs] == list(range(12))
    with ThreadPoolExecutor(3) as threads:
        assert same(first, many(threads))
    assert not same(first, many(AtOnce(), seed=1))
    longer = many(AtOnce(), runs=30)
    assert same(first, replace(longer, runs=longer.runs[:12]))


@pytest.mark.slow
def test_processes_on_all_cores_give_the_same_runs() -> None:
    assert same(many(AtOnce()), many(None))


CLUSTER = """
import numpy as np
import chamberctl as cc
from concurrent.futures import ThreadPoolExecutor
from chamberctl.control.tuning import rule_tuning
from dask.distributed import Client, LocalCluster

if __name__ == "__main__":
    study = cc.load("preset:reference-plant").with_text({"scenario.tail": "30 s"})
    tuning = rule_tuning(study)
    here = dict(n_workers=2, threads_per_worker=1, dashboard_address=None)
    with LocalCluster(**here) as cluster, Client(cluster) as client:
        lent = client.get_executor()
        many = cc.monte_carlo(study, tuning, "gas-step", runs=20, seed=1, executor=lent)
    with ThreadPoolExecutor(1) as one:
        same = cc.monte_carlo(study, tuning, "gas-step", runs=20, seed=1, executor=one)
    print(len(many.runs), [a.factors == b.factors
                           for a, b in zip(many.runs, same.runs)].count(True))
    assert np.array_equal(many.values("peak_deviation"), same.values("peak_deviation"))
"""


@pytest.mark.slow
@pytest.mark.skipif(not find_spec("distributed"), reason="needs the 'dev' extra: distributed")
def test_a_cluster_lends_its_executor_as_it_is(tmp_path: Path) -> None:
    """A cluster of dask.distributed on this machine: the same runs as in a thread."""
    script = tmp_path / "many.py"
    script.write_text(CLUSTER, encoding="utf-8")
    done = subprocess.run(
        [sys.executable, str(script)], capture_output=True, text=True, timeout=300, check=False,
        env={**os.environ, "PYTHONPATH": os.pathsep.join([str(ROOT), *sys.path])},
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert done.stdout.split() == ["20", "20"]


def test_noise_is_drawn_anew_in_each_run() -> None:
    """The furnace's gauge is noisy: with nothing else drawn, runs differ, and repeat."""
    found = many(AtOnce(), preset="crystal-furnace", runs=4)
    travel = found.values("drive_travel_per_h")
    assert np.unique(travel).size == 4
    assert np.array_equal(travel, many(AtOnce(), preset="crystal-furnace", runs=4).values(
        "drive_travel_per_h"
    ))  # fmt: skip


def test_progress_counts_up_to_all() -> None:
    seen: list[tuple[int, int]] = []
    many(AtOnce(), progress=lambda done, of: seen.append((done, of)))
    assert seen[-1] == (12, 12)
    assert [done for done, _ in seen] == sorted(done for done, _ in seen)


# --- the plants


def test_each_run_starts_at_rest_in_its_own_plant() -> None:
    """Until the gas steps nothing moves, whatever the plant; so also with a blend and curves."""
    for preset in ("crystal-furnace", "heat-treatment-furnace", "student-rig"):
        found = tuning(preset)
        prepared = prepare(found.study, found, "gas-step")
        fields = toleranced_fields(found.study)
        studies = []
        for number in range(4):
            changed = found.study
            for path, factor in drawn(fields, 0, number).items():
                changed = vary(changed, path, factor)
            studies.append(changed)
        for one, study in zip(scattered(found.study, prepared, studies), studies, strict=True):
            assert isinstance(one, Prepared)
            point = operating_point(
                study.system, indicated_pa=prepared.point.indicated_pa,
                gas_load_pa_m3_s=float(one.happenings.load[0, 1]), gauge=study.loop_gauge(),
            )  # fmt: skip
            assert one.start.pressures_pa == pytest.approx(point.node_pressures_pa, rel=1e-6)
            assert one.start.speed == pytest.approx(point.speed, rel=1e-6)
            assert one.start.speed != pytest.approx(prepared.start.speed, rel=1e-4)
            trace = one.run(ideal=True)
            quiet = trace.time_s < one.event_s - 1e-6
            assert np.ptp(trace.pressure_pa[quiet]) < 1e-7 * trace.pressure_pa[0]


def test_the_gas_of_the_duty_and_the_leak_are_drawn_apart() -> None:
    """Metered gas goes with the duty's factor, the leak with its own."""
    study = tuning().study.with_text({"system.gas_load.leak": "50 mbar L/s"})
    found = rule_tuning(study)
    prepared = prepare(study, found, "gas-step")
    hold = next(
        index for index, one in enumerate(study.duty.holds)
        if math.isclose(one.setpoint_pa, prepared.point.indicated_pa, rel_tol=1e-6)
    )  # fmt: skip
    before = prepared.happenings.load[:, 1]
    leaky = vary(study, "system.gas_load.leak", 1.5)
    more = vary(study, f"duty.hold[{hold}].gas_loads", 1.1)
    with_leak, with_gas = scattered(study, prepared, [leaky, more])
    assert isinstance(with_leak, Prepared)
    assert isinstance(with_gas, Prepared)
    assert with_leak.happenings.load[:, 1] == pytest.approx(before + 2.5)
    assert with_gas.happenings.load[:, 1] == pytest.approx(5.0 + 1.1 * (before - 5.0))


@pytest.mark.parametrize("scenario", ["pump-down", "return-from-standby"])
def test_scenarios_that_do_not_begin_at_rest_run_too(scenario: str) -> None:
    found = tuning()
    result = monte_carlo(found.study, found, scenario, runs=3, executor=AtOnce())
    assert len(result.runs) == 3
    assert np.unique(result.values("iae_relative_s")).size == 3


# --- what comes out


def slowest(trace: Trace, prepared: Prepared) -> dict[str, float]:
    return {"lowest": float(trace.columns["speed"].min()), "none": math.nan}


def test_quantiles_of_measures_and_readings() -> None:
    found = many(AtOnce(), runs=20)
    values = found.values("peak_deviation")
    assert values.shape == (20,)
    expected = np.sort(values)[[0, 9, 18]]
    assert found.quantiles()["peak_deviation"] == pytest.approx(expected)
    low, middle, high = found.readings()
    assert np.all(low <= middle)
    assert np.all(middle <= high)
    assert middle[0] == pytest.approx(middle[-1], rel=1e-2)
    own = many(AtOnce(), runs=3, measure=slowest)
    assert np.isnan(own.quantiles()["none"]).all()
    assert np.isfinite(own.quantiles()["lowest"]).all()
    with pytest.raises(InputError, match="there are: lowest"):
        own.values("highest")


def test_the_measures_are_the_metrics_of_the_run() -> None:
    study = tuning().study.with_text({"duty.limits.peak_deviation": "1 %"})
    found = rule_tuning(study)
    run = cc.simulate(study, found, "gas-step")
    measured = metric_values(run.trace, run.prepared)
    assert measured["peak_deviation"] == run.metrics.peak_deviation > 0.01
    assert measured["iae_relative_s"] == run.metrics.iae_relative_s
    assert measured["limit_cycle_amplitude"] == 0.0
    assert measured["holds"] == 0.0
    without = metric_values(run.trace, prepare(tuning().study, found, "gas-step"))
    assert math.isnan(without["holds"])


def test_a_draw_is_repeated_with_its_whole_trace() -> None:
    """The worst run of many, once more: same plant, same noise, same numbers."""
    found = tuning("crystal-furnace")
    result = many(AtOnce(), preset="crystal-furnace", runs=5, seed=4)
    worst = result.worst()
    assert worst is not None
    assert worst.measures["peak_deviation"] == result.values("peak_deviation").max()
    again = repeated(found.study, prepare(found.study, found, "gas-step"), worst.number, seed=4)
    assert metric_values(again.trace, again.prepared) == pytest.approx(
        worst.measures, rel=1e-6, nan_ok=True
    )
    shown = np.interp(result.time_s, again.trace.time_s, again.trace.columns["indicated_pa"])
    assert shown == pytest.approx(worst.indicated_pa, rel=1e-9)
    assert replace(result, runs=()).worst() is None


def test_a_run_that_breaks_a_limit_is_worse_than_one_that_peaks_higher() -> None:
    result = many(AtOnce(), runs=3)
    runs = [
        replace(run, measures={**run.measures, "holds": holds, "overshoot": over,
                               "peak_deviation": peak})
        for run, holds, over, peak in zip(
            result.runs, (1.0, 0.0, 0.0), (0.1, 0.0, math.nan), (0.9, 0.3, 0.2), strict=True
        )
    ]  # fmt: skip
    worst = replace(result, runs=tuple(runs)).worst()
    assert worst is not None
    assert worst.number == 2


# --- ends


def test_stopping_returns_what_is_complete_and_says_so() -> None:
    """Runs begun are finished; none is lost, none is invented."""
    done: list[int] = []
    with ThreadPoolExecutor(1) as threads:
        found = many(
            threads, runs=200, progress=lambda count, _: done.append(count),
            stop=lambda: bool(done) and done[-1] > 5,
        )  # fmt: skip
    assert found.cancelled
    assert 5 < len(found.runs) < 200
    assert any("Stopped early" in finding.text for finding in found.findings)
    whole = many(AtOnce(), runs=200)
    by_number = {run.number: run for run in whole.runs}
    for run in found.runs:
        assert run.measures == pytest.approx(by_number[run.number].measures, nan_ok=True)


def test_an_interrupt_from_the_keyboard_keeps_what_is_done() -> None:
    def interrupt(count: int, _: int) -> None:
        if count > 5:
            raise KeyboardInterrupt

    with ThreadPoolExecutor(1) as threads:
        found = many(threads, runs=200, progress=interrupt)
    assert found.cancelled
    assert 5 < len(found.runs) < 200
    assert threading.active_count() < 5


def test_an_interrupt_ends_more_than_these_draws_also_when_they_were_all_made() -> None:
    """Whoever pressed Ctrl-C during the last one does not want what comes next."""

    def interrupt(count: int, of: int) -> None:
        if count == of:
            raise KeyboardInterrupt

    found = many(AtOnce(), runs=3, progress=interrupt)
    assert found.cancelled
    assert len(found.runs) == 3
    assert any("when all 3 runs were made" in finding.text for finding in found.findings)


@pytest.mark.slow
def test_ctrl_c_to_all_processes_ends_cleanly(tmp_path: Path) -> None:
    """The signal of a terminal goes to the workers as well; what is done is kept."""
    script = tmp_path / "many.py"
    script.write_text(CTRL_C, encoding="utf-8")
    done = subprocess.run(
        [sys.executable, str(script)], capture_output=True, text=True, timeout=300, check=False,
        start_new_session=True, env={**os.environ, "PYTHONPATH": str(ROOT)},
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert done.stdout.split()[:2] == ["True", "True"], done.stdout
    assert "Traceback" not in done.stderr


def test_plants_that_cannot_hold_the_setpoint_are_kept_as_failures() -> None:
    """With a pumping speed known within 60 % some plants need more than full speed."""
    study = tuning().study.with_text(
        {"system.backing.displacement": {"is": "100 L/s", "tolerance": "60 %"}}
    )
    found = rule_tuning(study)
    result = monte_carlo(study, found, "gas-step", runs=60, executor=AtOnce())
    assert 0 < len(result.failures) < 60
    assert len(result.runs) + len(result.failures) == 60
    assert not result.cancelled
    assert all("speed" in one.reason or one.reason for one in result.failures)
    assert all(one.factors for one in result.failures)
    assert any(finding.subject == "failed runs" for finding in result.findings)


def test_a_worker_that_dies_costs_only_its_own_runs() -> None:
    found = many(Breaks())
    assert found.failures
    assert len(found.runs) + len(found.failures) == 12
    assert all("out of memory" in one.reason for one in found.failures)
    first = many(AtOnce())
    for run in found.runs:
        assert run.measures == pytest.approx(first.runs[run.number].measures, nan_ok=True)


@pytest.mark.parametrize("runs", [0, -1, 10**9])
def test_an_absurd_number_of_runs_is_refused(runs: int) -> None:
    with pytest.raises(InputError, match="number of runs"):
        many(AtOnce(), runs=runs)
