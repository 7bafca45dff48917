"""Bounds, quantiles and worst trials of campaigns, against handbooks, published cases and scipy.stats."""

from __future__ import annotations

import math
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from lostlink.campaigns import statistics as ours
from lostlink.campaigns.times import NEVER_US, TimeDistribution, Trial, longest
from lostlink.report.distributions import RequirementTimes

# --- failures --------------------------------------------------------------------------------------------------------

# Newcombe, Stat. Med. 17:857, 1998, table I, method 5 (cases and last digits from memory; figures by scipy's binomtest)
NEWCOMBE = [
    (0, 20, 0.0, 0.168433),
    (1, 29, 0.000872647, 0.177644),
    (15, 148, 0.0578440, 0.161650),
    (81, 263, 0.252737, 0.367622),
    (5, 100, 0.0164319, 0.112835),
    (0, 1000, 0.0, 0.00368208),
]


@pytest.mark.parametrize(("failures", "trials", "low", "high"), NEWCOMBE)
def test_interval_of_published_cases(failures: int, trials: int, low: float, high: float) -> None:
    assert ours.interval(failures, trials, 0.95) == pytest.approx((low, high), rel=5e-6)


def test_interval_of_the_handbook() -> None:
    """NIST/SEMATECH e-Handbook, 7.2.4.1: 4 defectives of 20, 90 %."""
    assert ours.interval(4, 20, 0.90) == pytest.approx((0.071354, 0.401029), abs=1.1e-6)


# Wilson 1927, 95 %, upper ends; cases of Newcombe 1998.
@pytest.mark.parametrize(
    ("failures", "trials", "low", "high"),
    [
        (0, 20, 0.0, 0.161125),
        (1, 29, 0.00611321, 0.171755),
        (15, 148, 0.0623864, 0.160487),
        (81, 263, 0.255289, 0.366210),
        (5, 100, 0.0215437, 0.111750),
    ],
)
def test_exact_intervals_hold_wilsons(failures: int, trials: int, low: float, high: float) -> None:
    """The exact interval errs to the safe side; Wilson's, right on average, lies within in these cases."""
    exact = ours.interval(failures, trials, 0.95)
    assert exact[0] <= low < high < exact[1]


@pytest.mark.parametrize(
    ("trials", "bound", "rule_of_three"),
    [(100, 0.0295130, 0.03), (300, 0.00993608, 0.01), (1000, 0.00299125, 0.003), (3000, 0.000998079, 0.001)],
)
def test_no_failure_and_the_rule_of_three(trials: int, bound: float, rule_of_three: float) -> None:
    """Hanley & Lippman-Hand, JAMA 249:1743, 1983: 3/n, a little above the exact one-sided bound."""
    assert ours.upper_bound(0, trials, 0.95) == pytest.approx(bound, rel=5e-6)
    assert bound < rule_of_three < 1.02 * bound
    assert trials * ours.upper_bound(0, trials, 0.95) < -math.log(0.05)


def test_a_bound_is_one_sided_an_interval_two_sided() -> None:
    """Trap: scipy's interval of 0 in 1000 ends at 0.00368208, the one-sided bound is 0.00299125."""
    assert ours.upper_bound(0, 1000, 0.95) == pytest.approx(0.00299125, rel=5e-6)
    assert ours.upper_bound(0, 1000, 0.975) == ours.interval(0, 1000, 0.95)[1] == pytest.approx(0.00368208, rel=5e-6)


@settings(deadline=None)
@given(st.integers(1, 10**7), st.floats(0, 1), st.floats(0.5, 0.999999))
def test_bounds_agree_with_scipy(trials: int, share: float, confidence: float) -> None:
    """The oracle: scipy.stats.beta; few failures and many, few trials and many."""
    failures = round(trials * share**4)
    upper = stats.beta.ppf(confidence, failures + 1, trials - failures) if failures < trials else 1.0
    assert ours.upper_bound(failures, trials, confidence) == pytest.approx(upper, rel=1e-8)


