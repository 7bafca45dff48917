"""A campaign's evidence folder: verdicts as text and JSON, distributions, and the worst trials to replay.

``verdicts.json`` and ``summary.md`` as in every evidence folder; ``campaign.json`` (setup, counts, bounds,
distributions); ``tallies.jsonl`` (the journal); ``worst/`` with the scenarios of the worst trials.
"""

from __future__ import annotations

import json
import shutil
from collections.abc import Iterable
from pathlib import Path
from typing import Any, Final

from lostlink.campaigns import statistics
from lostlink.campaigns.campaign import JOURNAL, Campaign, described, head
from lostlink.campaigns.tally import Criterion
from lostlink.campaigns.times import NEVER_US
from lostlink.errors import EvidenceError, UsageError
from lostlink.evidence import summary
from lostlink.evidence.document import CAMPAIGN_FILE, FILE
from lostlink.evidence.folder import EvidenceFolder, stopped_campaign, unfinished
from lostlink.evidence.schemas import CAMPAIGN_SCHEMA, read_json
from lostlink.files import write_whole
from lostlink.profiles import write_scenario
from lostlink.verdicts import counted, grouped, quantity

QUANTILES: Final = (0.5, 0.99, 0.999)
COLUMNS: Final = ("failures", "trials", "p below", "p50", "p99", "p99.9", "worst", "limit")
"""Headings of `cells`."""


def prepare(
    out: str,
    campaign: Campaign,
    *,
    resume: bool = False,
    restart: bool = False,
    inputs: Iterable[str | Path | None] = (),
) -> EvidenceFolder:
    """Return the folder, prepared; with `resume`, read the tallies of the campaign in it.

    Parameters
    ----------
    out : str
    campaign : Campaign
    resume, restart : bool
        Continue or discard a stopped campaign.
    inputs : iterable of (path or None)
        Files that the command reads.

    Raises
    ------
    UsageError
        If the folder is in other use, holds a stopped campaign (without `resume` or `restart`), or one with other
        settings (with `resume`).
    """
    stopped = stopped_campaign(out)
    was_killed = stopped == unfinished(out)
    if not resume:
        if not restart and stopped is not None:
            raise UsageError(
                f"--out {out}: holds a stopped campaign; add --resume to continue it or --restart to discard it"
            )
        return EvidenceFolder(out, inputs=inputs, resumable=True)
    before = stopped or Path(out)
    trials = _check_head(before, campaign)
    folder = EvidenceFolder(out, inputs=inputs, resumable=True, keep_unfinished=was_killed)
    try:
        for name in () if was_killed else (FILE, CAMPAIGN_FILE):
            if (before / name).is_file():
                shutil.copyfile(before / name, folder.path / name)
        if (before / JOURNAL).exists():
            write_whole(folder.path / JOURNAL, campaign.resume(before / JOURNAL))
        if campaign.trials < trials and campaign.decision is None:
            raise UsageError(
                f"--resume: {before / JOURNAL} holds {grouped(campaign.trials)} of {counted(trials, 'trial')}; restore "
                "it, or use --restart"
            )
    except BaseException:
        if not was_killed:
            shutil.rmtree(folder.path, ignore_errors=True)
        folder.close()
        raise
    return folder


def _check_head(folder: Path, campaign: Campaign) -> int:
    """Check that a campaign can be continued, and return its number of trials."""
    try:
        data = read_json(folder / CAMPAIGN_FILE, CAMPAIGN_SCHEMA)
    except EvidenceError as error:
        raise UsageError(
            f"--resume: {folder} holds no campaign to continue; give the --out folder of one that was interrupted"
        ) from error
    wanted = head(campaign.plan)
    for name in sorted({*wanted, *data["head"]}):
        if data["head"].get(name) != wanted.get(name):
            what = {
                "profile_sha256": "profile",
                "lot": "seed or flight",
                "trials_a_job": "job size",
                "receiver_sha256": "receiver: its file was changed",
                "handset_sha256": "handset: its file was changed",
            }.get(name, name)
            raise UsageError(
                f"--resume: the campaign in {folder} has a different {what}; "
                "continue with the same profile, receiver, handset, seed and flight"
            )
    return int(data["trials"])


