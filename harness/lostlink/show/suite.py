"""A run of the suite in the terminal: progress, the conclusion, what failed by severity, counts of what is met."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from typing import Any, Final

from rich.markup import escape

from lostlink.results import Result, not_under_test
from lostlink.show.console import cautions, console, last_line, moving, paragraph, verdict_table
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


MOST_FINDINGS: Final = 3
"""So many are shown whole, the most severe; the others are in the evidence."""


def verdicts(result: Result, head: dict[str, Any], folder: str, *, everything: bool) -> None:
    """Show the conclusion, what is not met by severity, the most severe findings, and counts of what is met.

    Parameters
    ----------
    result : Result
    head : dict
        What was tested.
    folder : str
        Of the evidence.
    everything : bool
        Show what is met too, and all findings.
    """
    out = console()
    source = f", {escape(head['profile_file'])}" if head["profile_file"] else ""
    out.print(f"link [bold]{escape(head['profile'])}[/bold]{source}; receiver: {escape(head['receiver'])}; "
              f"{'handset: ' + escape(head['handset']) + '; ' if 'handset' in head else ''}"
              f"rig: {head['rig']}; seed {head['seed']}")  # fmt: skip
    for words in not_under_test(head.get("proves", ())):
        paragraph(words)
    last_line(result.exit_code, result.conclusion)
    for severity in Severity:
        rows = _of(result, severity, without=() if everything else (Outcome.MET,))
        if rows:
            out.print(verdict_table(rows, f"\n{severity.value}: {severity.meaning}"))
    found = _findings(result)
    for finding in found if everything else found[:MOST_FINDINGS]:
        paragraph(f"\n{finding}")
    if not everything:
        _counts(result, len(found), folder)
    if "bench" in head:
        out.print()
        for name, text in result.rig.items():
            paragraph(f"{name}: {text}")
    cautions()
    if found:
        last_line(result.exit_code, result.conclusion)
    counts = (
        (len(result.verdicts), "requirement"),
        (sum(verdict.runs for verdict in result.verdicts), "run"),
        (sum(verdict.checks for verdict in result.verdicts), "measurement"),
    )
    words = ", ".join(counted(count, name) for count, name in counts)
    paragraph(f"{words} in {head['duration_s']:.1f} s.")


def _of(result: Result, severity: Severity, *, without: tuple[Outcome, ...] = ()) -> list[Verdict]:
    return [
        verdict for verdict in result.verdicts
        if verdict.requirement.severity is severity and verdict.outcome not in without
    ]  # fmt: skip


def _findings(result: Result) -> list[str]:
    """Return the findings on requirements that are not met, otherwise all; the most severe first."""
    failed = {verdict.requirement.id for verdict in result.with_outcome(Outcome.NOT_MET)}
    ids = [verdict.requirement.id for severity in Severity for verdict in _of(result, severity)]
    others = [name for name in result.findings if name not in ids]
    shown = [name for name in (*ids, *others) if name in result.findings and (not failed or name in failed)]
    return [result.findings[name] for name in shown]


def _counts(result: Result, findings: int, folder: str) -> None:
    """Show how many requirements are met, and where the other findings are."""
    if findings > MOST_FINDINGS:
        more = counted(findings - MOST_FINDINGS, "more finding")
        paragraph(f"\n{more} in {folder}/failing and in the report; --all shows them here")
    met = [
        f"{count} {severity.value}" for severity in Severity
        if (count := sum(verdict.outcome is Outcome.MET for verdict in _of(result, severity)))
    ]  # fmt: skip
    if met:
        paragraph(f"\nmet: {', '.join(met)}; --all lists them with their measured values")
