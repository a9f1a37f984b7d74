"""The controller's law: as it runs, as a frequency response, and what it does outside automatic."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st

from chamberctl.control.controller import (
    LAW,
    Memory,
    PidSettings,
    change_settings,
    numbers,
    reading_of,
    scan,
    step,
)
from chamberctl.errors import InputError
from tests import reference
from tests.validation import Validation

SEQUENCE = reference.load("control/sampled_pi_sequence")
FILTER = reference.load("control/pid_derivative_filter")

FULL = PidSettings(
    kc=0.8,
    ti_s=12.0,
    td_s=3.0,
    tf_s=0.7,
    tfd_s=0.5,
    b=0.6,
    c=0.3,
    reading="linear",
    scan_time_s=0.4,
    output_min=-1e9,
    output_max=1e9,
)


def run(
    law: PidSettings, readings: np.ndarray, setpoints: np.ndarray, start: Memory | None = None
) -> np.ndarray:
    memory = Memory(fresh=False) if start is None else start
    outputs = []
    for y, r in zip(readings, setpoints, strict=True):
        memory = step(memory, law, float(r), float(y))
        outputs.append(memory.output)
    return np.array(outputs)


# --- against tables -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "method,integral", [("forward", "after"), ("backward", "before"), ("tustin", "after")]
)
def test_pi_loop_scan_by_scan(method: str, integral: Any, validation: Validation) -> None:
    """A trapezoidal integral is the law "after" with Kc (1 + Ts/2Ti) and Ti + Ts/2."""
    rows = [row for row in SEQUENCE.rows if row["method"] == method]
    first = rows[0]
    half = 0.5 * first["h"] if method == "tustin" else 0.0
    # the table's plant rises with its input: a negative gain of the law
    law = replace(
        FULL, kc=-first["K"] * (1.0 + half / first["Ti"]), ti_s=first["Ti"] + half, td_s=0.0,
        tf_s=0.0, tfd_s=0.0, b=1.0, scan_time_s=first["h"], integral=integral,
    )  # fmt: skip
    a = math.exp(-first["h"] / first["T"])
    memory, y, found = Memory(fresh=False), 0.0, {}
    for k in range(15):
        memory = scan(numbers(law), memory, 1.0, y, 0.0, False, 0.0)
        found[k] = (y, memory.output)
        y = a * y + first["Kp"] * (1 - a) * memory.output
    for row in rows:
        y, u = found[int(row["k"])]
        validation.check(SEQUENCE, "PI loop: reading", row["y"], y, abs=2e-8)
        validation.check(SEQUENCE, "PI loop: output", row["u"], u, abs=2e-8)


@pytest.mark.parametrize("row", FILTER.rows, ids=lambda row: f"{row['Td']:g}-{row['h']:g}")
def test_derivative_and_integral_steps(row: dict[str, Any], validation: Validation) -> None:
    law = replace(
        FULL, kc=row["K"], ti_s=row["Ti"], td_s=row["Td"], tfd_s=row["Td"] / row["N"], tf_s=0.0,
        b=0.0, c=0.0, scan_time_s=row["h"],
    )  # fmt: skip
    n = numbers(law)
    first = scan(n, Memory(fresh=False), 0.0, 1.0, 0.0, False, 0.0)  # the reading steps by 1
    second = scan(n, first, 0.0, 1.0, 0.0, False, 0.0)
    ratio = second.derivative / first.derivative
    validation.check(FILTER, "derivative: first step", -row["be_bd"], first.derivative, rel=2e-9)
    validation.check(FILTER, "derivative: decay", row["be_ad"], ratio, rel=3e-9)
    validation.check(FILTER, "integral step", row["int_backward_coeff"], first.integral, rel=1e-9)


# --- one definition -------------------------------------------------------------------------------


@pytest.mark.parametrize("integral", ["after", "before"])
@pytest.mark.parametrize(
    "change",
    [{}, {"td_s": 0.0}, {"tf_s": 0.0, "tfd_s": 0.0}, {"ti_s": math.inf}, {"scan_time_s": 2.0}],
    ids=str,
)
def test_frequency_response_is_that_of_the_law_as_it_runs(integral: Any, change: Any) -> None:
    """Sum of the impulse response times z^-k, on a circle just outside the unit circle's."""
    law = replace(FULL, integral=integral, **change)
    count = 4000
    impulse = np.zeros(count)
    impulse[0] = 1.0
    answer = run(law, impulse, np.zeros(count))
    rest = answer[-1]  # the integral of an impulse stays
    ts = law.scan_time_s
    for w in (0.01, 0.2, 1.0, 0.999 * math.pi / ts):
        z = np.exp(1j * w * ts)
        transform = np.sum((answer - rest) * z ** -np.arange(count)) + rest / (1.0 - 1.0 / z)
        assert complex(law.frequency_response(w)) == pytest.approx(transform, rel=1e-9)


