"""A campaign: jobs of trials, their tallies in order, a rule that says when it is enough, and a journal of it all.

The journal (``tallies.jsonl``, a line a job) is written as results come, so that a campaign that was stopped goes on
where it was; what comes of it does not depend on that, nor on who did the work.
"""

from __future__ import annotations

import contextlib
import dataclasses
import json
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from lostlink.campaigns import claims, statistics, stopping
from lostlink.campaigns.jobs import run_jobs
from lostlink.campaigns.tally import ASPECTS, CRITICAL, Aspect, Count, Tally
from lostlink.campaigns.trials import Job, engine_for, fly, trials_a_job
from lostlink.campaigns.workers import Workers
from lostlink.errors import ExitCode, LostlinkError
from lostlink.results import exit_code
from lostlink.verdicts import Outcome, Severity, Verdict, quantity
from lostlink_sims import HowSeen
from lostlink_sims.batch.trials import Lot

JOURNAL: Final = "tallies.jsonl"
_MOST_TRIALS: Final = 2**32
_UNJUDGED: Final = 20
"""A rule that waits for judged trials gives up after so many times as many trials."""

Told = Callable[[int, int | None, Tally | None], None]


@dataclass(frozen=True, slots=True)
class Plan:
    """What a campaign flies, and until when; all that its result depends on.

    Attributes
    ----------
    lot : Lot
    receiver : str or None
    trials : int
        How many; with a rule, at most.
    rule : Rule or None
    about : str
        What the rule's claim is about: a requirement's id, or "critical" for any critical one.
    confidence : float
        Of the bounds that are shown.
    """

    lot: Lot
    receiver: str | None
    trials: int
    rule: stopping.Rule | None = None
    about: str = CRITICAL
    confidence: float = 0.95

    @property
    def engine(self) -> str:
        """How trials are flown."""
        return engine_for(self.lot, self.receiver)[0]

    def jobs(self, done: int) -> Iterator[Job]:
        """Yield the jobs from the one that begins with trial `done` on."""
        size = trials_a_job(self.engine)
        for first in range(done, self.trials, size):
            yield Job(self.lot, self.receiver, first, min(size, self.trials - first))


@dataclass(slots=True)
class Campaign:
    """A campaign as it goes, and what came of it.

    Attributes
    ----------
    plan : Plan
    total : Tally or None
        All trials so far.
    decision : Decision or None
        What the rule says.
    interrupted : bool
    """

    plan: Plan
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
    def is_over(self) -> bool:
        """Whether nothing is left to fly."""
        return self.decision is not None or self.trials >= self.plan.trials

    def add(self, tally: Tally) -> None:
        """Take the next job's tally."""
        if self._progress is not None:
            about = self.plan.about
            self.decision = self._progress.add(tally.judged[about], tally.failed[about])
        bare = dataclasses.replace(tally, failed={name: [] for name in tally.failed})
        self.total = bare if self.total is None else Tally.merged([self.total, bare])

    def run(self, workers: Workers | None, folder: Path, told: Told) -> None:
        """Fly what is left, and write the journal; Ctrl-C leaves what was done until then."""
        with (
            (folder / JOURNAL).open("a", encoding="utf-8") as journal,
            contextlib.closing(run_jobs(fly, self.plan.jobs(self.trials), workers)) as results,
        ):
            try:
                told(self.trials, self._wanted(), self.total)
                while not self.is_over:
                    _, tally = next(results)
                    self.add(tally)
                    journal.write(json.dumps(tally.as_dict(), separators=(",", ":")) + "\n")
                    journal.flush()
                    told(self.trials, self._wanted(), self.total)
            except KeyboardInterrupt:
                self.interrupted = True
        if not self.is_over:
            return
        if self._progress is not None and self.decision is None:
            trials = self._progress.trials
            reason = f"only {trials} of {self.trials} trials say anything about it"
            failures = self._progress.failures
            self.decision = claims.Decision(
                self._progress.rule.claim, claims.Answer.UNDECIDED, trials, failures, reason
            )

    def _wanted(self) -> int | None:
        """Return how many trials it will take, as far as that is known."""
        if self.plan.rule is None:
            return self.plan.trials
        return min(self.plan.trials, self.plan.rule.fewest_trials)

    def resume(self, folder: Path) -> None:
        """Take what a journal holds; a last line that was cut off is forgotten.

        Raises
        ------
        LostlinkError
            If the journal is not of this campaign.
        """
        path = folder / JOURNAL
        lines = path.read_text(encoding="utf-8").split("\n")
        whole = lines[:-1]
        for number, line in enumerate(whole, start=1):
            try:
                tally = Tally.from_dict(json.loads(line))
            except (ValueError, KeyError, TypeError) as error:
                raise LostlinkError(
                    f"{path}:{number}: no tally ({error}); allowed: a journal that this tool wrote"
                ) from error
            if self.is_over:
                break
            self.add(tally)
        if lines[-1]:
            path.write_text("".join(f"{line}\n" for line in whole), encoding="utf-8")

    # --- what came of it ------------------------------------------------------------------------------------

    def verdicts(self) -> list[Verdict]:
        """Return a verdict for each requirement that trials said something about."""
        if self.total is None:
            return []
        return [self._verdict(aspect, self.total.counts[aspect.id]) for aspect in ASPECTS]

    def _verdict(self, aspect: Aspect, count: Count) -> Verdict:
        reason, outcome = "", Outcome.MET if not count.failures else Outcome.NOT_MET
        if not count.judged:
            outcome, reason = Outcome.NOT_TESTED, "no trial said anything about it"
        elif count.failures:
            reason = f"{aspect.requirement.fault}, in {count.failures} of {count.judged} trials"
        limit = "in no trial"
        if aspect.limit_us is not None:
            limit = f"at most {quantity(aspect.limit_us(self.plan.lot.profile), 'µs')}, in every trial"
        return Verdict(
            requirement=aspect.requirement,
            outcome=outcome,
            measured=bounded(count, self.plan.confidence) if count.judged else "",
            limit=limit,
            runs=count.judged,
            checks=count.judged,
            reason=reason,
            how_seen=HowSeen.SIMULATED.value,
        ).waived_by(self.plan.lot.profile.requirements.waived)

    @property
    def exit_code(self) -> ExitCode:
        """How the command ends: by the rule's answer where there is one, else by whether anything failed."""
        if self.interrupted:
            return ExitCode.INTERRUPTED
        if self.decision is not None:
            answers = {Outcome.MET: ExitCode.MET, Outcome.NOT_MET: ExitCode.NOT_MET}
            return answers.get(self.decision.answer.outcome, ExitCode.UNDECIDED)
        verdicts = self.verdicts()
        critical = [verdict for verdict in verdicts if verdict.requirement.severity is Severity.CRITICAL]
        # Which requirements the trials could say something about is up to chance; one critical one must be shown.
        judged = [verdict for verdict in critical if verdict.outcome is not Outcome.NOT_TESTED]
        failed = [verdict for verdict in verdicts if verdict.outcome is Outcome.NOT_MET]
        return exit_code([*judged, *failed])

    def conclusion(self) -> str:
        """Return what came of it, in one sentence."""
        failed = [v for v in self.verdicts() if v.outcome is Outcome.NOT_MET]
        if self.interrupted:
            return f"Interrupted after {number(self.trials)} trials; what was found until then is below."
        if self.decision is not None:
            about = "a trial breaks a critical requirement" if self.plan.about == CRITICAL else self.plan.about
            return f"Probability p that {about}: {self.decision}."
        if failed:
            return f"In {number(self.trials)} trials: {'; '.join(v.reason for v in failed)}."
        if self.exit_code is ExitCode.UNDECIDED:
            return f"{number(self.trials)} trials say nothing about the failsafe: the model never flew."
        counts = [c for name, c in self.total.counts.items() if name == "FS-CUT"] if self.total else []
        judged = counts[0].judged if counts else 0
        bound = statistics.upper_bound(0, judged, self.plan.confidence) if judged else 1.0
        return (
            f"The throttle was cut in time in each of {number(judged)} trials: a trial in which it is not is rarer "
            f"than {bound:.2g}, at {100 * self.plan.confidence:g} % (one-sided)."
        )


