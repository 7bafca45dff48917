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
from lostlink.campaigns.evidence_files import COLUMNS, QUANTILES, cells, scenario_name, time_text
from lostlink.campaigns.tally import Tally
from lostlink.campaigns.trials import engine_for
from lostlink.show.console import cautions, console, last_line, mark, moving
from lostlink.verdicts import counted, grouped


def show(campaign: Campaign, tested: dict[str, Any], folder: Path, workers: str) -> None:
    """Show the setup, the table, the worst trials and the conclusion."""
    out, plan = console(), campaign.plan
    engine, why = engine_for(plan.flights, plan.receiver, plan.handset)
    out.print(
        f"link [bold]{escape(tested['profile'])}[/bold]; receiver: {escape(tested['receiver'])}; "
        f"{f'handset: {escape(plan.handset)}; ' if plan.handset else ''}"
        f"seed {plan.flights.seed}; {engine}{f' ({escape(why)})' if why else ''}; {escape(workers)}",
        soft_wrap=True,
    )
    for line in described(plan.flights):
        out.print(f"  {line}", soft_wrap=True)
    if plan.rule is not None:
        out.print(f"  rule, fixed before the first trial: {plan.rule.claim}: {plan.rule}", soft_wrap=True)
    out.print(_table(campaign))
    out.print(f"p below: one-sided Clopper-Pearson bound on the failure probability, at {100 * plan.confidence:.7g} %")
    for line in (*_percentiles(campaign), *_worst(campaign, tested["profile_file"], folder)):
        out.print(escape(line), soft_wrap=True)
    cautions()
    last_line(campaign.exit_code, campaign.conclusion())
    out.print(f"{counted(campaign.trials, 'trial')} in {tested['duration_s']:.1f} s.", soft_wrap=True)


def _table(campaign: Campaign) -> Table:
    table = Table(box=None, pad_edge=False)
    for name in ("", "id", *COLUMNS):
        table.add_column(name, no_wrap=True, justify="right" if name in COLUMNS else "left")
    for verdict, criterion in zip(campaign.verdicts(), campaign.plan.criteria, strict=False):
        table.add_row(mark(verdict.outcome), criterion.id, *cells(campaign, criterion))
    return table


def _percentiles(campaign: Campaign) -> Iterator[str]:
    """Yield the bound of the largest quantile of each measured time."""
    confidence = campaign.plan.confidence
    for criterion in campaign.plan.criteria if campaign.counts else ():
        times = campaign.counts[criterion.id].times
        if times.trials:
            upper_us = times.quantile(QUANTILES[-1], confidence).upper_us
            bound = "not bounded (too few trials)"
            if upper_us is not None:
                bound = f"at most {time_text(upper_us)} at {100 * confidence:.7g} %"
            yield f"{criterion.id}, {criterion.what}: true p99.9 {bound}"


def _worst(campaign: Campaign, profile: str | None, folder: Path) -> Iterator[str]:
    """Yield the command that replays the worst trial of each requirement."""
    given = {"receiver": campaign.plan.receiver, "handset": campaign.plan.handset}
    programs = "".join(f" --{name} {value}" for name, value in given.items() if value)
    for criterion in campaign.plan.criteria if campaign.counts else ():
        for trial in campaign.counts[criterion.id].worst[:1]:
            time = f", {time_text(trial.value_us)}" if criterion.time_us is not None else ""
            file = f"{folder}/{scenario_name(criterion.id, 0)}{f' {profile}' if profile else ''}"
            yield f"worst of {criterion.id} (trial {trial.trial}{time}): lostlink replay {file}{programs}"


@contextlib.contextmanager
def campaign_progress() -> Iterator[OnProgress]:
    """Show how many trials are done, and how many failed."""

    def text(done: int, needed: int, total: Tally | None) -> str:
        failures = 0 if total is None else sum(count.failures for count in total.counts.values())
        needed = max(done, needed)  # a failure can lower what is needed
        return f"{grouped(done)} of {grouped(needed)} trials, {failures_text(failures)}"

    with moving("simulating") as move:
        yield lambda done, needed, total: move(done, needed, text(done, needed, total))
