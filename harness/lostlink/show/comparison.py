"""A comparison of two evidence folders, in the terminal and as Markdown."""

from __future__ import annotations

from typing import Final

from rich.markup import escape
from rich.table import Table

from lostlink.evidence import summary
from lostlink.evidence.comparison import Change, ComparedRequirement, conclusion, exit_code, set_up
from lostlink.evidence.reader import Evidence
from lostlink.show.console import console, last_line, paragraph
from lostlink.verdicts import Verdict, printable

_SIGNS: Final = {
    Change.BROKEN: ("X", "bold red"), Change.WORSE: ("X", "red"), Change.DOUBTFUL: ("?", "yellow"),
    Change.GONE: ("-", "yellow"), Change.NEW: ("*", ""), Change.SAME: ("=", ""),
}  # fmt: skip


def as_markdown(before: Evidence, after: Evidence, rows: list[ComparedRequirement]) -> str:
    """Return the comparison as Markdown."""
    table = summary.table(
        ("", "requirement", "before", "now", "change", "measured"),
        (
            (summary.escaped(row.id), summary.escaped(row.verdict.statement), _outcome(row.before), _outcome(row.after),
             row.change.value, summary.escaped(row.note or row.measured))
            for row in rows
        ),
    )  # fmt: skip
    folders = f"From `{before.folder}` to `{after.folder}`."
    return summary.page(
        "Comparison",
        conclusion(rows),
        [folders],
        [f"- {summary.escaped(line)}" for line in set_up(before, after)],
        table,
    )


def show(before: Evidence, after: Evidence, rows: list[ComparedRequirement]) -> None:
    """Show what changed, and the conclusion."""
    out = console()
    was, now = (f"{side.folder} ({side.document.tested.get('date', 'no date')})" for side in (before, after))
    paragraph(printable(f"from {was} to {now}"))
    for line in set_up(before, after):
        paragraph(f"  differs: {line}")
    table = Table(box=None, pad_edge=False)
    for heading in ("", "id", "before", "now", "measured"):
        table.add_column(heading, ratio=1 if heading == "measured" else None, no_wrap=heading != "measured")
    shown = [row for row in rows if row.change is not Change.SAME or row.note]
    for row in shown:
        sign, style = _SIGNS.get(row.change, ("+", "green"))
        mark = f"[{style}]{sign} {row.change.value}[/{style}]" if style else f"{sign} {row.change.value}"
        name, measured = (escape(printable(text)) for text in (row.id, row.note or row.measured))
        table.add_row(mark, name, _outcome(row.before), _outcome(row.after), measured)
    if shown:
        out.print(table)
    out.print()
    last_line(exit_code(rows), conclusion(rows))


def _outcome(verdict: Verdict | None) -> str:
    return verdict.outcome.value if verdict else "-"
