"""When a campaign stops and what is then said: figures of handbooks, error rates, and no dependence on batches."""

from __future__ import annotations

import math
from collections.abc import Iterable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from lostlink.campaigns import statistics
from lostlink.campaigns.claims import Answer, Claim, Decision, parse_claim
from lostlink.campaigns.stopping import Planned, Progress, Rule, Sequential
from lostlink.campaigns.wald import Wald
from lostlink.errors import LostlinkError

RARE = Claim(1e-4, 0.95)
COMMON = Claim(0.02, 0.95)
CAMPAIGNS = 3000


def run(rule: Rule, failed: Iterable[int]) -> Decision:
    """Run a campaign of which these trials, from 0, fail."""
    progress = Progress(rule)
    decision = progress.add(rule.most_trials, [trial for trial in failed if trial < rule.most_trials])
    assert decision is not None
    return decision


def answers(rule: Rule, truth: float, seed: int) -> list[Decision]:
    """Run many campaigns in batches of 64 whose trials fail with that probability."""
    random = np.random.default_rng(seed)
    decisions = []
    for _ in range(CAMPAIGNS):
        progress = Progress(rule)
        while not progress.add(64, np.flatnonzero(random.random(64) < truth)):
            pass
        assert progress.decision is not None
        decisions.append(progress.decision)
    return decisions


def share(decisions: list[Decision], answer: Answer) -> float:
    return sum(decision.answer is answer for decision in decisions) / len(decisions)


def margin(rate: float) -> float:
    """Four standard errors of a share of the campaigns."""
    return 4 * math.sqrt(rate * (1 - rate) / CAMPAIGNS)


# --- what a person writes --------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "claim"),
    [
        ("p < 1e-4 at 95 %", Claim(1e-4, 0.95)),
        ("p<0.01% at 99%", Claim(1e-4, 0.99)),
        ("  p <0.0001at99.9 %  ", Claim(1e-4, 0.999)),
        ("p < 0.5 at 50 %", Claim(0.5, 0.5)),
        ("p < 1E-9 at 99.9999 %", Claim(1e-9, 0.999999)),
        ("p < 2e-3 % at 90 %", Claim(2e-5, 0.9)),
    ],
)
def test_claims(text: str, claim: Claim) -> None:
    assert parse_claim(text) == claim
    assert parse_claim(str(claim)) == claim


@pytest.mark.parametrize(
    "text",
    [
        "", "p", "p < at 95 %", "p < 1e-4", "p < 1e-4 at 95", "p < 1e-4 at 0.95", "p > 1e-4 at 95 %",
        "q < 1e-4 at 95 %", "p < -1e-4 at 95 %", "p < nan at 95 %", "p < 1e-4 at 95 % or so", "p < 0,01 at 95 %",
        "p < ٣e-4 at 95 %", "p < 1e-4 at 95 %\0", "p < " + "1" * 5000 + " at 95 %",
    ],
)  # fmt: skip
def test_what_is_no_claim(text: str) -> None:
    with pytest.raises(LostlinkError, match=r'^--until: .* is not a claim; allowed: such as "p < 1e-4 at 95 %"'):
        parse_claim(text)


@pytest.mark.parametrize(
    "text",
    ["p < 0 at 95 %", "p < 1e-10 at 95 %", "p < 0.51 at 95 %", "p < 60 % at 95 %", "p < 1e999 at 95 %",
     "p < 1e-4 at 49 %", "p < 1e-4 at 100 %", "p < 1e-4 at 99.99999 %"],
)  # fmt: skip
def test_claims_out_of_range(text: str) -> None:
    with pytest.raises(LostlinkError, match="^option: .* is out of range; allowed: .* p from 1e-9 to 0.5"):  # noqa: RUF043
        parse_claim(text, "option")


# --- fixed number of trials ------------------------------------------------------------------------------------------


def test_the_last_trial_of_the_plan_decides() -> None:
    """p < 1 % at 95 %: 299 trials without a failure (binomial sampling plans), not 298."""
    progress = Progress(Planned(Claim(0.01, 0.95)))
    assert progress.rule.fewest_trials == 299
    assert progress.add(298, []) is None
    decision = progress.add(1, [])
    assert decision is not None
    assert (decision.answer, decision.trials, decision.failures) == (Answer.SHOWN, 299, 0)
    assert statistics.upper_bound(0, 299, 0.95) <= 0.01


