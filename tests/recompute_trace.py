"""Replay the law and recompute every metric from a trace's CSV with numpy alone; no chamberctl.

    python tests/recompute_trace.py FOLDER/gas-step-point-3.csv

prints by how much each column of the law and each of the file's metrics differs from the recomputed
one, and ends with 1 if any does. The equations are those of the file's own comments and of
docs/reference/metrics.md.
"""

from __future__ import annotations

import csv
import math
import re
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

LAW_TOLERANCE, METRIC_TOLERANCE = 1e-9, 1e-9


@dataclass
class File:
    """What the file says: comments as numbers or words by group and name, columns as arrays."""

    said: dict[str, dict[str, Any]]
    columns: dict[str, Any]


def read(text: str) -> File:
    """Read a trace."""
    lines = text.splitlines()
    comments = [line[2:] for line in lines if line.startswith("#")]
    rows = list(csv.DictReader(lines[len(comments) :]))
    said: dict[str, dict[str, Any]] = {}
    for comment in comments:
        group, _, rest = comment.partition(": ")
        if group in ("Counted", "Drive", "Metrics") or re.fullmatch(r"Settings \d+", group):
            parts = (part.partition(" = ") for part in rest.split("; "))
            said[group] = {name: value_of(value) for name, _, value in parts}
        if found := re.match(r"Started from output (\S+) without", comment):
            said["Start"] = {"output": float(found[1])}
    columns: dict[str, Any] = {}
    for name in rows[0]:
        cells = [row[name] for row in rows]
        numbers = [float(cell) if cell else math.nan for cell in cells] if name != "mode" else []
        columns[name] = np.array(cells if name == "mode" else numbers)
    return File(said, columns)


def value_of(text: str) -> float | str:
    """A number, without the words behind it, or a word."""
    first = text.split(" ")[0]
    try:
        return float(first)
    except ValueError:
        return first


def law(file: File) -> dict[str, Any]:
    """Columns that the law makes of the readings."""
    at, s = file.columns, file.said["Settings 1"]
    unit = "decades" if s["reading"] == "log10" else "pa"
    ts = s["scan_time_s"]
    yf = d = integral = r_old = 0.0
    u, fresh = file.said["Start"]["output"], True
    names = (f"yf_{unit}", "d_fraction", "I_fraction", "v_fraction", "u_fraction")
    made: dict[str, list[float]] = {name: [] for name in names}
    s = file.said[f"Settings {at['set'][0]:g}"]
    for r, y, f, mode, given, number in zip(
        at[f"r_{unit}"], at[f"y_{unit}"], at["F_fraction"], at["mode"], at["u_fraction"],
        at["set"], strict=True,
    ):  # fmt: skip
        old, s = s, file.said[f"Settings {number:g}"]
        kc = s["kc"]
        if s is not old:
            gain = old["kc"] * old["td_s"]
            scaled = d * kc * s["td_s"] / gain if gain else 0.0
            p_old, p_new = old["kc"] * (yf - old["b"] * r_old), kc * (yf - s["b"] * r_old)
            integral, d = integral + p_old - p_new + d - scaled, scaled
        if mode == "bad reading":
            y = yf
        if mode != "auto" or fresh:
            yf_old, r_old = y, r
        else:
            yf_old = yf
        step = s["setpoint_ramp_per_s"] * ts
        r = min(max(r, r_old - step), r_old + step)
        yf = yf_old + (y - yf_old) * ts / (s["tf_s"] + ts)
        change = (yf - s["c"] * r) - (yf_old - s["c"] * r_old)
        d = d + (kc * s["td_s"] * change / ts - d) * ts / (s["tfd_s"] + ts)
        e, p, r_old = yf - r, kc * (yf - s["b"] * r), r
        early = kc * ts / s["ti_s"] * e if s["integral"] == "before" else 0.0
        if mode != "auto":
            u = v = given
            integral = u - p - d - f - early
        else:
            if fresh:
                integral = u - p - d - f - early
            integral = integral + early
            v = p + integral + d + f
            move = s["output_rate_per_s"] * ts
            u = min(max(v, u - move), u + move)
            u = min(max(u, s["output_min"]), s["output_max"])
            if s["integral"] == "after":
                integral = integral + kc * ts / s["ti_s"] * e
            integral = integral + ts / s["tracking_time_s"] * (u - v)
        fresh = mode != "auto"
        for name, value in zip(names, (yf, d, integral, v, u), strict=True):
            made[name].append(value)
    return {name: np.array(values) for name, values in made.items()}


