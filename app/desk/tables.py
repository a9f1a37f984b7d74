"""The report's tables on the page."""

from __future__ import annotations

import streamlit as st

from chamberctl.report.tables import Table, as_html


def show_table(table: Table) -> None:
    """Show a table as it stands in the report; one without rows is left out."""
    if table.rows:
        st.html(f'<div class="wide" tabindex="0">{as_html(table)}</div>')
