"""``lostlink campaign``: a Monte Carlo campaign of flights."""

from __future__ import annotations

import contextlib
import dataclasses
import datetime as dt
import math
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any, Final

import click

from lostlink import safe_end
from lostlink.campaigns import claims, stopping
from lostlink.campaigns.campaign import Campaign, CampaignPlan, most_trials
from lostlink.campaigns.cluster import cluster as cluster_workers
from lostlink.campaigns.evidence_files import files, prepare, summary_text
from lostlink.campaigns.flight import flight_trials
from lostlink.campaigns.stopping import Rule
from lostlink.campaigns.tally import CRITICAL, NOT_ASKED, Criterion, criteria_of
from lostlink.campaigns.trials import TRIALS_PER_JOB
from lostlink.campaigns.workers import Workers, processes
from lostlink.children import usual_processes
from lostlink.commands import shared
from lostlink.errors import UsageError
from lostlink.evidence.document import Document, run_head
from lostlink.evidence.folder import write_evidence
from lostlink.invariants.handset_rules import LONG_US
from lostlink.profiles import input_files, read_link
from lostlink.report import complete
from lostlink.rigs import open_rig, receiver_file
from lostlink.show.campaign import campaign_progress, show
from lostlink.show.console import evidence_line
from lostlink.verdicts import Side
from lostlink_sims.batch.trials import CAUSES

_USUAL_TRIALS: Final = 10_000


@click.command("campaign")
@shared.profile_argument
@shared.receiver_option
@shared.handset_option
@click.option(
    "--trials", type=click.IntRange(1, 2**32), metavar="N", help=f"Number of flights.  [default: {_USUAL_TRIALS}]"
)
@click.option("--until", metavar="CLAIM", help='Run until shown or refuted, such as "p < 1e-4 at 95 %".')
@click.option("--about", metavar="ID", help="Requirement of the claim.  [default: any critical one]")
@click.option("--sequential", is_flag=True, help="Wald's sequential test instead of a fixed number of flights.")
@click.option(
    "--confidence",
    metavar="PERCENT",
    default="95 %",
    show_default=True,
    help="Confidence of the bounds.",
    type=shared.Quantity("share", at_least=0.5, at_most=math.nextafter(1, 0), allowed="50 % to below 100 %"),
)
@click.option(
    "--duration",
    "duration_us",
    metavar="TIME",
    default="10 s",
    show_default=True,
    help="Duration of a flight.",
    type=shared.Quantity("duration", at_most=3_600_000_000, allowed="up to 1 h per flight"),
)
@click.option(
    "--cause", "causes", type=click.Choice(list(CAUSES)), multiple=True, help="Cause of the link loss.  [default: all]"
)
@shared.seed_option
@shared.jobs_option
@click.option("--cluster", metavar="ADDRESS", help="A Dask scheduler, or local:N for a cluster on this computer.")
@shared.out_option("lostlink-campaign")
@click.option("--resume", is_flag=True, help="Continue the campaign in that folder.")
@click.option("--restart", is_flag=True, help="Discard a stopped campaign in that folder.")
@shared.quiet_option
def command(
    profile: str | None,
    receiver: str | None,
    handset: str | None,
    trials: int | None,
    until: str | None,
    about: str | None,
    sequential: bool,
    confidence: float,
    duration_us: int,
    causes: tuple[str, ...],
    seed: int,
    jobs: int | None,
    cluster: str | None,
    out: str,
    resume: bool,
    restart: bool,
    quiet: bool,
) -> None:
    """Run a Monte Carlo campaign of flights that lose their link, and bound how often the failsafe fails.

    Each flight has random phases, stick positions, and instant and cause of the loss, with the profile's ordinary
    losses. For each requirement: failures, the one-sided Clopper-Pearson bound on their probability, the distribution
    of the measured time, and the worst flights, each of which can be replayed.

    With --until the number of flights follows from the claim and is fixed before the first (with --sequential it
    follows Wald's rule); interim looks cannot bias the result. The result does not depend on the workers.

    With --handset the program of a handset is under test, with --receiver both: its longest pause, what its packets
    break, and with a receiver how soon the motors stop when it is switched off. Its counter is random too.

    Exit codes: 0 nothing failed, or the claim is shown; 1 something failed, or the claim is refuted; 2 bad input;
    4 undecided; 130 interrupted (finished flights are kept; --resume continues).

    \b
    lostlink campaign my_link.toml --trials 100000
    lostlink campaign my_link.toml --receiver ./my_receiver.so --until "p < 1e-3 at 95 %"
    """  # noqa: D301
    link = read_link(profile)
    rig = open_rig(link, receiver=receiver, handset=shared.simulated_handset(handset))
    rig.close()
    if resume and restart:
        raise UsageError("--resume and --restart: choose one of the two")
    rule = _rule(until, sequential)
    flights = flight_trials(link, seed, duration_us=int(duration_us), causes=causes or tuple(CAUSES))
    flights = dataclasses.replace(flights, own_handset=handset is not None)
    about = _about(about, until, criteria_of(rig.sides), int(duration_us))
    plan = CampaignPlan(flights, receiver, most_trials(rule, trials, _USUAL_TRIALS), rule, about, confidence, handset)
    campaign = Campaign(plan)
    started = dt.datetime.now(dt.UTC)
    code, handset_code = receiver_file(receiver), receiver_file(handset)
    head = run_head(
        link, profile_file=profile, receiver=receiver or rig.receiver, receiver_file=code, rig=rig.name, seed=seed,
        only=[], started=started, handset=handset, handset_file=handset_code,
        proves=[side.value for side in Side if side in rig.sides],
    )  # fmt: skip
    inputs = [*input_files(profile, link), code, handset_code]
    # Workers first, so that their errors end the command before earlier evidence is discarded.
    with (
        _workers(jobs, cluster, plan.engine, plan.trials) as workers,
        prepare(out, campaign, resume=resume, restart=restart, inputs=inputs) as folder,
    ):
        _write(folder.path, campaign, head)
        with campaign_progress() as progress:
            campaign.run(workers, folder.path, progress)
        head["duration_s"] = round((dt.datetime.now(dt.UTC) - started).total_seconds(), 3)
        with safe_end.undisturbed():  # what was found is kept
            try:
                if quiet:
                    click.echo(campaign.conclusion())
                else:
                    show(campaign, head, folder.target, workers.name if workers else "in this process")
            finally:
                _write(folder.path, campaign, head)
                complete(folder)
    if not quiet:
        evidence_line(folder)
    raise SystemExit(campaign.exit_code)


