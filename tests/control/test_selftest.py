"""The self-test of the program itself: passes here, and can fail."""

from __future__ import annotations

from dataclasses import replace

from chamberctl.control.selftest import self_test


def test_a26_known_loops_pass_on_this_machine() -> None:
    """Two lags with dead time, a sampled cubic loop, closed forms and the control library."""
    rows = self_test()
    assert all(row.passed for row in rows), [row for row in rows if not row.passed]
    loops = " ".join(row.loop for row in rows)
    assert "dead time 3 s" in loops
    assert "sampled at 0.05 s" in loops
    assert "python-control" in loops


def test_a_drifted_number_fails() -> None:
    for row in self_test():
        assert not replace(row, computed=1.02 * row.computed).passed