def test_frequency_response_of_a_sinusoid() -> None:
    w, ts = 0.3, FULL.scan_time_s
    time = ts * np.arange(20000)
    outputs = run(FULL, np.cos(w * time), np.zeros(time.size))
    tail = slice(10000, None)
    basis = np.stack([np.cos(w * time), -np.sin(w * time), np.ones(time.size)], axis=1)[tail]
    real, imag, _ = np.linalg.lstsq(basis, outputs[tail], rcond=None)[0]
    assert complex(FULL.frequency_response(w)) == pytest.approx(complex(real, imag), rel=1e-9)


def test_continuous_law_is_the_limit_of_fast_scans() -> None:
    w = np.array([0.01, 0.1, 1.0, 5.0])
    exact = replace(FULL, scan_time_s=None).frequency_response(w)
    s = 1j * w
    formula = (0.8 + 0.8 / (12 * s) + 0.8 * 3 * s / (0.5 * s + 1)) / (0.7 * s + 1)
    np.testing.assert_allclose(exact, formula, rtol=1e-13)
    fast = replace(FULL, scan_time_s=1e-5).frequency_response(w)
    np.testing.assert_allclose(fast, exact, rtol=2e-4)


def test_setpoint_weights() -> None:
    law = replace(FULL, tf_s=0.0, tfd_s=0.0)
    memory = step(Memory(fresh=False), law, 1.0, 0.0)
    # P = -Kc b r, D = -Kc c Td r/Ts, and the integral comes after
    assert memory.output == pytest.approx(-0.8 * 0.6 - 0.8 * 0.3 * 3.0 / 0.4, rel=1e-12)
    assert memory.integral == pytest.approx(-0.8 * 0.4 / 12.0, rel=1e-12)


def test_the_law_is_written_down() -> None:
    for part in ("I + Kc (Ts/Ti) e", "yf + (y - yf) Ts/(Tf + Ts)", "L(z) = -K(z) G(z)", "Ts/Tt"):
        assert part in LAW
    assert "pressure above setpoint -> speed up" in LAW


# --- limits ---------------------------------------------------------------------------------------


def test_clamp_and_tracking() -> None:
    law = PidSettings(kc=1.0, ti_s=10.0, tt_s=2.0, reading="linear", scan_time_s=1.0)
    memory = step(Memory(output=0.5, integral=0.5, fresh=False), law, 0.0, 3.0)
    assert memory.output == 1.0
    # v = 3.5: I = 0.5 + 0.1 x 3 + (1/2)(1 - 3.5)
    assert memory.integral == pytest.approx(0.5 + 0.3 - 1.25, rel=1e-12)


def test_proportional_control_keeps_its_bias_at_a_limit() -> None:
    law = PidSettings(kc=1.0, reading="linear", scan_time_s=1.0)
    memory = step(Memory(output=0.5, integral=0.5, fresh=False), law, 0.0, 3.0)
    assert (memory.output, memory.integral) == (1.0, 0.5)


