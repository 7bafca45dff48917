"""When a campaign stops, and what is then shown. The rule is fixed before the first trial.

A claim is "p < 1e-4 at 95 %": failures are rarer than one in 10 000, and a campaign that says so although it is not
true comes up at most five times in a hundred. Two rules decide it. Both look at trials in their order, one by one,
so that the answer and the trial at which it falls do not depend on who ran them, nor on how they were cut to jobs.

**Fixed**. The number of trials is known from the start: as many as show the claim when at most c
failures occur (c = 0: ln(1 - C) / ln(1 - p)). There is one look, at the end, so interim looks cannot bias the result.
No rule with the same confidence shows a claim sooner on a receiver that does not fail. It stops early at failure
c + 1, and that does no harm: such a run could not have shown the claim any more, whatever came after, so the chance
of a wrong "shown" is what it was. Whether the claim is then *refuted* is judged apart: only if failure c + 1 comes
within the first n' trials, where n' is the largest number in which c + 1 failures or more have a probability of at
most 1 - C at the limit of the claim. Otherwise the plan has failed but the claim may hold: undecided.

**Planned** (the usual one) shows like Fixed without a failure. After a failure it goes on, but only to see whether the
claim is refuted, by Wald's test between p and r p below; the two answers have a risk each, and only one can come up.

**Sequential**, for links on which some failures are to be expected. Two of Wald's tests (Ann. Math. Stat. 16:117,
1945) run side by side, as Sobel & Wald have it (Ann. Math. Stat. 20:502, 1949): one between p / r and p, whose end at
p / r shows the claim, one between p and r p, whose end at r p refutes it. When both end at p, the truth is too close
to the limit to be told with this r: undecided. Wald's bounds ln((1 - beta) / alpha) and ln(beta / (1 - alpha)) only
approximate the risks that were asked for; what is guaranteed is beta / (1 - alpha). So both risks are set to
e / (1 + e), for which that is e = 1 - C, and the bounds are ln(e) and -ln(e). The largest number of trials can
only make the answer "undecided", never a wrong one.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final, Protocol

from lostlink.campaigns import statistics
from lostlink.campaigns.claims import Answer, Claim, Decision, failures_text
from lostlink.campaigns.wald import Wald
from lostlink.errors import LostlinkError
from lostlink.verdicts import counted

#: An answer and the reason.
Said = tuple[Answer, str]


class Course(Protocol):
    """How one campaign goes under a rule. Trials count from 1."""

    def quiet(self, until: int, failures: int) -> tuple[int, Said] | None:
        """Take it that after so many `failures` none came up to trial `until`; return where it ended, if it did."""

    def failed(self, trial: int, failures: int) -> Said | None:
        """Take a failure at `trial`, counted in `failures`; return the answer, if it ends there."""


class Rule(Protocol):
    """When to stop, fixed before the run."""

    @property
    def claim(self) -> Claim:
        """What is to be shown."""

    @property
    def fewest_trials(self) -> int:
        """Trials that show the claim if none fails."""

    @property
    def most_trials(self) -> int:
        """Trials after which it stops in any case."""

    def begin(self) -> Course:
        """Return a campaign under this rule, before its first trial."""


# --- fixed number of trials ------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Fixed:
    """A number of trials known from the start.

    Attributes
    ----------
    claim : Claim
    allowed_failures : int
        More trials, but so many of them may fail.
    """

    claim: Claim
    allowed_failures: int = 0

    def __post_init__(self) -> None:
        if not 0 <= self.allowed_failures <= 1000:
            raise LostlinkError(f"{self.allowed_failures} failures allowed; allowed: 0 to 1000")

    @property
    def fewest_trials(self) -> int:
        return statistics.trials_to_show(self.claim.probability, self.claim.confidence, self.allowed_failures)

    @property
    def most_trials(self) -> int:
        return self.fewest_trials

    def begin(self) -> Course:
        refuting = statistics.trials_to_refute(self.claim.probability, self.claim.confidence, self.allowed_failures + 1)
        return _FixedCourse(self, self.fewest_trials, refuting)

    def __str__(self) -> str:
        return f"{counted(self.fewest_trials, 'trial')}, {failures_text(self.allowed_failures)} allowed"


@dataclass(frozen=True, slots=True)
class _FixedCourse:
    rule: Fixed
    trials: int
    refuting_trials: int

    def quiet(self, until: int, failures: int) -> tuple[int, Said] | None:
        if until < self.trials:
            return None
        claim, allowed = self.rule.claim, self.rule.allowed_failures
        seen = f"{failures_text(allowed)}{' or fewer' if allowed else ''}"
        reason = (
            f"were p {claim.probability:g} or more, at most {_percent(claim.risk)} of such campaigns would have {seen}"
        )
        return self.trials, (Answer.SHOWN, reason)

    def failed(self, trial: int, failures: int) -> Said | None:
        allowed, claim = self.rule.allowed_failures, self.rule.claim
        if failures <= allowed:
            return None
        if trial <= self.refuting_trials:
            rare = f"at most {_percent(claim.risk)} of such campaigns would fail so often so soon"
            return Answer.REFUTED, f"were p {claim.probability:g} or less, {rare}"
        reason = f"not shown, as the plan allows {failures_text(allowed)}, but not refuted either"
        return Answer.UNDECIDED, f"{reason}: look at what failed, or use the sequential rule"


# --- Wald's test -----------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Sequential:
    """Continues until p is shown to be below or above the claim's limit.

    Attributes
    ----------
    claim : Claim
    ratio : float
        Distance from the claim's limit at which the answer is certain: with 10, below p / 10 or above 10 p.
        A smaller ratio takes more trials and leaves fewer claims undecided.
    """

    claim: Claim
    ratio: float = 10.0

    def __post_init__(self) -> None:
        if not 1.1 <= self.ratio <= 1000:
            raise LostlinkError(f"ratio {self.ratio:g} of the sequential rule; allowed: 1.1 to 1000")

    @property
    def showing(self) -> Wald:
        """The test whose lower end shows the claim."""
        risk = self.claim.risk / (1 + self.claim.risk)
        return Wald(self.claim.probability / self.ratio, self.claim.probability, risk, risk)

    @property
    def refuting(self) -> Wald:
        """The test whose upper end refutes it; between p and r p, but never beyond half the way from p to 1."""
        p = self.claim.probability
        risk = self.claim.risk / (1 + self.claim.risk)
        return Wald(p, min(p * self.ratio, (1 + p) / 2), risk, risk)

    @property
    def fewest_trials(self) -> int:
        return self.showing.ends_low_at(0)

    @property
    def most_trials(self) -> int:
        return 10 * self.fewest_trials

    def begin(self) -> Course:
        return _SequentialCourse(self, self.showing, self.refuting)

    def __str__(self) -> str:
        return f"sequential, ratio {self.ratio:g}; {counted(self.fewest_trials, 'trial')} if none fails"


@dataclass(slots=True)
class _SequentialCourse:
    """Both tests, each until it ends; undecided if both end at p."""

    rule: Sequential
    showing: Wald
    refuting: Wald
    may_show: bool = True
    may_refute: bool = True

    def quiet(self, until: int, failures: int) -> tuple[int, Said] | None:
        if self.may_show and (end := self.showing.ends_low_at(failures)) <= until:
            return end, (Answer.SHOWN, self._rare("or more"))
        if self.may_refute and (end := self.refuting.ends_low_at(failures)) <= until:
            self.may_refute = False
            return None if self.may_show else (end, self._too_close())
        return None

    def failed(self, trial: int, failures: int) -> Said | None:
        if self.may_refute and self.refuting.ends_high(trial, failures):
            return Answer.REFUTED, self._rare("or less")
        if self.may_show and self.showing.ends_high(trial, failures):
            self.may_show = False
            return None if self.may_refute else self._too_close()
        return None

    def _rare(self, side: str) -> str:
        claim = self.rule.claim
        rare = f"at most {_percent(claim.risk)} of such campaigns would end like this"
        return f"were p {claim.probability:g} {side}, {rare}"

    def _too_close(self) -> Said:
        low, high = self.showing.low, self.refuting.high
        reason = f"p is too close to the limit to decide, somewhere from {low:.3g} to {high:.3g}"
        return Answer.UNDECIDED, f"{reason}; a smaller ratio decides with more trials"


# --- planned: shown by a fixed number, refuted by Wald's test ---------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Planned:
    """A number of trials known from the start shows the claim; after a failure it continues only to refute it.

    Attributes
    ----------
    claim : Claim
    ratio : float
        A receiver that fails this many times as often as the claim says is certainly refuted.
    """

    claim: Claim
    ratio: float = 10.0

    @property
    def fewest_trials(self) -> int:
        return Fixed(self.claim).fewest_trials

    @property
    def most_trials(self) -> int:
        return 10 * self.fewest_trials

    def begin(self) -> Course:
        return _PlannedCourse(self, self.fewest_trials, Sequential(self.claim, self.ratio).refuting)

    def __str__(self) -> str:
        return f"{Fixed(self.claim)}; after one it goes on until Wald's test refutes the claim or cannot"


@dataclass(frozen=True, slots=True)
class _PlannedCourse:
    """The first look of the fixed rule and Wald's test beside each other: each errs in one way only."""

    rule: Planned
    trials: int
    refuting: Wald

    def quiet(self, until: int, failures: int) -> tuple[int, Said] | None:
        if not failures:
            return _FixedCourse(Fixed(self.rule.claim), self.trials, 0).quiet(until, 0)
        end = self.refuting.ends_low_at(failures)
        return (end, self._neither()) if end <= until else None

    def failed(self, trial: int, failures: int) -> Said | None:
        if failures == 1 and trial > self.refuting.ends_low_at(0):
            return self._neither()  # Wald's test was over before
        if self.refuting.ends_high(trial, failures):
            claim = self.rule.claim
            rare = f"at most {_percent(claim.risk)} of such campaigns would end like this"
            return Answer.REFUTED, f"were p {claim.probability:g} or less, {rare}"
        return None

    def _neither(self) -> Said:
        reason = "not shown, as the plan allows no failure, but not refuted either"
        return Answer.UNDECIDED, f"{reason}: look at what failed; the sequential rule takes more trials and may decide"


