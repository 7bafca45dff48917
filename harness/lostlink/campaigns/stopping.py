"""When a campaign stops, and whether its claim is then shown or refuted. The rule is fixed before the first trial.

A claim is "p < 1e-4 at 95 %": failures are rarer than one in 10 000, and at most 5 % of campaigns show it although it
is false. Trials are counted one by one in their order, so the answer and the trial of the answer depend neither on the
workers nor on the size of the jobs.

**Planned** (the usual rule). The number of trials is known from the start: n = ln(1 - C) / ln(1 - p), which show the
claim if none fails. They are looked at once, at the end, so interim looks cannot bias the result. No rule with the same
confidence shows a claim sooner on a receiver that does not fail. After a failure the campaign continues only to see
whether Wald's test between p and r p refutes the claim. Each answer has its own risk, and only one can come up.

**Sequential**, for links on which some failures are expected. Two of Wald's tests (Ann. Math. Stat. 16:117, 1945) run
side by side (Sobel & Wald, Ann. Math. Stat. 20:502, 1949): one between p / r and p, whose end at p / r shows the claim,
one between p and r p, whose end at r p refutes it. If both end at p, the claim is undecided.

Wald's bounds ln((1 - beta) / alpha) and ln(beta / (1 - alpha)) only approximate the requested risks; what is guaranteed
is beta / (1 - alpha). So both risks are set to e / (1 + e), for which that is e = 1 - C, and the bounds are ln(e) and
-ln(e). The largest number of trials can only make the answer "undecided", never a wrong one.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property
from typing import Final

from lostlink.campaigns.claims import Answer, Claim, Decision
from lostlink.campaigns.statistics import trials_to_show
from lostlink.campaigns.wald import Wald
from lostlink.errors import LostlinkError
from lostlink.verdicts import counted


@dataclass(frozen=True)
class Rule(ABC):
    """When to stop, fixed before the run.

    Attributes
    ----------
    claim : Claim
    ratio : float
        Distance from the claim's limit p at which the answer is certain: a receiver that fails r p of the time is
        refuted (under `Sequential`, one that fails p / r of the time is shown). A smaller ratio takes more trials.

    Raises
    ------
    LostlinkError
        If the ratio is not between 1.1 and 1000.
    """

    claim: Claim
    ratio: float = 10.0

    def __post_init__(self) -> None:
        if not 1.1 <= self.ratio <= 1000:
            raise LostlinkError(f"ratio {self.ratio:g} of the stopping rule; allowed: 1.1 to 1000")

    @cached_property
    def refuting(self) -> Wald:
        """The test whose upper end refutes the claim; between p and r p, but at most halfway from p to 1."""
        p = self.claim.probability
        return self._wald(p, min(p * self.ratio, (1 + p) / 2))

    def _wald(self, low: float, high: float) -> Wald:
        risk = self.claim.risk / (1 + self.claim.risk)
        return Wald(low, high, risk, risk)

    @property
    def fewest_trials(self) -> int:
        """Trials that show the claim if none fails."""
        return int(self.shown_at(0))

    @property
    def most_trials(self) -> int:
        """Trials after which it stops in any case."""
        return 10 * self.fewest_trials

    @abstractmethod
    def shown_at(self, failures: int) -> float:
        """Return the trial at which this number of failures shows the claim; infinity if none does."""

    @abstractmethod
    def cannot_show(self, trials: int, failures: int) -> bool:
        """Return whether this number of failures rules out that the claim is shown."""

    @property
    @abstractmethod
    def shown_reason(self) -> str:
        """How rare a campaign that shows the claim is if the claim is false."""

    @property
    @abstractmethod
    def undecided_reason(self) -> str:
        """Why the claim is neither shown nor refuted."""


class Planned(Rule):
    """A number of trials known from the start shows the claim; after a failure it continues only to refute it."""

    @cached_property
    def _trials(self) -> int:
        return trials_to_show(self.claim.probability, self.claim.confidence)

    def shown_at(self, failures: int) -> float:
        return float("inf") if failures else self._trials

    def cannot_show(self, trials: int, failures: int) -> bool:
        return failures > 0

    @property
    def shown_reason(self) -> str:
        return f"{_rare(self.claim, 'or more')} have no failure"

    @property
    def undecided_reason(self) -> str:
        return (
            "not shown, because the plan allows no failure, but not refuted either: check the failed trials, or use "
            "the sequential rule, which takes more trials"
        )

    def __str__(self) -> str:
        trials = counted(self.fewest_trials, "trial")
        return f"{trials} without a failure; after a failure, until Wald's test refutes the claim or cannot"


class Sequential(Rule):
    """Continues until p is shown to be below or above the claim's limit."""

    @cached_property
    def showing(self) -> Wald:
        """The test whose lower end shows the claim."""
        return self._wald(self.claim.probability / self.ratio, self.claim.probability)

    def shown_at(self, failures: int) -> float:
        return self.showing.ends_low_at(failures)

    def cannot_show(self, trials: int, failures: int) -> bool:
        return self.showing.ends_high(trials, failures)

    @property
    def shown_reason(self) -> str:
        return f"{_rare(self.claim, 'or more')} end like this"

    @property
    def undecided_reason(self) -> str:
        return f"p is too close to the limit to decide, between {self.showing.low:.3g} and {self.refuting.high:.3g}"

    def __str__(self) -> str:
        return f"sequential, ratio {self.ratio:g}; {counted(self.fewest_trials, 'trial')} if none fails"


