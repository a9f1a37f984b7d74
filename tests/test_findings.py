"""Findings in the order in which they are read."""

from __future__ import annotations

from chamberctl.findings import Finding, gravest_first


def test_the_gravest_come_first_and_equals_keep_their_order() -> None:
    said = [("note", "a"), ("no", "b"), ("caution", "c"), ("no", "d"), ("note", "e")]
    ordered = gravest_first(Finding(severity, name, "") for severity, name in said)
    assert "".join(finding.subject for finding in ordered) == "bdcae"