def metrics(file: File) -> dict[str, float]:
    """Every metric that is a number, but for those of a limit cycle."""
    at, counted, drive = file.columns, file.said["Counted"], file.said["Drive"]
    t, n, h = at["time_s"], at["speed_fraction"], counted["hold_band"]
    eps = at["judged_pa"] / at["setpoint_pa"] - 1.0
    begin = first(t, counted["event_s"])
    late = first(t, counted["counted_from_s"])
    ts, hours = t[1] - t[0], (t[-1] - t[begin]) / 3600.0
    found = {"overshoot": math.nan, "undershoot": math.nan}
    if (which := that_count(eps[late:], h)) is not None:
        found["overshoot"] = eps[late:][which].max(initial=0.0)
        found["undershoot"] = (-eps[late:][which]).max(initial=0.0)
    found["settling_s"] = last_exit(t[late:], eps[late:], h, t[late])
    found["time_in_band"] = float(np.mean(np.abs(eps[late:]) <= h))
    which = that_count(eps[begin:], h)
    sizes = np.abs(eps[begin:]) * (1.0 if which is None else which)
    peak = begin + int(sizes.argmax())
    found["peak_deviation"], found["peak_time_s"] = sizes.max(), t[peak]
    recovered = last_exit(t[peak:], eps[peak:], h, t[peak])
    found["recovery_s"] = recovered if sizes.max() > h else 0.0
    size = np.abs(eps[begin:])
    found["iae_relative_s"] = ts * float(size.sum() - 0.5 * (size[0] + size[-1]))
    found["drive_travel_per_h"] = float(np.abs(np.diff(n[begin:])).sum()) / hours
    least = max(1e-3, 1.5 * drive["resolution"])
    found["reversals_per_h"] = reversals(n[begin:], least) / hours
    found["time_on_ramp_s"] = ts * float(on_ramp(file, ts)[begin:].sum())
    found["time_on_limits_s"] = ts * float(at_limit(file)[begin:-1].sum())
    if "p_interstage_pa" in at:
        across = at["p_interstage_pa"] - at["p_pump_inlet_pa"]
        found["largest_booster_difference_pa"] = across.max()
        found["booster_difference_time_s"] = t[across.argmax()]
    return found


def first(t: Any, moment: float) -> int:
    """First scan at or after a moment, at most the last but one."""
    return min(int(np.argmax(t >= moment - 1e-9)), len(t) - 2)


def that_count(eps: Any, h: float) -> Any:
    """Which scans count after the setpoint was reached; None where it never was."""
    if abs(eps[0]) <= h:
        return np.ones(len(eps), dtype=bool)
    near = eps * np.sign(eps[0])
    if near.min() > h:
        return None
    crossed = np.cumsum(near <= 0.0) > 0
    entered = np.cumsum(near <= h) > 0
    return crossed | (entered & (near > h))


def last_exit(t: Any, eps: Any, h: float, since: float) -> float:
    """Time from a moment to the scan behind the last one outside the band."""
    outside = np.flatnonzero(np.abs(eps) > h)
    if not len(outside):
        return 0.0
    return math.inf if outside[-1] + 1 == len(t) else float(t[outside[-1] + 1] - since)


def reversals(values: Any, least: float) -> int:
    """How often a record turns back by more than some distance."""
    turns, direction, low, high = 0, 0, values[0], values[0]
    for value in values:
        low, high = min(low, value), max(high, value)
        if direction >= 0 and high - value > least:
            turns, direction, low, high = turns + (direction > 0), -1, value, value
        elif direction <= 0 and value - low > least:
            turns, direction, low, high = turns + (direction < 0), 1, value, value
    return turns


def on_ramp(file: File, ts: float) -> Any:
    """Share of each scan period in which a ramp held the speed back."""
    drive = file.said["Drive"]
    moves = np.diff(file.columns["speed_fraction"])
    share = np.zeros(len(moves))
    for full, way in ((drive["rise_time_s"], moves), (drive["fall_time_s"], -moves)):
        if full > 0.0:
            part = np.clip(way * full / ts, 0.0, 1.0)
            share = np.maximum(share, part if drive["lag_s"] == 0.0 else part > 1.0 - 1e-6)
    if drive["second_ramp_s"] > 0.0:
        part = np.abs(np.diff(file.columns["command_fraction"])) * drive["second_ramp_s"] / ts
        share = np.maximum(share, part > 1.0 - 1e-6)
    return share


def at_limit(file: File) -> Any:
    """Scans in automatic at which the output stands at its lowest or highest value."""
    s, drive, u = file.said["Settings 1"], file.said["Drive"], file.columns["u_fraction"]
    low = max(s["output_min"], drive["minimum_speed"])
    high = min(s["output_max"], drive["maximum_speed"])
    return (file.columns["mode"] == "auto") & ((u <= low + 1e-9) | (u >= high - 1e-9))


def differences(file: File) -> dict[str, float]:
    """Largest difference of each column of the law; relative difference of each metric."""
    found = {
        name: float(np.max(np.abs(values - file.columns[name])))
        for name, values in law(file).items()
    }
    for name, value in metrics(file).items():
        given = file.said["Metrics"][name]
        same = given == value or (math.isnan(given) and math.isnan(value))
        found[name] = 0.0 if same else abs(value - given) / max(abs(given), abs(value))
    return found


def main(path: str) -> int:
    """Compare a file with itself; return 1 where anything differs."""
    found = differences(read(Path(path).read_text(encoding="utf-8")))
    for name, difference in found.items():
        print(f"{name:<32} {difference:.1e}")
    return int(any(not difference < LAW_TOLERANCE for difference in found.values()))


if __name__ == "__main__":
    sys.exit(main(sys.argv[1]))