def test_rate_limit_before_clamp() -> None:
    law = replace(FULL, output_rate_per_s=0.05, output_min=0.0, output_max=1.0)
    outputs = run(law, np.full(50, 5.0), np.zeros(50), Memory(output=0.3, fresh=False))
    np.testing.assert_allclose(np.diff(outputs)[:30], 0.02, rtol=1e-9)
    assert outputs.max() == 1.0


def test_tracking_time_is_at_least_one_scan() -> None:
    assert PidSettings(kc=1.0, ti_s=0.5, scan_time_s=2.0).tracking_time_s == 2.0
    assert PidSettings(kc=1.0, ti_s=5.0, scan_time_s=2.0).tracking_time_s == 5.0
    with pytest.raises(InputError, match="at least one scan"):
        PidSettings(kc=1.0, ti_s=5.0, tt_s=1.0, scan_time_s=2.0)


# --- without a bump -------------------------------------------------------------------------------

LEVELS = st.floats(-2.0, 2.0)


@given(start=st.floats(0.1, 0.9), y=LEVELS, r=LEVELS, feed=st.floats(-0.2, 0.2))
@hypothesis_settings(max_examples=50, derandomize=True, deadline=None)
def test_release_from_manual(start: float, y: float, r: float, feed: float) -> None:
    law = replace(FULL, output_min=0.0, output_max=1.0)
    memory = Memory(output=0.0)
    for k in range(200):
        memory = step(
            memory, law, r, y + 0.001 * k, mode="manual", applied=start, feed_forward=feed
        )
        assert memory.output == start
    memory = step(memory, law, r, y + 0.2, feed_forward=feed)
    # the filter and the derivative go on from the reading at rest: only one scan's move is seen
    assert memory.output == pytest.approx(start, abs=0.8 * 0.001 * (1 + 3.0 / 0.4) + 1e-9)


@pytest.mark.parametrize("mode", ["manual", "override", "standby"])
def test_output_is_held_where_none_is_given(mode: Any) -> None:
    memory = step(Memory(output=0.42), FULL, 1.0, 2.0, mode=mode)
    assert memory.output == 0.42


def test_first_scan_in_automatic_starts_from_the_start_output() -> None:
    memory = step(Memory(output=0.37), FULL, 1.0, 2.5)
    assert memory.output == pytest.approx(0.37, rel=1e-12)


@pytest.mark.parametrize("bad", [math.nan, math.inf, -math.inf, "flag"])
def test_bad_reading_holds_and_recovers_without_bump(bad: Any) -> None:
    memory = Memory(fresh=False, output=0.5, integral=0.5)
    for _ in range(20):
        memory = step(memory, FULL, 1.0, 1.2)
    before = memory.output
    for _ in range(5):
        if bad == "flag":
            memory = step(memory, FULL, 1.0, 99.0, reading_good=False)
        else:
            memory = step(memory, FULL, 1.0, bad)
        assert memory.output == before
        assert all(math.isfinite(value) for value in memory)
    memory = step(memory, FULL, 1.0, 1.9)
    assert memory.output == pytest.approx(before, rel=1e-12)
    gone = step(memory, FULL, 1.0, math.nan, applied=0.2)
    assert gone.output == 0.2


