"""The screen of ``lostlink campaign``."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from rich.markup import escape
from rich.table import Table

from lostlink.campaigns.campaign import Campaign, OnProgress, described
from lostlink.campaigns.claims import failures_text
from lostlink.campaigns.evidence_files import QUANTILES, cells, scenario_name, time_text
from lostlink.campaigns.tally import CRITERIA, Tally
from lostlink.campaigns.trials import engine_for
from lostlink.show.console import cautions, console, last_line, mark, moving
from lostlink.verdicts import counted, grouped


def show(campaign: Campaign, tested: dict[str, Any], folder: Path, workers: str) -> None:
    """Show the setup, the table, the worst trials and the conclusion."""
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
    for verdict, criterion in zip(campaign.verdicts(), CRITERIA, strict=False):
        table.add_row(mark(verdict.outcome), criterion.id, *cells(campaign, criterion))
    out.print(table)
    at = f"{100 * plan.confidence:.7g} %"
    out.print(f"p below: one-sided Clopper-Pearson bound on the failure probability, at {at}")
    for criterion in CRITERIA:
        times = campaign.total.counts[criterion.id].times if campaign.total else None
        if times is not None and times.trials:
            upper_us = times.quantile(QUANTILES[-1], plan.confidence).upper_us
            known = "not bounded, too few trials" if upper_us is None else f"at most {time_text(upper_us)} at {at}"
            out.print(f"{criterion.id}, {criterion.what}: true p99.9 {known}")
    for criterion in CRITERIA:
        worst = campaign.total.counts[criterion.id].worst.trials if campaign.total else ()
        if worst:
            time = f", {time_text(worst[0].value_us)}" if criterion.time_us is not None else ""
            where = f"{folder}/{scenario_name(criterion, 0)}"
            link = f" {tested['profile_file']}" if tested["profile_file"] else ""
            receiver = f" --receiver {plan.receiver}" if plan.receiver else ""
            out.print(
                f"worst of {criterion.id} (trial {worst[0].trial}{time}): "
                f"lostlink replay {escape(where)}{escape(link)}{escape(receiver)}",
                soft_wrap=True,
            )
    cautions()
    last_line(campaign.exit_code, campaign.conclusion())
    out.print(f"{counted(campaign.trials, 'trial')} in {tested['duration_s']:.1f} s.", soft_wrap=True)


@contextlib.contextmanager
def campaign_progress() -> Iterator[OnProgress]:
    """Show how many trials are done, and how many failed."""

    def text(done: int, wanted: int | None, total: Tally | None) -> str:
        failures = 0 if total is None else sum(count.failures for count in total.counts.values())
        of = "" if wanted is None else f" of {grouped(wanted)}"
        return f"{grouped(done)}{of} trials, {failures_text(failures)}"

    with moving("flying") as move:
        yield lambda done, wanted, total: move(done, wanted, text(done, wanted, total))