def bounded(count: Count, confidence: float) -> str:
    """Return failures, trials and the one-sided bound, in words."""
    bound = statistics.upper_bound(count.failures, count.judged, confidence)
    return f"{number(count.failures)} of {number(count.judged)} trials fail; p < {bound:.2g} at {100 * confidence:g} %"


def number(value: int) -> str:
    """Return a whole number with its thousands apart."""
    return f"{value:,}".replace(",", " ")


def most_trials(rule: stopping.Rule | None, asked: int | None, usual: int) -> int:
    """Return how many trials may be flown: what was asked for, else what the rule may need, else the usual number."""
    if asked is not None:
        return asked
    return usual if rule is None else min(_MOST_TRIALS, _UNJUDGED * rule.most_trials)


def described(lot: Lot) -> list[str]:
    """Return, for people, what is drawn in each trial and from where."""
    from lostlink.profiles.quantities import text_of

    def time(value_us: int) -> str:
        return text_of(value_us, "duration")

    profile = lot.profile
    return [
        f"trials of {time(lot.duration_us)}; the model takes off and flies from {time(lot.air_us)} on",
        f"the link goes between {time(lot.lost_from_us)} and {time(lot.lost_until_us)}, evenly",
        f"cause, each as likely: {', '.join(lot.causes)}",
        f"it stays away to the end in half of the trials (a handset that is off, always), in the others for "
        f"{time(lot.away_us[0])} to {time(lot.away_us[1])}, evenly",
        f"throttle in flight {lot.least_throttle:.0%} to 100 %, other sticks anywhere, evenly",
        f"phase of the packets within {time(profile.handset.packet_interval_us)}, of the frames within "
        f"{time(profile.output.frame_period_us)}, the receiver's counter anywhere in its 32 bits, evenly",
        "the profile's own losses and noise are at work all the time",
    ]


def head(plan: Plan) -> dict[str, Any]:
    """Return what a journal must agree on to be gone on with."""
    from lostlink.profiles import profile_digest

    lot = dataclasses.asdict(dataclasses.replace(plan.lot, profile=None))  # type: ignore[arg-type]
    return {
        "profile_sha256": profile_digest(plan.lot.profile),
        "receiver": plan.receiver,
        "lot": json.loads(json.dumps(lot)),
        "engine": plan.engine,
        "trials_a_job": trials_a_job(plan.engine),
    }
