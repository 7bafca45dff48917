"""``lostlink campaign``: parse, call, show, exit code. Nothing heavy is imported before it runs."""

from __future__ import annotations

import contextlib
import datetime as dt
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from lostlink.campaigns.campaign import Told
    from lostlink.campaigns.jobs import Workers
    from lostlink.campaigns.stopping import Rule
    from lostlink.campaigns.tally import Tally

_USUAL_TRIALS = 10_000
_CAUSES = ("link cut", "handset off", "interference burst", "wrong address")  # lostlink_sims.lot.CAUSES


@click.command("campaign")
@click.argument("profile", required=False)
@click.option(
    "--receiver", metavar="FILE.py:NAME", help="Receiver to fly, or a shared library; the reference when left out."
)
@click.option("--trials", type=click.IntRange(1, 2**32), metavar="N", help=f"How many flights ({_USUAL_TRIALS}).")
@click.option("--until", metavar="CLAIM", help='Fly until it is shown or refuted, such as "p < 1e-4 at 95 %".')
@click.option("--about", metavar="ID", help="Requirement that the claim is about; any critical one when left out.")
@click.option("--sequential", is_flag=True, help="Wald's sequential test in place of a number fixed beforehand.")
@click.option(
    "--confidence", metavar="PERCENT", default="95 %", show_default=True, help="Of the bounds that are shown."
)
@click.option("--duration", metavar="TIME", default="10 s", show_default=True, help="Length of a flight.")
@click.option("--cause", "causes", type=click.Choice(_CAUSES), multiple=True, help="What takes the link away; all.")
@click.option(
    "--seed", type=click.IntRange(0, 2**63 - 1), default=1, show_default=True, help="Names every random stream."
)
@click.option("--jobs", type=click.IntRange(1, 61), metavar="N", help="Processes at work; as many as there are cores.")
@click.option("--cluster", metavar="ADDRESS", help="A Dask scheduler, or local:N for a cluster on this computer.")
@click.option("--out", metavar="DIR", default="lostlink-campaign", show_default=True, help="Folder for the evidence.")
@click.option("--resume", is_flag=True, help="Go on with the campaign in that folder.")
@click.option("--quiet", is_flag=True, help="Show the conclusion only.")
def campaign_command(
    profile: str | None,
    receiver: str | None,
    trials: int | None,
    until: str | None,
    about: str | None,
    sequential: bool,
    confidence: str,
    duration: str,
    causes: tuple[str, ...],
    seed: int,
    jobs: int | None,
    cluster: str | None,
    out: str,
    resume: bool,
    quiet: bool,
) -> None:
    """Fly thousands of drawn flights that lose their link, and bound how often the failsafe does not do its work.

    Each flight has its own phases, stick positions, instant and cause of the loss; the profile's ordinary losses are
    at work. For each requirement: failures, the one-sided Clopper-Pearson bound on their probability, the
    distribution of the measured time, and the worst flights, each to be replayed alone.

    With --until the number of flights follows from the claim and is fixed before the first (or, with --sequential,
    ends by Wald's rule); nothing is gained by looking on the way. The result is the same whoever does the work.

    Exit codes: 0 nothing failed, or the claim is shown; 1 something failed, or the claim is refuted; 2 bad input;
    4 undecided; 130 interrupted (what was flown is kept; --resume goes on).

    \b
    lostlink campaign my_link.toml --trials 100000
    lostlink campaign my_link.toml --receiver ./my_receiver.so --until "p < 1e-3 at 95 %"
    """  # noqa: D301
    from lostlink.cli import _errors_in_words, _read

    with _errors_in_words():
        from lostlink import evidence
        from lostlink.campaigns import evidence as folder_of
        from lostlink.campaigns.campaign import Campaign, Plan, most_trials
        from lostlink.campaigns.lots import flight_lot
        from lostlink.report import write_report
        from lostlink.rigs import open_rig

        link = _read(profile)
        open_rig(link, receiver=receiver).close()
        rule = _rule(until, sequential)
        lot = flight_lot(link, seed, duration_us=_duration_us(duration), causes=causes or _CAUSES)
        plan = Plan(
            lot, receiver, most_trials(rule, trials, _USUAL_TRIALS), rule, _about(about, until), _share(confidence)
        )
        campaign = Campaign(plan)
        folder = _folder(out)
        folder_of.prepare(folder, campaign, resume=resume)
        started = dt.datetime.now(dt.UTC)
        tested = evidence.tested(
            link, profile_file=profile, receiver=receiver, rig="sim", seed=seed, only=[], started=started
        )
        folder_of.write(folder, campaign, tested)
        with _workers(jobs, cluster, plan.engine, plan.trials) as workers, _progress() as told:
            campaign.run(workers, folder, told)
        tested["duration_s"] = round((dt.datetime.now(dt.UTC) - started).total_seconds(), 3)
        folder_of.write(folder, campaign, tested)
        write_report(folder)
    if quiet:
        click.echo(campaign.conclusion())
    else:
        from lostlink.campaigns.screen import show

        show(campaign, tested, folder, workers.name if workers else "in this process")
    raise SystemExit(campaign.exit_code)


