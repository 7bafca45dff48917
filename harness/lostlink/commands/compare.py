"""``lostlink compare``: two evidence folders."""

from __future__ import annotations

import click

from lostlink.commands import shared
from lostlink.evidence.comparison import compare, conclusion, exit_code
from lostlink.evidence.reader import read_evidence
from lostlink.show import comparison


@click.command("compare")
@click.argument("before", metavar="A")
@click.argument("after", metavar="B")
@click.option("--markdown", metavar="FILE", help="Write the comparison as Markdown, for the summary of a CI job.")
@shared.quiet_option
def command(before: str, after: str, markdown: str | None, quiet: bool) -> None:
    """Compare two evidence folders: what got better or worse from A to B, requirement by requirement.

    A change of firmware, two boards, simulation and bench, two campaigns. A measured value counts as changed only
    when the difference exceeds both uncertainties; failures of campaigns are compared by an exact test.

    Exit codes: 0 no requirement was lost; 1 a met requirement is no longer met, or a campaign fails significantly
    more often; 2 bad input; 4 a met requirement is no longer shown.

    \b
    lostlink compare evidence-of-last-week lostlink-evidence
    """  # noqa: D301
    a, b = read_evidence(before), read_evidence(after)
    rows = compare(a, b)
    if markdown is not None:
        shared.write_output("--markdown", markdown, comparison.as_markdown(a, b, rows))
    if quiet:
        click.echo(conclusion(rows))
    else:
        comparison.show(a, b, rows)
    raise SystemExit(exit_code(rows))
