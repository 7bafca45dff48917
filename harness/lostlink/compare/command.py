"""``lostlink compare``: parse, call, show, exit code."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from lostlink.compare.judge import Row
    from lostlink.compare.read import Folder


@click.command("compare")
@click.argument("before", metavar="A")
@click.argument("after", metavar="B")
@click.option("--markdown", metavar="FILE", help="Write it as Markdown, for the summary of a CI job.")
@click.option("--quiet", is_flag=True, help="Show the conclusion only.")
def compare_command(before: str, after: str, markdown: str | None, quiet: bool) -> None:
    """Compare two evidence folders: what got better or worse from A to B, requirement by requirement.

    A change of firmware, two boards, simulation and bench, two campaigns. A measured value counts as changed only
    beyond what is known of both; failures of campaigns are compared by an exact test.

    Exit codes: 0 nothing was lost; 1 something that was met is not, or a campaign fails more often, beyond chance;
    2 bad input; 4 something that was met is no longer shown.

    \b
    lostlink compare evidence-of-last-week lostlink-evidence
    """  # noqa: D301
    from lostlink.cli import _errors_in_words

    with _errors_in_words():
        from lostlink.compare import judge
        from lostlink.compare.read import read_folder
        from lostlink.errors import LostlinkError

        a, b = read_folder(before), read_folder(after)
        rows = judge.compare(a, b)
        if markdown is not None:
            try:
                with open(markdown, "w", encoding="utf-8") as file:
                    file.write(as_markdown(a, b, rows))
            except OSError as error:
                raise LostlinkError(
                    f"--markdown {markdown}: {error.strerror}; allowed: a file that can be written"
                ) from error
        if quiet:
            click.echo(judge.conclusion(rows))
        else:
            _show(a, b, rows)
    raise SystemExit(judge.exit_code(rows))


def as_markdown(before: Folder, after: Folder, rows: list[Row]) -> str:
    """Return the comparison as Markdown."""
    from lostlink.compare import judge

    lines = ["# Comparison", "", f"**{judge.conclusion(rows)}**", "", f"From `{before.path}` to `{after.path}`.", ""]
    lines += [*(f"- {line}" for line in judge.set_up(before, after)), ""]
    lines += ["| | requirement | before | now | change | measured |", "|---|---|---|---|---|---|"]
    for row in rows:
        told = row.after or row.before
        assert told is not None
        was, now = (one.outcome.value if one else "-" for one in (row.before, row.after))
        cells = (row.id, told.sentence, was, now, row.change.value, row.said or _measured(row))
        lines.append("| " + " | ".join(cell.replace("|", "\\|") for cell in cells) + " |")
    return "\n".join(lines) + "\n"


def _measured(row: Row) -> str:
    was, now = (one.measured if one else "" for one in (row.before, row.after))
    return now if was == now else f"{was} → {now}"


def _show(before: Folder, after: Folder, rows: list[Row]) -> None:
    from rich.markup import escape
    from rich.table import Table

    from lostlink.compare import judge
    from lostlink.compare.judge import Change
    from lostlink.show import console

    out = console()
    was, now = (escape(f"{one.path} ({one.tested.get('date', 'no date')})") for one in (before, after))
    out.print(f"from {was} to {now}", soft_wrap=True)
    for line in judge.set_up(before, after):
        out.print(f"  differs: {escape(line)}", soft_wrap=True)
    signs = {
        Change.BROKEN: ("X", "bold red"), Change.WORSE: ("X", "red"), Change.DOUBTFUL: ("?", "yellow"),
        Change.GONE: ("-", "yellow"), Change.NEW: ("*", ""), Change.SAME: ("=", ""),
    }  # fmt: skip
    table = Table(box=None, pad_edge=False)
    for heading in ("", "id", "before", "now", "measured"):
        table.add_column(heading, ratio=1 if heading == "measured" else None, no_wrap=heading != "measured")
    shown = [row for row in rows if row.change is not Change.SAME or row.said]
    for row in shown:
        sign, style = signs.get(row.change, ("+", "green"))
        was, now = (one.outcome.value if one else "-" for one in (row.before, row.after))
        mark = f"[{style}]{sign} {row.change.value}[/{style}]" if style else f"{sign} {row.change.value}"
        table.add_row(mark, row.id, was, now, escape(row.said or _measured(row)))
    if shown:
        out.print(table)
    out.print()
    code = judge.exit_code(rows)
    sign, style = {0: ("+", "green"), 1: ("X", "bold red")}.get(code, ("?", "yellow"))
    out.print(f"[{style}]{sign} {escape(judge.conclusion(rows))}[/{style}]", soft_wrap=True)
