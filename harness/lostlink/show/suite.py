"""A run of the suite in the terminal: progress, verdicts by severity, findings, the conclusion."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from typing import Any

from rich.markup import escape

from lostlink.results import Result, not_under_test
from lostlink.show.console import cautions, console, last_line, moving, paragraph, verdict_table
from lostlink.suite.run import Progress
from lostlink.verdicts import Outcome, Severity, counted


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
              f"{'handset: ' + escape(head['handset']) + '; ' if 'handset' in head else ''}"
              f"rig: {head['rig']}; seed {head['seed']}")  # fmt: skip
    for words in not_under_test(head.get("proves", ())):
        paragraph(words)
    for severity in Severity:
        rows = [verdict for verdict in result.verdicts if verdict.requirement.severity is severity]
        if rows:
            out.print(verdict_table(rows, f"{severity.value}: {severity.meaning}"))
    failed = {verdict.requirement.id for verdict in result.with_outcome(Outcome.NOT_MET)}
    for requirement_id, finding in result.findings.items():
        if not failed or requirement_id in failed:
            paragraph(f"\n{finding}")
    if "bench" in head:
        out.print()
        for name, text in result.rig.items():
            paragraph(f"{name}: {text}")
    cautions()
    last_line(result.exit_code, result.conclusion)
    counts = (
        (len(result.verdicts), "requirement"),
        (sum(verdict.runs for verdict in result.verdicts), "run"),
        (sum(verdict.checks for verdict in result.verdicts), "measurement"),
    )
    words = ", ".join(counted(count, name) for count, name in counts)
    paragraph(f"{words} in {head['duration_s']:.1f} s.")