@pytest.mark.parametrize("failures", [0, 1, 3, 29, 30])
def test_intervals_agree_with_a_binomial_test(failures: int) -> None:
    """scipy.stats.binomtest, exact, two-sided."""
    expected = stats.binomtest(failures, 30).proportion_ci(0.99, "exact")
    assert ours.interval(failures, 30, 0.99) == pytest.approx((expected.low, expected.high), rel=1e-9, abs=1e-15)


def test_bounds_cover_the_truth() -> None:
    """Exactly, by summing a binomial: the bound lies below the truth in at most 1 - C of campaigns (the definition)."""
    trials = 50
    uppers = np.array([ours.upper_bound(failures, trials, 0.9) for failures in range(trials + 1)])
    for truth in np.linspace(0.001, 0.999, 333):
        chances = stats.binom.pmf(np.arange(trials + 1), trials, truth)
        assert chances[uppers < truth].sum() <= 0.1 + 1e-12


def test_nothing_was_tried() -> None:
    """Without a trial nothing is known (common practice, no source)."""
    assert ours.interval(0, 0, 0.95) == (0, 1)
    assert ours.upper_bound(0, 0, 0.95) == 1


# --- how many trials -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("confidence", "probability", "trials"),
    [
        (0.95, 0.1, 29), (0.95, 0.05, 59), (0.95, 0.01, 299), (0.95, 0.001, 2995), (0.95, 1e-4, 29956),
        (0.90, 0.1, 22), (0.90, 0.05, 45), (0.90, 0.01, 230), (0.90, 0.001, 2302),
        (0.99, 0.1, 44), (0.99, 0.05, 90), (0.99, 0.01, 459), (0.99, 0.001, 4603),
    ],
)  # fmt: skip
def test_trials_without_a_failure(confidence: float, probability: float, trials: int) -> None:
    """Success-run tables of reliability handbooks, from memory: n = ln(1 - C) / ln R, rounded up."""
    assert ours.trials_to_show(probability, confidence) == trials
    assert ours.upper_bound(0, trials, confidence) <= probability < ours.upper_bound(0, trials - 1, confidence)


@pytest.mark.parametrize(
    ("confidence", "probability", "expected"), [(0.95, 0.01, [299, 473, 628]), (0.90, 0.10, [22, 38, 52])]
)
def test_trials_with_failures_allowed(confidence: float, probability: float, expected: list[int]) -> None:
    """Binomial sampling plans for 0, 1 and 2 failures; R90/C90: 22, 38, 52."""
    for failures, trials in enumerate(expected):
        assert ours.at_most(failures, trials, probability) <= 1 - confidence
        assert ours.at_most(failures, trials - 1, probability) > 1 - confidence


@settings(deadline=None, max_examples=60)
@given(st.floats(1e-6, 0.5), st.floats(0.5, 0.9999))
def test_plans_are_the_smallest(probability: float, confidence: float) -> None:
    """The oracle: scipy.stats.binom."""
    risk = 1 - confidence
    trials = ours.trials_to_show(probability, confidence)
    assert stats.binom.cdf(0, trials, probability) <= risk * (1 + 1e-8)
    assert trials == 1 or stats.binom.cdf(0, trials - 1, probability) > risk * (1 - 1e-8)


def test_equal_sides_are_enough() -> None:
    """0.1 ** 4 is 1 - 0.9999: four trials show p < 0.9 at 99.99 %, although floats would ask for five."""
    assert ours.trials_to_show(0.9, 0.9999) == 4
    assert ours.trials_to_show(0.3, 0.51) == 2
    assert ours.trials_to_show(0.5, 0.75) == 2


def test_of_both_success_run_theorems_the_stricter() -> None:
    """Classical R = (1 - C)^(1/n) with n 59: .950492; with a uniform prior n 58 would do. C 90 %, n 22: .900628."""
    assert 1 - ours.upper_bound(0, 59, 0.95) == pytest.approx(0.950492, abs=5e-7)
    assert 1 - ours.upper_bound(0, 22, 0.90) == pytest.approx(0.900628, abs=5e-7)
    assert ours.trials_to_show(0.05, 0.95) == 59


