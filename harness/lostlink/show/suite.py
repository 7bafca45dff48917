"""A run of the suite in the terminal: progress, verdicts by severity, findings, the conclusion."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from typing import Any

from rich.markup import escape
from rich.table import Table

from lostlink.results import Result
from lostlink.show.console import SIGNS, cautions, console, last_line, moving
from lostlink.suite.run import Progress
from lostlink.verdicts import Outcome, Severity, Verdict, counted


@contextlib.contextmanager
def suite_progress() -> Iterator[Progress]:
    """Show the progress of the suite."""
    with moving("proving") as move:
        yield lambda done, total, name: move(
            done, total, f"{done} of {total} requirements, "
            + name.rpartition("::")[2].removeprefix("test_").replace("_", " "),
        )  # fmt: skip


def verdicts(result: Result, head: dict[str, Any]) -> None:
    """Show the verdicts by severity, the findings and the conclusion."""
    out = console()
    source = f", {escape(head['profile_file'])}" if head["profile_file"] else ""
    out.print(f"link [bold]{escape(head['profile'])}[/bold]{source}; receiver: {escape(head['receiver'])}; "
              f"rig: {head['rig']}; seed {head['seed']}")  # fmt: skip
    for severity in Severity:
        rows = [verdict for verdict in result.verdicts if verdict.requirement.severity is severity]
        if rows:
            out.print(_table(severity, rows))
    failed = {verdict.requirement.id for verdict in result.with_outcome(Outcome.NOT_MET)}
    for requirement_id, finding in result.findings.items():
        if not failed or requirement_id in failed:
            out.print()
            out.print(escape(finding), soft_wrap=True)
    if "bench" in head:
        out.print()
        for name, text in result.rig.items():
            out.print(f"{name}: {escape(text)}", soft_wrap=True)
    cautions(out)
    last_line(out, result.exit_code, result.conclusion)
    counts = (
        (len(result.verdicts), "requirement"),
        (sum(verdict.runs for verdict in result.verdicts), "run"),
        (sum(verdict.checks for verdict in result.verdicts), "measurement"),
    )
    words = ", ".join(counted(count, name) for count, name in counts)
    out.print(f"{words} in {head['duration_s']:.1f} s.", soft_wrap=True)


def _table(severity: Severity, rows: list[Verdict]) -> Table:
    title = f"{severity.value}: {severity.meaning}"
    table = Table(title=title, title_justify="left", title_style="bold", box=None, pad_edge=False)
    table.add_column("", no_wrap=True)
    table.add_column("id", no_wrap=True)
    table.add_column("requirement", ratio=4)
    table.add_column("measured", ratio=3)
    table.add_column("limit", ratio=2)
    for verdict in rows:
        sign, style = SIGNS[verdict.outcome]
        text = verdict.measured if verdict.outcome in (Outcome.MET, Outcome.NOT_MET) else verdict.reason
        table.add_row(
            f"[{style}]{sign} {verdict.outcome.value}[/{style}]", verdict.requirement.id,
            escape(verdict.statement), escape(text), escape(verdict.limit),
        )  # fmt: skip
    return table
