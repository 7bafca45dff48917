"""What a person sees of a campaign in the terminal."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from rich.markup import escape
from rich.table import Table

from lostlink.campaigns import evidence_files as folder_of
from lostlink.campaigns.campaign import Campaign, Told, described, number
from lostlink.campaigns.tally import ASPECTS, Tally
from lostlink.campaigns.trials import engine_for
from lostlink.show.console import SIGNS, cautions, console, last_line, moving


def show(campaign: Campaign, tested: dict[str, Any], folder: Path, workers: str) -> None:
    """Show what was flown, the table, what to look at again, and the conclusion."""
    out, plan = console(), campaign.plan
    engine, why = engine_for(plan.lot, plan.receiver)
    out.print(
        f"link [bold]{escape(tested['profile'])}[/bold]; receiver: {escape(tested['receiver'])}; seed {plan.lot.seed}; "
        f"{engine}{f' ({escape(why)})' if why else ''}; {escape(workers)}",
        soft_wrap=True,
    )
    for line in described(plan.lot):
        out.print(f"  {line}", soft_wrap=True)
    if plan.rule is not None:
        out.print(f"  rule, fixed before the first trial: {plan.rule.claim}: {plan.rule}", soft_wrap=True)
    table = Table(box=None, pad_edge=False)
    for name in ("", "id", "failures", "trials", "p below", "p50", "p99", "p99.9", "worst", "limit"):
        table.add_column(name, no_wrap=True, justify="left" if name in ("", "id") else "right")
    for verdict in campaign.verdicts():
        assert campaign.total is not None
        sign, style = SIGNS[verdict.outcome]
        row = folder_of.cells(
            verdict.requirement.id, campaign.total.counts[verdict.requirement.id], plan.confidence, verdict
        )
        table.add_row(
            f"[{style}]{sign} {verdict.outcome.value}[/{style}]", row[0],
            number(int(row[3])), number(int(row[4])), *row[5:10], row[10].removeprefix("at most "),
        )  # fmt: skip
    out.print(table)
    at = f"{100 * plan.confidence:.7g} %"
    out.print(f"p below: bound on the probability that a trial fails, one-sided, Clopper-Pearson, at {at}")
    for aspect in ASPECTS:
        times = campaign.total.counts[aspect.id].times if campaign.total else None
        if times is not None and times.trials:
            upper_us = times.quantile(folder_of.QUANTILES[-1], plan.confidence).upper_us
            known = "unknown, too few trials" if upper_us is None else f"at most {folder_of.time_text(upper_us)}"
            out.print(f"{aspect.id}, {aspect.what}: the true p99.9 is {known}, at {at}")
    for aspect in ASPECTS:
        worst = campaign.total.counts[aspect.id].worst.trials if campaign.total else ()
        if worst:
            said = f", {folder_of.time_text(worst[0].value_us)}" if aspect.time_us is not None else ""
            where = f"{folder}/{folder_of.scenario_name(aspect, 0)}"
            link = f" {tested['profile_file']}" if tested["profile_file"] else ""
            receiver = f" --receiver {plan.receiver}" if plan.receiver else ""
            out.print(
                f"worst of {aspect.id} (trial {worst[0].trial}{said}): "
                f"lostlink replay {escape(where)}{escape(link)}{escape(receiver)}",
                soft_wrap=True,
            )
    cautions(out)
    last_line(out, campaign.exit_code, campaign.conclusion())
    out.print(
        f"{number(campaign.trials)} trials in {tested['duration_s']:.1f} s. "
        f"Evidence: {escape(str(folder))}/report.html",
        soft_wrap=True,
    )


@contextlib.contextmanager
def campaign_progress() -> Iterator[Told]:
    """Show how many trials are done, and how many failures they had."""

    def text(done: int, wanted: int | None, total: Tally | None) -> str:
        failures = 0 if total is None else sum(count.failures for count in total.counts.values())
        of = "" if wanted is None else f" of {number(wanted)}"
        return f"{number(done)}{of} trials, {f'{number(failures)} failures' if failures else 'no failure'}"

    with moving("flying") as move:
        yield lambda done, wanted, total: move(done, wanted, text(done, wanted, total))
