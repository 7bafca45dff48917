"""A hunt in the terminal."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator

from rich.markup import escape

from lostlink.hunt.description import Case, conclusion, text, tried
from lostlink.hunt.runner import Budget
from lostlink.hunt.search import Hunt, Progress
from lostlink.show.console import cautions, console, moving


def show(found: Hunt, case: Case) -> None:
    """Show a hunt in the terminal."""
    out = console()
    for finding in found.findings:
        out.print(f"[bold red]X[/bold red] {escape(text(found, finding, case))}", soft_wrap=True)
        out.print()
    if not found.findings:
        out.print(escape(conclusion(found)), soft_wrap=True)
    for line in tried(found):
        out.print(escape(line), soft_wrap=True)
    cautions()
    if found.findings:
        out.print(f"Evidence: {escape(str(case.folder))}", soft_wrap=True)


@contextlib.contextmanager
def hunt_progress(budget: Budget) -> Iterator[Progress]:
    """Show the progress of a hunt."""
    total = budget.runs if budget.runs is not None else budget.seconds

    def done(runs: int, seconds: float) -> float:
        spent = runs if budget.runs is not None else seconds
        return min(spent, total or spent)

    with moving("hunting") as move:
        yield lambda runs, seconds, doing: move(
            done(runs, seconds), total, f"{doing}, {runs} runs, {seconds:.0f} s"
        )  # fmt: skip