# --- a campaign that goes on -----------------------------------------------------------------------------------------


class Progress:
    """A campaign under a rule; batches of trials are added in order."""

    __slots__ = ("_course", "decision", "failures", "rule", "trials")

    def __init__(self, rule: Rule) -> None:
        self.rule: Final = rule
        self.trials = 0
        self.failures = 0
        self.decision: Decision | None = None
        self._course = rule.begin()

    def add(self, trials: int, failed: Iterable[int]) -> Decision | None:
        """Take the next batch and return the decision once it has fallen; later batches change nothing.

        Parameters
        ----------
        trials : int
        failed : iterable of int
            Numbers of the trials that failed, from 0 within the batch, ascending.

        Raises
        ------
        ValueError
            If they are not ascending, or not within the batch.
        """
        if self.decision is not None:
            return self.decision
        first, last = self.trials, self.trials + trials
        for offset in failed:
            trial = first + int(offset) + 1
            if not self.trials < trial <= last:
                raise ValueError(
                    f"failure {offset} in a batch of {trials} trials; allowed: ascending, within the batch"
                )
            if self._quiet(trial - 1) or self._failed(trial):
                return self.decision
        return self._quiet(last)

    def _quiet(self, until: int) -> Decision | None:
        until = min(until, self.rule.most_trials)
        end = self._course.quiet(until, self.failures)
        if end is not None:
            return self._decide(*end)
        if until == self.rule.most_trials:
            reason = f"{counted(until, 'trial')} were the limit"
            return self._decide(until, (Answer.UNDECIDED, reason))
        self.trials = until
        return None

    def _failed(self, trial: int) -> Decision | None:
        self.failures += 1
        self.trials = trial
        said = self._course.failed(trial, self.failures)
        return self._decide(trial, said) if said is not None else None

    def _decide(self, trial: int, said: Said) -> Decision:
        self.trials = trial
        self.decision = Decision(self.rule.claim, said[0], trial, self.failures, said[1])
        return self.decision


def _percent(share: float) -> str:
    return f"{100 * share:.4g} %"
