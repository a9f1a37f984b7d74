"""A run as a table for other software: every column with its unit, and all to replay the law."""

from __future__ import annotations

import io
from collections.abc import Iterator
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from chamberctl import __version__
from chamberctl.cautions import CAUTIONS
from chamberctl.control.controller import LAW
from chamberctl.simulation.draws import metric_values
from chamberctl.simulation.judging import counted_from_s, watched_pressure

if TYPE_CHECKING:
    from chamberctl.simulation.scenarios import ScenarioRun
    from chamberctl.study import Drive, Study

__all__ = ["trace_csv"]

FORMAT = "chamberctl-trace/1"
#: Name in the file, column of the trace; {y} stands for "decades" or "pa".
_PLANT = (
    ("indicated_pa", "indicated_pa"), ("gauge_pa", "gauge_pa"),
    ("gas_load_pa_m3_s", "gas_load_pa_m3_s"), ("speed_fraction", "speed"),
    ("command_fraction", "command"), ("openness_fraction", "openness"),
    ("booster_share_fraction", "booster_share"),
)  # fmt: skip
_LAW = (
    ("r_{y}", "setpoint"), ("y_{y}", "reading"), ("yf_{y}", "filtered"),
    ("d_fraction", "derivative"), ("I_fraction", "integral"), ("v_fraction", "unlimited"),
    ("u_fraction", "output"),
)  # fmt: skip


def trace_csv(study: Study, run: ScenarioRun, *, seed: int | None = None) -> str:
    """Return a run as comma-separated text.

    Parameters
    ----------
    study : Study
        What was simulated.
    run : ScenarioRun
        The run.
    seed : int, optional
        Seed of the gauge's noise, for the record.

    Returns
    -------
    str
        Comment lines that start with "#" (what it is, the law with its settings, the cautions), a
        header row with the unit at the end of each name, and one row per scan with every digit.
    """
    table = _columns(run)
    text = io.StringIO()
    for comment in _comments(study, run, seed):
        text.write(f"# {' '.join(comment.split())}\n")
    text.write(",".join(table) + "\n")
    cells = [_cells(values) for values in table.values()]
    text.writelines(",".join(row) + "\n" for row in zip(*cells, strict=True))
    return text.getvalue()


def _columns(run: ScenarioRun) -> dict[str, NDArray]:
    trace = run.trace
    reading = "decades" if trace.settings.reading == "log10" else "pa"
    columns: dict[str, NDArray] = {
        "time_s": trace.time_s,
        "setpoint_pa": trace.setpoint_pa,
        "judged_pa": watched_pressure(run.prepared, trace),
    }
    columns |= {name: trace.columns[column] for name, column in _PLANT}
    nodes = [name for name in trace.columns if name.startswith("p_")]
    columns |= {name: trace.columns[name] for name in nodes}
    for name, column in _LAW:
        columns[name.format(y=reading)] = trace.columns[column]
    columns["F_fraction"] = _feed_forward(run)
    columns["set"] = trace.columns["entry"] + 1.0
    bad, held = trace.columns["bad"], trace.columns["held"]
    words = np.where(bad == 1.0, "bad reading", np.where(held == 1.0, "held", "auto"))
    columns["mode"] = np.where(np.isfinite(bad), words, "")
    return columns


def _feed_forward(run: ScenarioRun) -> NDArray:
    """F of the law at each scan; the last one goes on."""
    size, given = run.trace.time_s.size, run.prepared.happenings.feed_forward
    if given is None:
        return np.zeros(size)
    scans = np.minimum(np.arange(size), given.size - 1)
    return np.asarray(given[scans], dtype=float)


def _cells(values: NDArray) -> list[str]:
    if values.dtype.kind == "U":
        return [str(value) for value in values]
    return ["" if value != value else repr(value) for value in values.tolist()]


def _drive(drive: Drive) -> list[str]:
    names = (
        "minimum_speed", "maximum_speed", "resolution", "rise_time_s", "fall_time_s",
        "second_ramp_s", "lag_s",
    )  # fmt: skip
    return [f"{name} = {getattr(drive, name)!r}" for name in names]


def _sets(run: ScenarioRun) -> Iterator[str]:
    """Every set of settings, and when which is used."""
    steps = run.prepared.steps
    sets = (run.trace.settings,) if steps is None else steps.settings
    per = "decade" if sets[0].reading == "log10" else "Pa"
    names = (
        "ti_s", "td_s", "tf_s", "tfd_s", "b", "c", "tracking_time_s", "integral", "reading",
        "scan_time_s", "delay_s", "output_min", "output_max", "output_rate_per_s",
        "setpoint_ramp_per_s",
    )  # fmt: skip
    for number, settings in enumerate(sets, start=1):
        values = "; ".join(f"{name} = {getattr(settings, name)}" for name in names)
        yield f"Settings {number}: kc = {settings.kc!r} speed fraction per {per}; {values}"
    if steps is not None:
        unit = "Pa indicated" if steps.key == "reading" else "speed fraction"
        places = "; ".join(f"{one.up!r} up, {one.down!r} down" for one in steps.thresholds)
        yield (
            f"The set changes with the {steps.key} at ({places}) {unit}; column set says which one "
            "a scan uses. Where it changes, before anything else of that scan: d is multiplied by "
            "the ratio of Kc Td, and I moves so that P + I + d stays, P with yf and r of the scan "
            "before."
        )


def _comments(study: Study, run: ScenarioRun, seed: int | None) -> list[str]:
    prepared = run.prepared
    measures = "; ".join(
        f"{name} = {value!r}" for name, value in metric_values(run.trace, prepared).items()
    )
    return [
        f"{FORMAT}: {prepared.title} ({prepared.name}), simulated by chamberctl {__version__}",
        f"Loop {study.controller.tag}: {study.title}; the loop holds {prepared.point.where}"
        .rstrip(),
        "Computed from a model, not measured. Noise: "
        + ("none" if seed is None else f"seed {seed}"),
        *(f"{finding.subject}: {finding.text}" for finding in run.findings),
        *_sets(run),
        *LAW.splitlines(),
        f"Started from output {prepared.start.memory.output!r} without a bump.",
        f"Counted: hold_band = {prepared.hold_band!r}; event_s = {prepared.event_s!r}; "
        f"settled_s = {prepared.settled_s!r}; counted_from_s = {counted_from_s(prepared)!r}",
        f"Drive: {'; '.join(_drive(prepared.system.drive))}",
        f"Metrics: {measures}",
        "Columns end in their unit; fraction: of rated speed, or of 1. One row per scan: pressures "
        "and speed at the scan, then what the law made of them; r before its ramp, I and d after "
        "the scan. Mode: auto; held (the output is given from outside, u is what is applied); bad "
        "reading (the output is u, and the next good scan starts from it without a bump). An empty "
        "cell is not known. Metrics are counted on judged_pa: what the gauge sent, or would have "
        "sent while it failed.",
        *(f"{caution.title}: {caution.text}" for caution in CAUTIONS),
    ]  # fmt: skip