def _rare(claim: Claim, side: str) -> str:
    return f"if p were {claim.probability:g} {side}, at most {100 * claim.risk:.4g} % of such campaigns would"


class Progress:
    """A campaign under a rule; batches of trials are added in order.

    Attributes
    ----------
    trials, failures : int
        So far; from the decision on, those at which it was reached.
    decision : Decision or None
    """

    def __init__(self, rule: Rule) -> None:
        self.rule: Final = rule
        self.trials = 0
        self.failures = 0
        self.decision: Decision | None = None
        self._may_show = self._may_refute = True

    def add(self, trials: int, failed: Iterable[int]) -> Decision | None:
        """Add the next batch and return the decision once it is reached; later batches change nothing.

        Parameters
        ----------
        trials : int
        failed : iterable of int
            Indices of the failed trials within the batch, ascending.

        Raises
        ------
        ValueError
            If they are not ascending, or not within the batch.
        """
        if self.decision is not None:
            return self.decision
        first, last = self.trials, self.trials + trials
        for index in failed:
            trial = first + int(index) + 1
            if not self.trials < trial <= last:
                raise ValueError(f"failure {index} in a batch of {trials} trials; allowed: ascending, within the batch")
            if self._passed(trial - 1) or self._failed(trial):
                return self.decision
        return self._passed(last)

    def _passed(self, until: int) -> Decision | None:
        """Count passes up to a trial."""
        rule, until = self.rule, min(until, self.rule.most_trials)
        if self._may_show and (end := rule.shown_at(self.failures)) <= until:
            return self._decide(int(end), Answer.SHOWN, rule.shown_reason)
        if self._may_refute and (end := rule.refuting.ends_low_at(self.failures)) <= until:
            self._may_refute = False
            if not self._may_show:
                return self._decide(int(end), Answer.UNDECIDED, rule.undecided_reason)
        if until == rule.most_trials:
            return self._decide(until, Answer.UNDECIDED, f"{counted(until, 'trial')} were the limit")
        self.trials = until
        return None

    def _failed(self, trial: int) -> Decision | None:
        """Count a failure."""
        self.failures += 1
        self.trials = trial
        rule = self.rule
        if self._may_refute and rule.refuting.ends_high(trial, self.failures):
            return self._decide(trial, Answer.REFUTED, f"{_rare(rule.claim, 'or less')} end like this")
        if self._may_show and rule.cannot_show(trial, self.failures):
            self._may_show = False
            if not self._may_refute:
                return self._decide(trial, Answer.UNDECIDED, rule.undecided_reason)
        return None

    def _decide(self, trial: int, answer: Answer, reason: str) -> Decision:
        self.trials = trial
        self.decision = Decision(self.rule.claim, answer, trial, self.failures, reason)
        return self.decision