# --- Wald's test -----------------------------------------------------------------------------------------------------


def lines(wald: Wald) -> tuple[float, float, float]:
    """Return the slope, and the failures at trial 0 on the lines at which it ends at `low` and at `high`."""
    steps = wald.failure_step + wald.pass_step
    return wald.pass_step / steps, wald.log_low / steps, wald.log_high / steps


def test_lines_of_the_handbook() -> None:
    """NIST/SEMATECH e-Handbook, 6.2.6: p1 0.01, p2 0.10, alpha 0.05, beta 0.10; it prints 0.0397, -0.939, 1.205."""
    slope, low, high = lines(Wald(0.01, 0.10, 0.05, 0.10))
    assert (slope, low, high) == pytest.approx((0.0397474, -0.938862, 1.205379), rel=1e-5)
    assert (round(slope, 4), round(low, 3), round(high, 3)) == (0.0397, -0.939, 1.205)


def test_a_rare_failure_after_wald() -> None:
    """Wald 1945; p0 0.001, p1 0.01, alpha = beta = 0.05: bounds, steps, first end."""
    wald = Wald(0.001, 0.01, 0.05, 0.05)
    assert (wald.log_high, wald.log_low) == pytest.approx((2.944439, -2.944439), abs=5e-7)
    assert (wald.failure_step, wald.pass_step) == pytest.approx((2.302585, 0.00904984), rel=1e-6)
    assert wald.ends_low_at(0) == 326


@given(st.integers(0, 30), st.integers(0, 3000))
def test_ends_are_those_of_the_lines(failures: int, passes: int) -> None:
    """Counted with lines, as the handbook does, and with likelihoods, as Wald does: the same ends."""
    wald = Wald(0.001, 0.01, 0.05, 0.05)
    slope, low, high = lines(wald)
    trials = failures + passes
    ratio = stats.binom.logpmf(failures, trials, 0.01) - stats.binom.logpmf(failures, trials, 0.001)
    assert wald.ends_high(trials, failures) == (failures >= slope * trials + high) == (ratio >= wald.log_high)
    assert (wald.ends_low_at(failures) <= trials) == (failures <= slope * trials + low) == (ratio <= wald.log_low)


def test_sequential_bounds_are_guaranteed_ones() -> None:
    """Wald's guarantee is beta / (1 - alpha), not beta: both risks are set so that it is 1 - C."""
    for wald in (Sequential(RARE).showing, Sequential(RARE).refuting):
        assert wald.beta / (1 - wald.alpha) == pytest.approx(0.05)
        assert wald.alpha / (1 - wald.beta) == pytest.approx(0.05)
        assert wald.log_high == pytest.approx(math.log(20)) == pytest.approx(-wald.log_low)


def test_planned_shows_sooner_than_sequential() -> None:
    """On a receiver that does not fail; no less than ln(1 - C) / ln(1 - p) will do for any rule."""
    assert Planned(RARE).fewest_trials == 29_956
    fewest = [Sequential(RARE, ratio).fewest_trials for ratio in (1000, 10, 2)]
    assert 29_956 < fewest[0] < fewest[1] < fewest[2]
    assert run(Sequential(RARE), []).trials == fewest[1]


@pytest.mark.parametrize("ratio", [3.0, 10.0])
def test_sequential_error_rates(ratio: float) -> None:
    """At the limit of the claim neither answer comes up in more than 5 %; away from it, nearly always the right one."""
    rule = Sequential(COMMON, ratio)
    at_limit = answers(rule, 0.02, seed=2)
    assert share(at_limit, Answer.SHOWN) <= 0.05 + margin(0.05)
    assert share(at_limit, Answer.REFUTED) <= 0.05 + margin(0.05)
    good, bad = answers(rule, 0.02 / ratio, seed=3), answers(rule, 0.02 * ratio, seed=4)
    assert share(good, Answer.SHOWN) >= 0.95 - margin(0.05)
    assert share(bad, Answer.REFUTED) >= 0.95 - margin(0.05)
    assert share(good, Answer.REFUTED) <= 0.005
    assert share(bad, Answer.SHOWN) <= 0.005


