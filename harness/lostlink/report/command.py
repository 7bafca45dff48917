"""``lostlink report``: the page of an evidence folder, made again."""

from __future__ import annotations

from pathlib import Path

import click

BAD_INPUT = 2


@click.command("report")
@click.argument("folder", metavar="FOLDER")
def report_command(folder: str) -> None:
    """Write FOLDER/report.html again, from the evidence that lies in FOLDER.

    The page is one file that works offline. Charts need the plotting library: pip install 'lostlink[report]'.

    Such as:  lostlink report lostlink-evidence
    """
    from lostlink.errors import LostlinkError
    from lostlink.report import write_report

    try:
        click.echo(write_report(Path(folder)))
    except LostlinkError as error:
        click.echo(f"lostlink: {error}", err=True)
        raise SystemExit(BAD_INPUT) from None