def _rule(until: str | None, sequential: bool) -> Rule | None:
    from lostlink.campaigns import stopping
    from lostlink.errors import LostlinkError

    if until is None:
        if sequential:
            raise LostlinkError('--sequential: there is no claim; allowed: with --until "p < 1e-4 at 95 %"')
        return None
    claim = stopping.parse_claim(until)
    return stopping.Sequential(claim) if sequential else stopping.Planned(claim)


def _about(about: str | None, until: str | None) -> str:
    from lostlink.campaigns.tally import ASPECTS, CRITICAL
    from lostlink.errors import LostlinkError

    if about is None:
        return CRITICAL
    names = [aspect.id for aspect in ASPECTS]
    if until is None or about not in names:
        raise LostlinkError(
            f"--about {about}: no claim, or no such requirement; allowed: with --until {', '.join(names)}"
        )
    return about


def _share(text: str) -> float:
    from lostlink.errors import LostlinkError
    from lostlink.profiles.quantities import QuantityError, parse

    try:
        share = float(parse(text, "share"))
    except QuantityError as error:
        raise LostlinkError(f"--confidence: {error}") from error
    if not 0.5 <= share < 1:
        raise LostlinkError(f"--confidence {text}: out of range; allowed: 50 % to below 100 %")
    return share


def _duration_us(text: str) -> int:
    from lostlink.errors import LostlinkError
    from lostlink.profiles.quantities import QuantityError, parse

    try:
        duration_us = int(parse(text, "duration"))
    except QuantityError as error:
        raise LostlinkError(f"--duration: {error}") from error
    if duration_us > 3_600_000_000:
        raise LostlinkError(f"--duration {text}: too long; allowed: up to an hour a flight")
    return duration_us


def _folder(out: str) -> Path:
    from lostlink.errors import LostlinkError

    folder = Path(out)
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise LostlinkError(f"--out {out}: {error.strerror}; allowed: a folder that can be written") from error
    return folder


@contextlib.contextmanager
def _workers(jobs: int | None, cluster: str | None, engine: str, trials: int) -> Iterator[Workers | None]:
    from lostlink.campaigns import jobs as work
    from lostlink.campaigns.trials import trials_a_job
    from lostlink.errors import LostlinkError

    if cluster is not None:
        if jobs is not None:
            raise LostlinkError("--jobs with --cluster: the cluster knows its workers; allowed: one of them")
        with work.cluster(cluster) as workers:
            yield workers
        return
    count = work.usual_processes() if jobs is None else jobs
    # Little work is done before a process has started.
    yield None if count == 1 or trials <= trials_a_job(engine) else work.processes(count)


@contextlib.contextmanager
def _progress() -> Iterator[Told]:
    """Show how many trials were flown, and how many failures they brought."""
    from lostlink.campaigns.campaign import number
    from lostlink.show import moving

    def said(done: int, wanted: int | None, total: Tally | None) -> str:
        count = 0 if total is None else sum(one.failures for one in total.counts.values())
        of = "" if wanted is None else f" of {number(wanted)}"
        return f"{number(done)}{of} trials, {f'{number(count)} failures' if count else 'no failure'}"

    with moving("flying") as move:
        yield lambda done, wanted, total: move(done, wanted, said(done, wanted, total))
