"""A campaign: jobs (ranges of trials), their tallies in order, a stopping rule and a journal.

The journal (``tallies.jsonl``, one line per range of trials) is written as results arrive, so that an interrupted
campaign can be continued. The result depends neither on interruptions nor on the workers.
"""

from __future__ import annotations

import contextlib
import dataclasses
import json
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from lostlink.campaigns import claims, statistics, stopping
from lostlink.campaigns.jobs import run_jobs
from lostlink.campaigns.tally import CRITICAL, Count, Criterion, Tally, criteria_of
from lostlink.campaigns.trials import TRIALS_PER_JOB, TrialRange, end_kept, engine_for, fly
from lostlink.campaigns.workers import Workers
from lostlink.errors import ExitCode, LostlinkError
from lostlink.evidence.document import file_digest
from lostlink.evidence.schemas import MOST_TRIALS, strict_json
from lostlink.files import read_text
from lostlink.profiles import profile_digest
from lostlink.profiles.quantities import text_of
from lostlink.results import exit_code_of_trials
from lostlink.rigs import receiver_file
from lostlink.verdicts import Outcome, Side, Verdict, counted, grouped, quantity, sides_with
from lostlink_sims import HowSeen
from lostlink_sims.batch.trials import FlightTrials

JOURNAL: Final = "tallies.jsonl"
_UNJUDGED: Final = 20
"""With a rule, a campaign flies at most this multiple of the trials that the rule needs, if too few test the claim."""

OnProgress = Callable[[int, int, Tally | None], None]
"""Called with the trials done, the trials needed, and their tally."""


@dataclass(frozen=True, slots=True)
class CampaignPlan:
    """What a campaign simulates, and when it stops; its result depends on nothing else.

    Attributes
    ----------
    flights : FlightTrials
    receiver : str or None
    trials : int
        Number of trials; with a rule, the maximum.
    rule : Rule or None
    about : str
        Requirement of the claim: its id, or "critical" for any critical one.
    confidence : float
        Of the bounds.
    handset : str or None
    """

    flights: FlightTrials
    receiver: str | None
    trials: int
    rule: stopping.Rule | None = None
    about: str = CRITICAL
    confidence: float = 0.95
    handset: str | None = None

    @property
    def engine(self) -> str:
        """How trials are simulated."""
        return engine_for(self.flights, self.receiver, self.handset)[0]

    @property
    def criteria(self) -> tuple[Criterion, ...]:
        """How the requirements of what is under test are judged."""
        return criteria_of(sides_with(self.receiver, self.handset))

    def jobs(self, done: int) -> Iterator[TrialRange]:
        """Yield the jobs from the one that begins with trial `done` on."""
        size = TRIALS_PER_JOB[self.engine]
        for first in range(done, self.trials, size):
            yield TrialRange(self.flights, self.receiver, first, min(size, self.trials - first), self.handset)