@pytest.mark.parametrize("wrong", [0.0, 1.0, -0.1, 95.0, math.nan])
def test_shares_that_are_none(wrong: float) -> None:
    for call in (
        lambda: ours.upper_bound(0, 10, wrong),
        lambda: ours.trials_to_show(0.1, wrong),
        lambda: ours.trials_to_show(wrong, 0.9),
        lambda: ours.upper_rank(10, wrong, 0.9),
        lambda: TimeDistribution.of([1]).quantile(wrong),
    ):
        with pytest.raises(ValueError, match="allowed: between 0 and 1"):
            call()


def test_counts_that_are_none() -> None:
    for failures, trials in ((-1, 10), (11, 10), (0, -1)):
        with pytest.raises(ValueError, match="allowed: 0 to the number of trials"):
            ours.interval(failures, trials, 0.95)
    with pytest.raises(ValueError, match="a larger probability"):
        ours.trials_to_show(1e-17, 0.95)


# --- order statistics ------------------------------------------------------------------------------------------------


@settings(deadline=None, max_examples=60)
@given(st.integers(1, 10**6), st.floats(0.01, 0.9999), st.floats(0.5, 0.999))
def test_rank_of_an_upper_bound(trials: int, share: float, confidence: float) -> None:
    """The smallest r with P(Bin(n, q) <= r - 1) >= C; the oracle: scipy.stats.binom."""
    rank = ours.upper_rank(trials, share, confidence)
    if rank is None:
        assert stats.binom.cdf(trials - 1, trials, share) < confidence * (1 + 1e-8)
        return
    assert stats.binom.cdf(rank - 1, trials, share) >= confidence * (1 - 1e-8)
    assert rank == 1 or stats.binom.cdf(rank - 2, trials, share) < confidence * (1 + 1e-8)


def test_the_longest_of_59_bounds_the_95th() -> None:
    """The plan of Wilks and the rank of a bound are one and the same."""
    assert ours.upper_rank(58, 0.95, 0.95) is None
    assert ours.upper_rank(59, 0.95, 0.95) == 59
    assert ours.upper_rank(2994, 0.999, 0.95) is None
    assert ours.upper_rank(2995, 0.999, 0.95) == 2995


@pytest.mark.parametrize("values", [40, 10**6])
def test_bounds_of_quantiles_hold(values: int) -> None:
    """20 000 campaigns of 200 trials: P(bound < true quantile) <= 5 %, within four standard errors; with ties too."""
    random = np.random.default_rng(11)
    law = stats.randint(0, values)
    true_us = int(law.ppf(0.9))
    rank = ours.upper_rank(200, 0.9, 0.95)
    assert rank is not None
    flown = np.sort(law.rvs((20_000, 200), random_state=random), axis=1)
    assert TimeDistribution.of(flown[0]).quantile(0.9).upper_us == flown[0, rank - 1]
    assert np.mean(flown[:, rank - 1] < true_us) <= 0.05 + 4 * math.sqrt(0.05 * 0.95 / 20_000)
    if values > 40:  # with many ties there is room to the safe side
        assert np.mean(flown[:, rank - 2] < true_us) > 0.05, "one rank lower does not hold"


# --- times -----------------------------------------------------------------------------------------------------------

times = st.lists(st.one_of(st.integers(0, 30), st.integers(0, 10**9), st.just(NEVER_US)), max_size=60)


@given(times.filter(bool), st.sampled_from([0.5, 0.9, 0.99, 0.999, 0.25, 0.001]))
def test_quantiles_are_those_of_numpy(values: list[int], share: float) -> None:
    """numpy's inverted_cdf, and the definition: the smallest time that at least that share did not exceed."""
    found = TimeDistribution.of(values).quantile(share).value_us
    assert found == np.quantile(np.array(values, np.int64), share, method="inverted_cdf")
    at_most = sum(value <= found for value in values)
    below = sum(value < found for value in values)
    assert Fraction(below, len(values)) < Fraction(str(share)) <= Fraction(at_most, len(values))


def test_quantile_at_a_whole_rank() -> None:
    """Trap: in floats 0.07 * 100 is a little above 7; and 0.999 of 1000 trials leaves one out."""
    assert TimeDistribution.of(range(1, 101)).quantile(0.07).value_us == 7
    assert TimeDistribution.of(range(1, 1001)).quantile(0.999).value_us == 999


