"""``lostlink compare``: two evidence folders."""

from __future__ import annotations

import click

from lostlink.commands import shared
from lostlink.evidence.comparison import check_comparable, compare, conclusion, exit_code
from lostlink.evidence.reader import read_evidence
from lostlink.files import OutputFile
from lostlink.show import comparison


@click.command("compare")
@click.argument("before", metavar="A")
@click.argument("after", metavar="B")
@click.option("--markdown", metavar="FILE", help="Write the comparison as Markdown, for the summary of a CI job.")
@shared.force_option
@shared.quiet_option
def command(before: str, after: str, markdown: str | None, force: bool, quiet: bool) -> None:
    """Compare two evidence folders: what got better or worse from A to B, requirement by requirement.

    For a change of firmware, two boards, simulation and bench, or two campaigns. A measured value counts as changed
    only when the difference exceeds both uncertainties. Failures of campaigns are compared by an exact test.

    Exit codes: 0 all requirements met in A are met in B; 1 one of them is not met, or a campaign fails significantly
    more often; 2 bad input; 4 one of them is inconclusive, not tested or missing.

    \b
    lostlink compare evidence-of-last-week lostlink-evidence
    """  # noqa: D301
    file = OutputFile("--markdown", markdown, force=force, inputs=[before, after])
    a, b = read_evidence(before), read_evidence(after)
    check_comparable(a, b)
    rows = compare(a, b)
    if quiet:
        click.echo(conclusion(rows))
    else:
        comparison.show(a, b, rows)
    file.write(lambda: comparison.as_markdown(a, b, rows))
    raise SystemExit(exit_code(rows))