@dataclass(slots=True)
class Campaign:
    """A running or finished campaign; `total` is the tally of all trials so far, `decision` that of the rule."""

    plan: CampaignPlan
    total: Tally | None = None
    decision: claims.Decision | None = None
    interrupted: bool = False
    _progress: stopping.Progress | None = field(default=None, repr=False)

    def __post_init__(self) -> None:
        if self.plan.rule is not None:
            self._progress = stopping.Progress(self.plan.rule)

    @property
    def trials(self) -> int:
        """Trials so far."""
        return 0 if self.total is None else self.total.trials

    @property
    def counts(self) -> dict[str, Count]:
        """Counts by requirement; empty before the first trial."""
        return {} if self.total is None else self.total.counts

    @property
    def is_over(self) -> bool:
        """Whether no trials remain."""
        return self.decision is not None or self.trials >= self.plan.trials

    def add(self, tally: Tally) -> None:
        """Add the next job's tally."""
        if self._progress is not None:
            about = self.plan.about
            self.decision = self._progress.add(tally.judged[about], tally.failed[about])
        bare = dataclasses.replace(tally, failed={name: [] for name in tally.failed})
        self.total = bare if self.total is None else Tally.merged([self.total, bare])

    def run(self, workers: Workers | None, folder: Path, on_progress: OnProgress) -> None:
        """Simulate the remaining trials and write the journal; Ctrl-C keeps the finished ones."""
        with (
            (folder / JOURNAL).open("a", encoding="utf-8") as journal,
            contextlib.closing(run_jobs(fly, self.plan.jobs(self.trials), workers)) as results,
        ):
            try:
                on_progress(self.trials, self._needed(), self.total)
                while not self.is_over:
                    job, tally = next(results)
                    journal.write(json.dumps({"first": job.first, **tally.as_dict()}, separators=(",", ":")) + "\n")
                    journal.flush()
                    self.add(tally)  # after its line: Ctrl-C may come in between
                    on_progress(self.trials, self._needed(), self.total)
            except KeyboardInterrupt:
                self.interrupted = True
            finally:
                end_kept()
        progress = self._progress
        if self.is_over and progress is not None and self.decision is None:
            reason = f"only {progress.trials} of {self.trials} trials test it"
            self.decision = claims.Decision(
                progress.rule.claim, claims.Answer.UNDECIDED, progress.trials, progress.failures, reason
            )

    def _needed(self) -> int:
        """Return the number of trials needed; with a rule, if none fails."""
        if self.plan.rule is None:
            return self.plan.trials
        return min(self.plan.trials, self.plan.rule.fewest_trials)

    def resume(self, journal: Path) -> str:
        """Read a journal; return its text without an incomplete last line.

        Raises
        ------
        LostlinkError
            If the journal is not of this campaign.
        """
        try:
            lines = read_text(journal).split("\n")[:-1]
        except UnicodeDecodeError as error:
            raise LostlinkError(f"{journal}: is not UTF-8 text; restore it, or use --restart") from error
        for number, line in enumerate(lines, start=1):
            try:
                first, tally = _from_journal(line, self.plan.criteria)
            except (ValueError, RecursionError) as error:
                raise LostlinkError(f"{journal}:{number}: not a valid tally ({error}); use --restart") from error
            if self.decision is not None:
                break
            if first != self.trials:
                raise LostlinkError(
                    f"{journal}:{number}: begins with trial {first}, but the lines above hold {self.trials} trials; "
                    "restore the journal, or use --restart"
                )
            self.add(tally)  # all of them, also where fewer trials are asked for now
        return "".join(f"{line}\n" for line in lines)

    # --- conclusions ------------------------------------------------------------------------------------

    def verdicts(self) -> list[Verdict]:
        """Return a verdict for each requirement that a campaign tests; empty before the first trial."""
        return [self._verdict(criterion, self.counts[criterion.id]) for criterion in self.plan.criteria if self.counts]

    def _verdict(self, criterion: Criterion, count: Count) -> Verdict:
        reason, outcome = "", Outcome.MET if not count.failures else Outcome.NOT_MET
        if not count.judged:
            outcome, reason = Outcome.NOT_TESTED, "no trial tested it"
        elif count.failures:
            reason = f"{criterion.requirement.fault}, in {grouped(count.failures)} of {grouped(count.judged)} trials"
        limit = "in no trial"
        if criterion.limit_us is not None:
            limit = f"at most {quantity(criterion.limit_us(self.plan.flights.profile), 'µs')}, in every trial"
        return Verdict(
            requirement=criterion.requirement,
            outcome=outcome,
            measured=self._bound(count) if count.judged else "",
            limit=limit,
            runs=count.judged,
            checks=count.judged,
            reason=reason,
            how_seen=HowSeen.SIMULATED.value,
        ).waived_by(self.plan.flights.profile.requirements.waived)

    def _bound(self, count: Count) -> str:
        confidence = self.plan.confidence
        bound = statistics.upper_bound(count.failures, count.judged, confidence)
        counts = f"{grouped(count.failures)} of {grouped(count.judged)} trials failed"
        return f"{counts}; p < {bound:.2g} at {100 * confidence:g} %"

    @property
    def exit_code(self) -> ExitCode:
        """Exit code of the command: by the rule's answer if there is one, else by the verdicts."""
        if self.interrupted:
            return ExitCode.INTERRUPTED
        if self.decision is not None:
            return self.decision.answer.exit_code
        return exit_code_of_trials(self.verdicts())

    def conclusion(self) -> str:
        """Return the conclusion in one sentence."""
        if self.interrupted:
            return f"Interrupted after {counted(self.trials, 'trial')}; the results so far are below."
        if self.decision is not None:
            about = "a critical requirement" if self.plan.about == CRITICAL else self.plan.about
            return f"Probability p that a trial violates {about}: {self.decision}."
        reasons = [verdict.reason for verdict in self.verdicts() if verdict.outcome is Outcome.NOT_MET]
        if self.total is not None and self.total.crashes:
            reasons.append(f"a program under test crashed in {counted(self.total.crashes, 'trial')}")
        if reasons:
            return f"In {counted(self.trials, 'trial')}: {'; '.join(reasons)}."
        if self.exit_code is ExitCode.UNDECIDED:
            return f"Failsafe was not tested in {counted(self.trials, 'trial')}: the model was never in flight."
        is_receiver = Side.RECEIVER in sides_with(self.plan.receiver, self.plan.handset)
        name, what = "HS-GAP", "The handset sent as specified, without a long pause,"
        if is_receiver:
            name, what = "FS-CUT", "The throttle was cut in time"
        judged = self.counts[name].judged if self.counts else 0
        bound = statistics.upper_bound(0, judged, self.plan.confidence)
        return (
            f"{what} in each of {counted(judged, 'trial')}: the failure probability is below "
            f"{bound:.2g} at {100 * self.plan.confidence:g} % confidence (one-sided)."
        )