def test_planned_error_rates() -> None:
    """At the limit neither answer comes up in more than 5 %; a receiver that fails ten times as often is refuted."""
    rule = Planned(COMMON)
    at_limit = answers(rule, 0.02, seed=6)
    shown = stats.binom.pmf(0, rule.fewest_trials, 0.02)
    assert share(at_limit, Answer.SHOWN) == pytest.approx(shown, abs=margin(shown))
    assert share(at_limit, Answer.REFUTED) <= 0.05 + margin(0.05)
    bad, never = answers(rule, 0.2, seed=7), answers(rule, 0.0, seed=8)
    assert share(bad, Answer.REFUTED) >= 0.95 - margin(0.05)
    assert {(one.answer, one.trials) for one in never} == {(Answer.SHOWN, rule.fewest_trials)}


def test_planned_after_a_failure() -> None:
    """A late failure ends it undecided, an early one is followed by others or not."""
    rule = Planned(RARE)
    assert run(rule, [29_000]).answer is Answer.UNDECIDED
    assert run(rule, [29_000]).trials == 29_001
    alone, many = run(rule, [10]), run(rule, [10, 20, 30])
    assert (alone.answer, alone.trials) == (Answer.UNDECIDED, Sequential(RARE).refuting.ends_low_at(1))
    assert many.answer is Answer.REFUTED


def test_sequential_answers_in_between() -> None:
    """Failures at the very rate of the claim: neither; then the reason says between which values."""
    decision = run(Sequential(COMMON), range(49, 10**5, 50))
    assert decision.answer is Answer.UNDECIDED
    assert "between 0.002 and 0.2" in decision.reason
    assert run(Sequential(COMMON, 3), range(7, 10**4, 15)).answer is Answer.REFUTED


# --- batches ---------------------------------------------------------------------------------------------------------

RULES: list[Rule] = [Planned(COMMON), Planned(COMMON, 2), Sequential(COMMON), Sequential(COMMON, 2)]


@settings(deadline=None)
@given(st.sampled_from(RULES), st.sets(st.integers(0, 1500), max_size=60), st.integers(1, 400))
def test_the_answer_does_not_depend_on_batches(rule: Rule, failed: set[int], size: int) -> None:
    """Trial by trial, in batches, all at once: the same answer at the same trial for the same reason."""
    decisions = []
    for length in (1, size, rule.most_trials):
        progress = Progress(rule)
        for first in range(0, rule.most_trials, length):
            inside = sorted(trial - first for trial in failed if first <= trial < first + length)
            if progress.add(length, inside):
                break
        decisions.append(progress.decision)
    assert decisions[0] is not None
    assert decisions[0] == decisions[1] == decisions[2]


def test_what_comes_after_the_decision_changes_nothing() -> None:
    progress = Progress(Planned(COMMON))
    decision = progress.add(4096, [])
    assert decision is not None
    assert decision.trials == 149
    assert progress.add(4096, range(4096)) is decision
    assert (progress.trials, progress.failures) == (149, 0)


@pytest.mark.parametrize("failed", [[-1], [5], [3, 3], [3, 2]])
def test_failures_that_cannot_be(failed: list[int]) -> None:
    with pytest.raises(ValueError, match="allowed: ascending, within the batch"):
        Progress(Sequential(COMMON)).add(5, failed)


def test_settings_of_rules_are_checked() -> None:
    for wrong in (lambda: Planned(RARE, 1001), lambda: Sequential(RARE, 1.0), lambda: Sequential(RARE, math.nan)):
        with pytest.raises(LostlinkError, match="allowed"):
            wrong()


def test_words() -> None:
    """What a person reads."""
    assert str(Planned(RARE)) == (
        "29 956 trials without a failure; after a failure, until Wald's test refutes the claim or cannot"
    )
    assert str(run(Planned(COMMON), [])) == (
        "p < 0.02 at 95 %: shown after 149 trials, no failure; "
        "if p were 0.02 or more, at most 5 % of such campaigns would have no failure"
    )
    assert str(run(Planned(COMMON), range(5))).startswith(
        "p < 0.02 at 95 %: refuted after 2 trials, 2 failures; if p were 0.02 or less, at most 5 % of such campaigns"
    )
    assert [answer.exit_code for answer in Answer] == [0, 1, 4]
