"""What every screen uses: the console, signs for outcomes, progress, cautions, the last line."""

from __future__ import annotations

import contextlib
import sys
import time
from collections.abc import Callable, Iterator

from rich.console import Console
from rich.markup import escape

from lostlink.errors import ExitCode
from lostlink.results import CAUTIONS
from lostlink.verdicts import Outcome

#: Never by colour alone: each outcome has its own sign and its own words.
SIGNS = {
    Outcome.MET: ("+", "green"),
    Outcome.NOT_MET: ("X", "bold red"),
    Outcome.INCONCLUSIVE: ("?", "yellow"),
    Outcome.NOT_TESTED: ("-", "yellow"),
    Outcome.WAIVED: ("~", "yellow"),
}
_WIDTH_WITHOUT_TERMINAL = 120
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
"""Called with the progress, the total (None when it is not known), and the current activity in words."""


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


def cautions(out: Console) -> None:
    """Show the cautions."""
    out.print()
    for caution in CAUTIONS:
        out.print(caution, soft_wrap=True)
    out.print()


def evidence_line(folder: object) -> None:
    """Show where the evidence is."""
    console().print(f"Evidence: {escape(str(folder))}/report.html", soft_wrap=True)


def last_line(out: Console, code: ExitCode, text: str) -> None:
    """Show the conclusion with the sign of its outcome."""
    outcome = {ExitCode.MET: Outcome.MET, ExitCode.NOT_MET: Outcome.NOT_MET, ExitCode.BAD_INPUT: Outcome.NOT_MET}
    sign, style = SIGNS[outcome.get(code, Outcome.INCONCLUSIVE)]
    out.print(f"[{style}]{sign} {escape(text)}[/{style}]", soft_wrap=True)
