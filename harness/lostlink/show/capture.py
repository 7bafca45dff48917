"""Terminal output of `read`: the picture, the channels, the events, the verdicts, the conclusion."""

from __future__ import annotations

from collections.abc import Iterator

from rich.markup import escape
from rich.table import Table

from lostlink.captures import wording
from lostlink.captures.judging import Findings
from lostlink.captures.signals import PS_PER_US, Capture
from lostlink.captures.strips import clock_time, legend, picture
from lostlink.errors import ExitCode
from lostlink.results import CAPTURE_SHOWS
from lostlink.show.console import cautions, console, last_line, paragraph, table, verdict_table
from lostlink.verdicts import quantity
from lostlink_sims import Profile, Trace

_MOST_EVENTS = 24


def show(capture: Capture, findings: Findings, profile: Profile | None, trace: Trace | None) -> None:
    """Show the findings of a capture."""
    out = console()
    for line in _head(capture, findings):
        out.print(line, soft_wrap=True)
    out.print()
    rows = picture(capture, findings, profile)
    for row in [*rows, legend(rows), ""]:
        paragraph(row)
    out.print(_channels(findings, profile))
    for line in _event_lines(capture, findings, trace):
        paragraph(line)
    out.print()
    if findings.verdicts:
        out.print(verdict_table(findings.verdicts))
        paragraph(f"{findings.others}: not tested, because pulses alone do not show them.")
    else:
        paragraph(f"For a profile:\n{wording.proposal(findings.train)}")
    cautions()
    paragraph(f"{CAPTURE_SHOWS}\n")
    last_line(findings.exit_code if findings.verdicts else ExitCode.UNDECIDED, findings.conclusion)


def _head(capture: Capture, findings: Findings) -> Iterator[str]:
    """Yield the file, the resolution, the shape of the train and the notes, as markup."""
    train = findings.train
    yield (
        f"capture [bold]{escape(capture.source)}[/bold]: {capture.form}, signal {escape(train.signal.name)}, "
        f"{len(train.signal.at_ps)} edges in {quantity(train.end_ps / PS_PER_US, 'µs')}"
    )
    period, uncertainty = wording.sampling(train)
    yield f"sample period {period}: uncertainty of a time between two edges {uncertainty}"
    yield from (escape(f"  {line}") for line in wording.shape(train))
    yield from (escape(f"  note: {note}") for note in wording.notes(capture, findings))


def _channels(findings: Findings, profile: Profile | None) -> Table:
    head, rows = wording.channel_table(findings, profile)
    made = table(*head)
    for row in rows:
        made.add_row(*map(escape, row))
    return made


def _event_lines(capture: Capture, findings: Findings, trace: Trace | None) -> list[str]:
    """Return an empty line and the events, without the middle ones of many."""
    events = wording.events(findings, trace)
    lines = [f"{clock_time(capture, at_ps):>13}  {text}." for at_ps, text in events]
    half = _MOST_EVENTS // 2
    if len(lines) > _MOST_EVENTS:
        lines[half:-half] = [f"{'':>13}  … {len(lines) - 2 * half} more …"]
    if trace is not None and lines:
        lines.append(wording.MOTORS)
    return ["", *lines] if lines else []