@pytest.mark.parametrize(
    "change",
    [
        {"kc": 2.0},
        {"b": 1.0},
        {"ti_s": 3.0},
        {"td_s": 1.0},
        {"kc": 2.0, "td_s": 6.0},
        {"td_s": 0.0},
    ],
    ids=str,
)
def test_change_of_settings_without_a_jump(change: Any) -> None:
    """At rest, and under a steady ramp of the reading, too."""
    ramp = 0.002
    memory = Memory(fresh=False, output=0.5, integral=0.5)
    for k in range(400):
        memory = step(memory, FULL, 1.0, 1.0 + ramp * k)
    unchanged = step(memory, FULL, 1.0, 1.0 + ramp * 400)
    new = replace(FULL, **change)
    changed = step(change_settings(memory, FULL, new), new, 1.0, 1.0 + ramp * 400)
    handed_over = change_settings(memory, FULL, new)
    v = [
        law.kc * (m.filtered - law.b * m.setpoint) + m.integral + m.derivative
        for law, m in ((FULL, memory), (new, handed_over))
    ]
    assert v[1] == pytest.approx(v[0], rel=1e-12)
    # what is left is one scan's own move, with other gains
    assert changed.output == pytest.approx(unchanged.output, abs=2.0 * ramp)


def test_change_of_the_reading_starts_from_the_output() -> None:
    memory = Memory(fresh=False, output=0.5, integral=0.5)
    memory = step(memory, FULL, 200.0, 210.0)
    new = replace(FULL, reading="log10", kc=0.1)
    after = step(change_settings(memory, FULL, new), new, math.log10(200.0), math.log10(210.0))
    assert after.output == pytest.approx(memory.output, rel=1e-12)


# --- what is refused ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "field,value",
    [
        ("kc", math.nan),
        ("ti_s", 0.0),
        ("ti_s", -1.0),
        ("ti_s", math.nan),
        ("td_s", -0.1),
        ("tf_s", math.inf),
        ("tfd_s", -1.0),
        ("b", math.nan),
        ("tt_s", 0.0),
        ("scan_time_s", 0.0),
        ("scan_time_s", math.inf),
        ("computation_delay_s", -0.1),
        ("output_min", 2.0),
        ("output_rate_per_s", 0.0),
        ("integral", "never"),
        ("reading", "ln"),
    ],
)
def test_settings_that_are_refused(field: str, value: Any) -> None:
    with pytest.raises(InputError, match=field) as caught:
        PidSettings(**{"kc": 1.0, field: value})
    assert caught.value.first.field == field


def test_stepping_needs_a_scan_time_and_a_known_mode() -> None:
    with pytest.raises(InputError, match="needs a scan time"):
        step(Memory(), PidSettings(kc=1.0), 0.0, 0.0)
    with pytest.raises(InputError, match="the mode is one of"):
        step(Memory(), FULL, 0.0, 0.0, mode="automatic")  # type: ignore[arg-type]


def test_reading_is_floored_before_the_logarithm() -> None:
    assert reading_of(1000.0, "log10", 1.0) == pytest.approx(3.0)
    assert reading_of(-5.0, "log10", 1.0) == 0.0
    assert reading_of(-5.0, "linear", 1.0) == -5.0


def test_the_computation_delay_is_one_scan_unless_stated() -> None:
    assert replace(FULL, scan_time_s=0.4, computation_delay_s=None).delay_s == 0.4
    assert replace(FULL, scan_time_s=0.4, computation_delay_s=0.1).delay_s == 0.1
    assert replace(FULL, scan_time_s=None, computation_delay_s=None).delay_s == 0.0


def test_the_setpoint_ramps_to_what_was_typed_in() -> None:
    """By hand: 0.1 decades per second, 0.5 s a scan; proportional action follows the ramp."""
    law = PidSettings(kc=2.0, scan_time_s=0.5, setpoint_ramp_per_s=0.1, output_min=-9.0)
    memory = step(Memory(output=0.5), law, 1.0, 1.0)
    seen = []
    for _ in range(6):
        memory = step(memory, law, 1.2, 1.0)
        seen.append(memory.setpoint)
        assert memory.output == pytest.approx(0.5 - 2.0 * (memory.setpoint - 1.0), rel=1e-12)
    assert seen == pytest.approx([1.05, 1.1, 1.15, 1.2, 1.2, 1.2], rel=1e-12)
    memory = step(memory, law, 0.3, 1.0, mode="manual")
    assert memory.setpoint == 0.3
