"""Findings, refusals and problems as the page shows them: by sign and word, not by color alone."""

from __future__ import annotations

from collections.abc import Iterable

import streamlit as st

import chamberctl as cc
from chamberctl.errors import Problem

_LOOKS = {
    "no": (st.error, "✗ No"),
    "caution": (st.warning, "! Caution"),
    "note": (st.info, "i Note"),
}


def show_findings(findings: Iterable[cc.Finding]) -> None:
    """Show findings as they come, each with its weight in words."""
    for finding in findings:
        look, word = _LOOKS[finding.severity]
        look(f"**{word}, {finding.subject}:** {finding.text}")


def show_refusal(refusal: cc.Infeasible | cc.InputError) -> None:
    """Show why there is no answer."""
    if isinstance(refusal, cc.Infeasible):
        st.error(f"**✗ No settings:** {refusal.reason} {refusal.nearest}")
    else:
        show_problems("No settings", refusal.problems)


def show_problems(head: str, problems: Iterable[Problem]) -> None:
    """Show what is wrong with an input, each problem on its own line."""
    lines = (f"- `{problem}`".replace("``", "`") for problem in problems)
    st.error("\n".join((f"**✗ {head}**\n", *lines)))


def show_cautions() -> None:
    """Show the whole safety text."""
    with st.expander("Cautions: what this is not, and what it never replaces"):
        for caution in cc.CAUTIONS:
            st.markdown(f"**{caution.title}.** {caution.text}")
