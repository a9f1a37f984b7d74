"""Is the closed loop stable? Turns around -1 on the frequency axis, confirmed by poles."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from chamberctl.control.frequency import Array, Complex, Index, LoopStack
from chamberctl.control.sweep import Sweep

#: Largest closed-loop matrix whose poles are sought, in a stack of many loops and of few.
LARGEST, LARGEST_OF_FEW, FEW = 48, 400, 8
#: Loops of about the same order whose poles are sought together.
GROUP = 64
#: |z| - 1, or Re s against the fastest pole, that poles cannot tell from zero.
DOUBT = 1e-7


def unstable_by_turns(line: Sweep) -> NDArray[np.int64]:
    """Return the number of unstable closed-loop poles of each loop, from the turns of 1 + L.

    Poles at zero frequency are multiplied out: f = (1 + L) (jw/(jw + a))^m is followed from its
    real value at w = 0 to z = -1, or to infinity, where |L| < 1 cannot turn any more. Then
    Z = P - (turn of f)/pi with P the open loop's unstable poles.
    """
    stack = line.stack
    first, last = line.start[:-1], line.start[1:] - 1
    corner = line.omega[first] * 30.0
    a = corner[line.row]
    m = stack.integrators
    f = (1.0 + line.value) * (1j * line.omega / (1j * line.omega + a)) ** m[line.row]
    with np.errstate(invalid="ignore", divide="ignore"):
        turn = np.where(line.inner, np.angle(f[1:] / f[:-1]), 0.0)
    total = np.add.reduceat(np.append(turn, 0.0), first)
    # the share below the first point: f(0) is real
    start = np.angle(f[first])
    total += start - np.pi * np.round(start / np.pi)
    if stack.scan_time_s is None:
        total -= _rest_of_turn(line, f[last])
    return np.round(stack.unstable_poles - total / np.pi).astype(np.int64)


def _rest_of_turn(line: Sweep, f: Complex) -> Array:
    """Return by how much f at its last point has turned past its end at infinite frequency.

    With |L| < 1 beyond the last point, 1 + L ends there at 1. Without dead time it ends at the
    real number 1 + L(inf); where L grows with s, the half circle at infinity adds a quarter turn.
    """
    end = line.limit
    prompt = line.stack.dead_time_s == 0.0
    infinite = np.isinf(end) & prompt
    negative = prompt & (end < -1.0) & ~infinite
    direction = np.where(infinite, 1j * np.sign(end), np.where(negative, -1.0, 1.0))
    return np.angle(f / direction) + np.where(infinite, 0.5 * np.pi, 0.0)


def closed_loop_poles(stack: LoopStack, rows: Index) -> Complex | None:
    """Return the closed-loop poles (P, m) of some loops, z when sampled, s when continuous.

    None where there is no finite number of them (continuous with dead time), or where the order
    of the law cannot be written as states (ideal derivative on a plant that passes steps).
    """
    if stack.scan_time_s is not None:
        return np.linalg.eigvals(_sampled_matrix(stack, rows)).astype(complex)
    if np.any(stack.dead_time_s[rows] > 0.0):
        return None
    matrix = _continuous_matrix(stack, rows)
    return None if matrix is None else np.linalg.eigvals(matrix).astype(complex)


def _sampled_matrix(stack: LoopStack, rows: Index) -> Array:
    """States: plant, u of the scans before (newest first), filtered reading, integral, derivative.

    y(k) = out x + direct u(k - d - 1); x+ = whole x + first u(k - d) + second u(k - d - 1).
    """
    n = stack.factor.shape[1]
    ts = stack.scan_time_s
    assert ts is not None
    ts = ts[rows]
    delay = stack.delay_scans[rows]
    longest = int(delay.max()) + 1
    size = n + longest + 3
    count = rows.size
    every = np.arange(count)
    law = {name: value[rows] for name, value in stack.law.items()}
    factor, first, second, out = stack.states(rows)
    yf, integral, derivative = n + longest, n + longest + 1, n + longest + 2
    matrix = np.zeros((count, size, size))
    y = np.zeros((count, size))
    y[:, :n] = out
    y[every, n + delay] = stack.direct[rows]
    af, ad = ts / (law["tf"] + ts), ts / (law["tfd"] + ts)
    filtered = af[:, None] * y
    filtered[:, yf] += 1.0 - af
    slope = filtered.copy()
    slope[:, yf] -= 1.0
    d = (ad * law["kc"] * law["td"] / ts)[:, None] * slope
    d[:, derivative] += 1.0 - ad
    step = (law["kc"] * ts / law["ti"])[:, None] * filtered
    u = law["kc"][:, None] * filtered + d + law["before"][:, None] * step
    u[:, integral] += 1.0
    matrix[:, :n, :n] = factor
    matrix[:, np.arange(n), np.arange(n)] += 1.0
    matrix[every, :n, n + delay] += second
    now = delay == 0
    matrix[now, :n] += first[now][:, :, None] * u[now][:, None, :]
    late = np.flatnonzero(~now)
    matrix[late, :n, n + delay[late] - 1] += first[late]
    matrix[:, n] = u
    for k in range(1, longest):
        matrix[:, n + k, n + k - 1] = 1.0
    matrix[:, yf] = filtered
    matrix[:, integral] = step
    # without integral action there is no such state
    matrix[:, integral, integral] += np.isfinite(law["ti"])
    matrix[:, derivative] = d
    return matrix


def _continuous_matrix(stack: LoopStack, rows: Index) -> Array | None:
    """States: plant, filtered reading, integral, filtered derivative (unused ones decay)."""
    n = stack.factor.shape[1]
    law = {name: value[rows] for name, value in stack.law.items()}
    count = rows.size
    factor, first, _, out = stack.states(rows)
    direct = stack.direct[rows]
    ideal = (law["td"] > 0.0) & (law["tfd"] == 0.0)
    filters = law["tf"] > 0.0
    if np.any(ideal & ~filters & (direct != 0.0)):
        return None
    kc, td = law["kc"], law["td"]
    size = n + 3
    yf, integral, derivative = n, n + 1, n + 2
    # y = out x + direct u; u = kc yf + i + d, each a row over the states plus a share of u itself
    tf = np.where(filters, law["tf"], 1.0)
    tfd = np.where(law["tfd"] > 0.0, law["tfd"], 1.0)
    y = np.zeros((count, size))
    y[:, :n] = out
    reading = np.where(filters[:, None], np.eye(size)[yf], y)
    reading_u = np.where(filters, 0.0, direct)
    # derivative of the filtered reading, where the law is ideal
    slope = np.zeros((count, size))
    slope[:, :n] = np.einsum("ni,nij->nj", out, factor)
    slope_u = np.einsum("ni,ni->n", out, first)
    slope = np.where(filters[:, None], (y - np.eye(size)[yf]) / tf[:, None], slope)
    slope_u = np.where(filters, direct / tf, slope_u)
    lag = (td > 0.0) & ~ideal
    d = np.where(ideal[:, None], (kc * td)[:, None] * slope, 0.0)
    d_u = np.where(ideal, kc * td * slope_u, 0.0)
    d = d + np.where(
        lag[:, None], (kc * td / tfd)[:, None] * (reading - np.eye(size)[derivative]), 0
    )
    d_u = d_u + np.where(lag, kc * td / tfd * reading_u, 0.0)
    share = 1.0 - kc * reading_u - d_u
    if np.any(share == 0.0):
        return None
    u = (kc[:, None] * reading + d + np.eye(size)[integral]) / share[:, None]
    y_full = y + direct[:, None] * u
    reading_full = np.where(filters[:, None], np.eye(size)[yf], y_full)
    matrix = np.zeros((count, size, size))
    matrix[:, :n, :n] = factor
    matrix[:, :n] += first[:, :, None] * u[:, None, :]
    matrix[:, yf] = np.where(filters[:, None], (y_full - np.eye(size)[yf]) / tf[:, None], 0.0)
    matrix[:, integral] = (kc / law["ti"])[:, None] * reading_full
    matrix[:, derivative] = np.where(
        lag[:, None], (reading_full - np.eye(size)[derivative]) / tfd[:, None], 0.0
    )
    scale = np.abs(factor).max(axis=(1, 2))
    matrix[~filters, yf, yf] = -scale[~filters]
    matrix[~np.isfinite(law["ti"]), integral, integral] = -scale[~np.isfinite(law["ti"])]
    matrix[~lag, derivative, derivative] = -scale[~lag]
    return matrix


def stable_loops(line: Sweep) -> NDArray[np.bool_]:
    """Return which loops are stable.

    Poles decide where there are any and they are not within rounding of the boundary; elsewhere
    the turns do. A loop with dead time whose gain does not fall below 1 is unstable.
    """
    stack = line.stack
    stable = unstable_by_turns(line) == 0
    endless = (stack.dead_time_s > 0.0) & (np.abs(line.limit) >= 1.0)
    stable &= ~endless & (stack.law["kc"] != 0.0)
    for rows in _groups(stack):
        poles = closed_loop_poles(stack, rows)
        if poles is not None:
            stable[rows] = _verdict(poles, stable[rows], stack.scan_time_s is not None)
    return stable


def _groups(stack: LoopStack) -> list[Index]:
    """Return the loops whose poles are sought, in groups of about one order."""
    if stack.scan_time_s is None:
        rows = np.flatnonzero(stack.dead_time_s == 0.0)
        return [rows] if rows.size else []
    order = stack.factor.shape[1] + stack.delay_scans + 4
    rows = np.argsort(order, kind="stable")
    rows = rows[order[rows] <= (LARGEST if stack.count > FEW else LARGEST_OF_FEW)]
    return np.array_split(rows, -(-rows.size // GROUP)) if rows.size else []


def _verdict(poles: Complex, by_turns: NDArray[np.bool_], sampled: bool) -> NDArray[np.bool_]:
    if sampled:
        excess: Array = np.abs(poles).max(axis=1) - 1.0
    else:
        excess = poles.real.max(axis=1) / np.abs(poles).max(axis=1)
    return np.where(np.abs(excess) > DOUBT, excess < 0.0, by_turns)