def _from_journal(line: str, criteria: Sequence[Criterion]) -> tuple[int, Tally]:
    """Return the number of the first trial of a line of the journal, and its tally."""
    data = strict_json(line)
    if not isinstance(data, dict) or type(data.get("first")) is not int:
        raise ValueError("the number of its first trial is missing, as in journals of older versions")
    return data["first"], Tally.from_dict(data, criteria)


def most_trials(rule: stopping.Rule | None, asked: int | None, usual: int) -> int:
    """Return the maximum number of trials: as asked for, else what the rule may need, else the usual number."""
    if asked is not None:
        return asked
    return usual if rule is None else min(MOST_TRIALS, _UNJUDGED * rule.most_trials)


def described(flights: FlightTrials) -> list[str]:
    """Return the random parameters of each trial and their distributions, as text."""

    def time(value_us: int) -> str:
        return text_of(value_us, "duration")

    profile = flights.profile
    clocks = "receiver's and handset's counters" if flights.own_handset else "receiver's counter"
    return [
        f"trials of {time(flights.duration_us)}; the model is in flight from {time(flights.air_us)}",
        f"link loss uniformly between {time(flights.lost_from_us)} and {time(flights.lost_until_us)}",
        f"causes, equally likely: {', '.join(flights.causes)}",
        f"the loss lasts until the end in half of the trials (always if the handset is off), otherwise "
        f"{time(flights.away_us[0])} to {time(flights.away_us[1])}, uniform",
        f"throttle in flight {100 * flights.least_throttle:.0f} % to 100 %, other sticks over the full range, uniform",
        f"packet phase within {time(profile.handset.packet_interval_us)}, frame phase within "
        f"{time(profile.output.frame_period_us)}, {clocks} anywhere in 32 bits, uniform",
        "the profile's ordinary losses and noise in addition",
    ]


def _digests(**programs: str | None) -> dict[str, str | None]:
    """Return the digest of the file of each program: one that was changed is another program."""
    files = {name: receiver_file(program) for name, program in programs.items()}
    return {f"{name}_sha256": file_digest(file) for name, file in files.items() if file is not None}


def head(plan: CampaignPlan) -> dict[str, Any]:
    """Return what must be equal for a campaign to be continued."""
    flights = dataclasses.asdict(dataclasses.replace(plan.flights, profile=None))  # type: ignore[arg-type]
    return {
        "profile_sha256": profile_digest(plan.flights.profile),
        "receiver": plan.receiver,
        **({} if plan.handset is None else {"handset": plan.handset}),
        **_digests(receiver=plan.receiver, handset=plan.handset),
        "lot": json.loads(json.dumps(flights)),
        "engine": plan.engine,
        "trials_a_job": TRIALS_PER_JOB[plan.engine],
    }
