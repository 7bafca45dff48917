"""What all screens of plans share."""

from __future__ import annotations

from rich.markup import escape
from rich.table import Table

from lostlink.show.console import console


def table(*headings: str) -> Table:
    """Return a table with its first column left-aligned, the others right-aligned."""
    made = Table(box=None, pad_edge=False)
    for index, heading in enumerate(headings):
        made.add_column(heading, justify="left" if index == 0 else "right", no_wrap=True)
    return made


def paragraph(text: str) -> None:
    """Show plain text on one line, however long; the terminal wraps it."""
    console().print(escape(text), soft_wrap=True)
