"""The report's tables on the page."""

from __future__ import annotations

from chamberctl.report.tables import Table, as_html
from desk import style


def show_table(table: Table) -> None:
    """Show a table as it stands in the report; one without rows is left out."""
    if table.rows:
        style.wide(as_html(table))