def _write(folder: Path, campaign: Campaign, head: dict[str, Any]) -> None:
    document = Document(campaign.conclusion(), campaign.exit_code, head, tuple(campaign.verdicts()))
    write_evidence(
        folder, document, summary_text(campaign, head), profile=campaign.plan.flights.profile, files=files(campaign)
    )


def _rule(until: str | None, sequential: bool) -> Rule | None:
    if until is None:
        if sequential:
            raise UsageError('--sequential: the claim is missing; give one with --until "p < 1e-4 at 95 %"')
        return None
    claim = claims.parse_claim(until)
    return stopping.Sequential(claim) if sequential else stopping.Planned(claim)


def _about(about: str | None, until: str | None, criteria: Sequence[Criterion], duration_us: int) -> str:
    if about is None:
        return CRITICAL
    left_out = NOT_ASKED if duration_us > LONG_US else (*NOT_ASKED, "HS-LONG")
    names = [criterion.id for criterion in criteria if criterion.id not in left_out]
    if until is None:
        raise UsageError(f"--about {about}: the claim is missing; give one with --until")
    if about not in names:
        raise UsageError(f"--about {about}: campaigns do not test this; allowed: {', '.join(names)}")
    return about


@contextlib.contextmanager
def _workers(jobs: int | None, cluster: str | None, engine: str, trials: int) -> Iterator[Workers | None]:
    if cluster is not None:
        if jobs is not None:
            raise UsageError("--jobs and --cluster: the cluster has its own workers; use one of the two options")
        with cluster_workers(cluster) as workers:
            yield workers
        return
    count = usual_processes() if jobs is None else jobs
    # A campaign of one job ends before a process has started.
    yield None if count == 1 or trials <= TRIALS_PER_JOB[engine] else processes(count)
