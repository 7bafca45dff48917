"""What every screen uses: the console, paragraphs, tables, signs for outcomes, progress, cautions, the last line."""

from __future__ import annotations

import contextlib
import sys
import time
from collections.abc import Callable, Iterable, Iterator
from typing import TYPE_CHECKING

from rich.console import Console
from rich.markup import escape
from rich.measure import Measurement
from rich.table import Table

from lostlink.errors import ExitCode
from lostlink.results import CAUTIONS
from lostlink.verdicts import Outcome, Verdict

if TYPE_CHECKING:
    from lostlink.evidence.folder import EvidenceFolder

_SIGNS = {
    Outcome.MET: ("+", "green"),
    Outcome.NOT_MET: ("X", "bold red"),
    Outcome.INCONCLUSIVE: ("?", "yellow"),
    Outcome.NOT_TESTED: ("-", "yellow"),
    Outcome.WAIVED: ("~", "yellow"),
}
_WIDTH_WITHOUT_TERMINAL = 120
_ANY_WIDTH = 10_000
_HEARTBEAT_S = 10.0


class _Console(Console):
    def on_broken_pipe(self) -> None:
        """Let the command line give a closed output pipe its exit code."""
        raise


def console() -> Console:
    """Return the console for results; without a terminal, wide enough for a table."""
    width = None if sys.stdout.isatty() else _WIDTH_WITHOUT_TERMINAL
    return _Console(width=width, highlight=False, emoji=False)


Moved = Callable[[float, float | None, str], None]
"""Called with the progress, the total (None when it is not known), and the current activity."""


@contextlib.contextmanager
def moving(what: str) -> Iterator[Moved]:
    """Show progress on standard error: a bar on a terminal, elsewhere a line every ten seconds."""
    if not sys.stderr.isatty():
        last_s = time.monotonic()

        def beat(done: float, total: float | None, text: str) -> None:
            nonlocal last_s
            if time.monotonic() - last_s > _HEARTBEAT_S:
                last_s = time.monotonic()
                print(f"{what}: {text}", file=sys.stderr, flush=True)  # noqa: T201

        yield beat
        return
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn, TimeRemainingColumn

    columns = (
        TextColumn(what), BarColumn(), TextColumn("{task.fields[text]}"), TimeElapsedColumn(), TimeRemainingColumn(),
    )  # fmt: skip
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("", total=None, text="")
        yield lambda done, total, text: bar.update(task, completed=done, total=total, text=text)


def mark(outcome: Outcome) -> str:
    """Return an outcome as markup: sign, colour and word, so that colour alone never tells it."""
    sign, style = _SIGNS[outcome]
    return f"[{style}]{sign} {outcome.value}[/{style}]"


def paragraph(text: str) -> None:
    """Show plain text on one line, however long; the terminal wraps it."""
    console().print(escape(text), soft_wrap=True)


def table(*headings: str, left: int = 1) -> Table:
    """Return a table without lines: the first `left` columns are left-aligned, the others right-aligned.

    Cells that have no room wrap at words; nothing is cut off.
    """
    made = Table(box=None, pad_edge=False)
    lines = max((heading.count("\n") for heading in headings), default=0)
    for index, heading in enumerate(headings):
        above = "\n" * (lines - heading.count("\n"))
        made.add_column(above + heading, justify="left" if index < left else "right", overflow="fold")
    return made


def show_table(made: Table) -> None:
    """Show a table; its columns move together where the terminal is narrow."""
    out = console()
    if Measurement.get(out, out.options.update(width=_ANY_WIDTH), made).maximum > out.width:
        made.padding = (0, 1, 0, 0)
    out.print(made)


def verdict_table(verdicts: Iterable[Verdict], title: str | None = None) -> Table:
    """Return the verdicts as a table whose texts wrap."""
    made = Table(title=title, title_justify="left", title_style="bold", box=None, pad_edge=False)
    for heading, ratio in (("", None), ("id", None), ("requirement", 4), ("measured", 3), ("limit", 2)):
        made.add_column(heading, ratio=ratio, no_wrap=ratio is None)
    for verdict in verdicts:
        is_decided = verdict.outcome in (Outcome.MET, Outcome.NOT_MET)
        texts = [verdict.measured, "" if is_decided else verdict.remark]
        cells = (verdict.requirement.id, verdict.statement, "; ".join(filter(None, texts)), verdict.limit)
        made.add_row(mark(verdict.outcome), *map(escape, cells))
    return made


def cautions() -> None:
    """Show the cautions."""
    console().print("\n" + "\n".join(CAUTIONS) + "\n", soft_wrap=True)


def evidence_line(folder: EvidenceFolder) -> None:
    """Show where the evidence is."""
    paragraph(f"Evidence: {folder.target}/report.html")
    kept_line(folder)


def kept_line(folder: EvidenceFolder) -> None:
    """Show where the evidence of an earlier run is, if this one was interrupted."""
    if folder.kept is not None:
        paragraph(f"The earlier run's evidence, which is complete, is kept in {folder.kept}")


def last_line(code: ExitCode, text: str) -> None:
    """Show the conclusion with the sign of its outcome."""
    outcome = {ExitCode.MET: Outcome.MET, ExitCode.NOT_MET: Outcome.NOT_MET, ExitCode.BAD_INPUT: Outcome.NOT_MET}
    sign, style = _SIGNS[outcome.get(code, Outcome.INCONCLUSIVE)]
    console().print(f"[{style}]{sign} {escape(text)}[/{style}]", soft_wrap=True)
