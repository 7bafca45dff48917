"""``lostlink report``: writes the page of an evidence folder again."""

from __future__ import annotations

from pathlib import Path

import click

from lostlink.errors import EvidenceError
from lostlink.evidence.run_reader import read_runs
from lostlink.report import write_report
from lostlink.verdicts import printable


@click.command("report")
@click.argument("folder", metavar="FOLDER")
def command(folder: str) -> None:
    """Write FOLDER/report.html again, from the evidence in FOLDER.

    The page is one file that works offline. Charts need the plotting library: pip install 'lostlink[report]'.

    \b
    lostlink report lostlink-evidence
    """  # noqa: D301
    click.echo(write_report(Path(folder)))
    if unreadable := read_runs(Path(folder))[1]:
        raise EvidenceError(f"written without {len(unreadable)} of its runs: {printable('; '.join(unreadable))}")