@given(times, st.data())
def test_times_merge_in_any_order_and_partition(values: list[int], data: st.DataObject) -> None:
    whole = TimeDistribution.of(values)
    parts = [TimeDistribution.of(part) for part in data.draw(partitions(values))]
    shuffled = data.draw(st.permutations(parts))
    assert TimeDistribution.merged(shuffled).as_dict() == whole.as_dict()
    folded = TimeDistribution.of(())
    for part in shuffled:
        folded = TimeDistribution.merged((part, folded))
    assert folded.as_dict() == whole.as_dict()
    assert dict(zip(whole.values_us.tolist(), whole.counts.tolist(), strict=True)) == {
        value: values.count(value) for value in set(values)
    }
    assert whole.trials == len(values)


@st.composite
def partitions(draw: st.DrawFn, values: list[int]) -> list[list[int]]:
    cuts = sorted(draw(st.lists(st.integers(0, len(values)), max_size=5)))
    return [values[start:stop] for start, stop in zip([0, *cuts], [*cuts, len(values)], strict=True)]


def test_what_never_came_is_longer_than_anything() -> None:
    some = TimeDistribution.of([500, 510, NEVER_US + 9, 500])
    assert (some.values_us.tolist(), some.counts.tolist()) == ([500, 510, NEVER_US], [2, 1, 1])
    assert (some.trials, some.worst_us) == (4, NEVER_US)
    assert some.quantile(0.75).value_us == 510
    assert some.quantile(0.76).value_us == NEVER_US


def test_too_few_trials_bound_nothing() -> None:
    assert TimeDistribution.of(range(58)).quantile(0.95).upper_us is None
    assert TimeDistribution.of(range(59)).quantile(0.95).upper_us == 58


def test_memory_is_that_of_different_times() -> None:
    """A million trials within 1000 µs: 1000 rows."""
    many = TimeDistribution.merged(
        TimeDistribution.of(np.random.default_rng(part).integers(0, 1000, 10_000)) for part in range(100)
    )
    assert many.trials == 1_000_000
    assert len(many.values_us) == 1000


def test_times_that_are_none() -> None:
    for wrong in ([1.5], [math.nan], ["1"]):
        with pytest.raises(ValueError, match="allowed: whole microseconds"):
            TimeDistribution.of(wrong)
    empty = TimeDistribution.of(())
    assert empty.trials == 0
    for call in (lambda: empty.worst_us, lambda: empty.quantile(0.5)):
        with pytest.raises(ValueError, match="of 0 trials"):
            call()


# --- worst trials ----------------------------------------------------------------------------------------------------


@given(times, st.integers(1, 5), st.data())
def test_worst_trials_merge_in_any_order_and_partition(values: list[int], keep: int, data: st.DataObject) -> None:
    """Ties by seed and number; the oracle: sorted() over everything."""
    every = [Trial(value, seed, trial) for seed in (3, 7) for trial, value in enumerate(values)]
    expected = sorted(every, key=lambda trial: (-trial.value_us, trial.seed, trial.trial))[:keep]
    shuffled = data.draw(st.permutations(every))
    cut = data.draw(st.integers(0, len(every)))
    parts = [longest(shuffled[:cut], keep), longest(shuffled[cut:], keep)]
    assert longest([trial for part in parts for trial in part], keep) == tuple(expected)
    assert longest(shuffled, keep) == tuple(expected)
    assert longest([], keep) == ()


@given(st.lists(st.integers(0, 50), min_size=1, max_size=60))
@settings(max_examples=60, deadline=None, derandomize=True)
def test_share_of_longer_times_is_the_survival_function(values: list[int]) -> None:
    """The curve of a report, against scipy's empirical survival function."""
    times = TimeDistribution.of(values)
    at_us, later = RequirementTimes({"id": "X"}, times.values_us, times.counts).later_than()
    library = stats.ecdf(values).sf
    assert at_us.tolist() == library.quantiles.tolist()
    assert later == pytest.approx(library.probabilities, abs=1e-12)
