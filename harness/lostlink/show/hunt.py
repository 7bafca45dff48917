"""A hunt in the terminal."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator

from rich.markup import escape

from lostlink.hunt.description import Case, conclusion, coverage_lines, text
from lostlink.hunt.runner import Budget
from lostlink.hunt.search import Hunt, Progress
from lostlink.show.console import cautions, console, moving
from lostlink.verdicts import counted


def show(result: Hunt, case: Case) -> None:
    """Show a hunt in the terminal."""
    out = console()
    for finding in result.findings:
        out.print(f"[bold red]X[/bold red] {escape(text(result, finding, case))}", soft_wrap=True)
        out.print()
    if not result.findings:
        out.print(escape(conclusion(result)), soft_wrap=True)
    for line in coverage_lines(result):
        out.print(escape(line), soft_wrap=True)
    cautions()
    if result.findings:
        out.print(f"Evidence: {escape(str(case.folder))}", soft_wrap=True)


@contextlib.contextmanager
def hunt_progress(budget: Budget) -> Iterator[Progress]:
    """Show the progress of a hunt."""
    total = budget.runs if budget.runs is not None else budget.seconds

    def done(runs: int, seconds: float) -> float:
        spent = runs if budget.runs is not None else seconds
        return min(spent, total or spent)

    with moving("hunting") as move:
        yield lambda runs, seconds, activity: move(
            done(runs, seconds), total, f"{activity}, {counted(runs, 'run')}, {seconds:.0f} s"
        )