def as_dict(campaign: Campaign) -> dict[str, Any]:
    """Return the contents of `campaign.json`."""
    total, confidence = campaign.total, campaign.plan.confidence
    decision, rule = campaign.decision, campaign.plan.rule
    return {
        "schema": 1,
        "conclusion": campaign.conclusion(),
        "head": head(campaign.plan),
        "engine": campaign.plan.engine,
        "drawn": described(campaign.plan.flights),
        "confidence": confidence,
        "rule": None if rule is None else f"{rule.claim}; {rule}",
        "decision": None if decision is None else str(decision),
        "answer": None if decision is None else decision.answer.value,
        "trials": campaign.trials,
        "crashes": 0 if total is None else total.crashes,
        "losses": [] if total is None else [[share, *pair] for share, pair in total.losses.items()],
        "requirements": [_requirement(campaign, one) for one in campaign.plan.criteria if total is not None],
    }


def _requirement(campaign: Campaign, criterion: Criterion) -> dict[str, Any]:
    count, confidence = campaign.counts[criterion.id], campaign.plan.confidence
    data: dict[str, Any] = {
        "id": criterion.id,
        "what": criterion.what,
        "judged": count.judged,
        "failures": count.failures,
        "worst": [
            {
                "trial": trial.trial, "seed": trial.seed,
                **({"value_us": _value(trial.value_us)} if criterion.time_us is not None else {}),
                "scenario": scenario_name(criterion.id, index),
            }
            for index, trial in enumerate(count.worst)
        ],
    }  # fmt: skip
    if count.judged:
        data["upper_bound"] = statistics.upper_bound(count.failures, count.judged, confidence)
    if criterion.limit_us is not None:
        data["limit_us"] = criterion.limit_us(campaign.plan.flights.profile)
    if count.times.trials:
        data["quantiles"] = [
            {"share": q.share, "value_us": _value(q.value_us), "upper_us": _value(q.upper_us)}
            for q in (count.times.quantile(share, confidence) for share in QUANTILES)
        ]
        data["times"] = count.times.as_dict()
    return data


def _value(value_us: int | None) -> int | None:
    return None if value_us is None or value_us >= NEVER_US else value_us


def scenario_name(requirement_id: str, index: int) -> str:
    """Return the path of a worst trial's scenario, within the folder."""
    return f"worst/{requirement_id}-{index + 1}.scenario.toml"


def files(campaign: Campaign) -> dict[str, str]:
    """Return ``campaign.json`` and the scenarios of the worst trials; the journal is written by the campaign."""
    texts = {CAMPAIGN_FILE: json.dumps(as_dict(campaign), indent=2, ensure_ascii=False) + "\n"}
    for name, count in campaign.counts.items():
        for index, trial in enumerate(count.worst):
            texts[scenario_name(name, index)] = write_scenario(campaign.plan.flights.scenario(trial.trial))
    return texts


def time_text(value_us: int) -> str:
    """Return a time of the distribution with its unit; "never" for `NEVER_US`."""
    return "never" if value_us >= NEVER_US else quantity(value_us, "µs")


def summary_text(campaign: Campaign, tested: dict[str, Any]) -> str:
    """Return the campaign as Markdown."""
    confidence = campaign.plan.confidence
    rows = [
        (verdict.requirement.id, verdict.statement, verdict.outcome.value, *cells(campaign, criterion))
        for verdict, criterion in zip(campaign.verdicts(), campaign.plan.criteria, strict=False)
    ]
    return summary.page(
        "Campaign",
        campaign.conclusion(),
        [summary.about(tested)],
        [f"- {line}" for line in described(campaign.plan.flights)],
        [f"Bounds are one-sided, Clopper-Pearson, at {100 * confidence:g} %."],
        summary.table(("", "requirement", "verdict", *COLUMNS), rows),
    )


def cells(campaign: Campaign, criterion: Criterion) -> list[str]:
    """Return the table cells of a requirement."""
    count, confidence = campaign.counts[criterion.id], campaign.plan.confidence
    bound = f"{statistics.upper_bound(count.failures, count.judged, confidence):.2g}" if count.judged else "-"
    times = ["-"] * 4
    if count.times.trials:
        shares = [count.times.quantile(share, confidence).value_us for share in QUANTILES]
        times = [time_text(value) for value in (*shares, count.times.worst_us)]
    limit = "no failure" if criterion.limit_us is None else time_text(criterion.limit_us(campaign.plan.flights.profile))
    return [grouped(count.failures), grouped(count.judged), bound, *times, limit]
