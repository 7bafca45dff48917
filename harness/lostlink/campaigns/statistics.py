"""What can be concluded from many trials: bounds on a failure probability, distributions of a measured time.

Everything is exact, or errs to the safe side, and assumes no distribution:

- **Failures** are bounded by Clopper & Pearson (Biometrika 26:404, 1934). One-sided bounds hold at the confidence
  that is said; an interval spends half of the rest on either side. No Bayesian prior: of the two success-run
  theorems in handbooks this is the classical one, R = (1 - C)^(1/n), one trial stricter than the other.
- **Times** are counted microsecond by microsecond, so that quantiles are those of all trials and not of a sketch.
  How far the true quantile may lie above is bounded by order statistics (Wilks, Ann. Math. Stat. 12:91, 1941).
- **Parts merge** to the same whatever order they come in, and however they were cut.
"""

from __future__ import annotations

import bisect
import math
from collections.abc import Callable
from typing import Final

_MOST_TRIALS: Final = 2**53  # beyond it a float counts no single trials


# --- failures --------------------------------------------------------------------------------------------------------


def upper_bound(failures: int, trials: int, confidence: float) -> float:
    """Return the failure probability that is not exceeded, one-sided, after Clopper & Pearson.

    Parameters
    ----------
    failures, trials : int
    confidence : float
        Such as 0.95: in at most 5 % of campaigns the true probability lies above the bound.

    Raises
    ------
    ValueError
        If there are more failures than trials, or the confidence is not between 0 and 1.
    """
    _check(failures, trials, confidence)
    if failures == trials:
        return 1.0
    if failures == 0:
        return -math.expm1(math.log1p(-confidence) / trials)
    from scipy.special import betaincinv

    return float(betaincinv(failures + 1, trials - failures, confidence))


def interval(failures: int, trials: int, confidence: float) -> tuple[float, float]:
    """Return the two-sided interval of Clopper & Pearson: wider than a one-sided bound at the same confidence."""
    _check(failures, trials, confidence)
    return _lower(failures, trials, (1 - confidence) / 2), upper_bound(failures, trials, (1 + confidence) / 2)


def _lower(failures: int, trials: int, risk: float) -> float:
    if failures == 0:
        return 0.0
    from scipy.special import betaincinv

    return float(betaincinv(failures, trials - failures + 1, risk))


def _check(failures: int, trials: int, confidence: float) -> None:
    if not 0 <= failures <= trials:
        raise ValueError(f"{failures} failures in {trials} trials; allowed: 0 to as many as there are trials")
    check_share("confidence", confidence)


def check_share(name: str, share: float) -> None:
    """Raise ValueError if a share is not between 0 and 1, both excluded."""
    if not 0 < share < 1:
        raise ValueError(f"{name} {share}; allowed: between 0 and 1, both excluded")


def trials_to_show(probability: float, confidence: float, failures: int = 0) -> int:
    """Return how many trials show that failures are rarer than `probability` if at most `failures` occur.

    The smallest n at which a binomial of that probability gives so few failures with at most 1 - `confidence`;
    with none allowed n = ln(1 - C) / ln(1 - p), rounded up.

    Raises
    ------
    ValueError
        If a share is not between 0 and 1, or the number goes beyond 2**53.
    """
    check_share("probability", probability)
    check_share("confidence", confidence)
    risk = (1 - confidence) * (1 + 1e-12)  # 0.9 is not nine tenths; where both sides are equal, they shall be
    return _smallest(lambda trials: at_most(failures, trials, probability) <= risk, failures + 1)


def trials_to_refute(probability: float, confidence: float, failures: int = 1) -> int:
    """Return within how many trials so many `failures` are too many for `probability`; 0 if never.

    The largest n at which a binomial of that probability gives `failures` or more with at most 1 - `confidence`.
    """
    check_share("probability", probability)
    check_share("confidence", confidence)
    risk = (1 - confidence) * (1 + 1e-12)
    beyond = _smallest(lambda trials: at_least(failures, trials, probability) > risk, failures)
    return beyond - 1 if beyond > failures else 0


def at_most(failures: int, trials: int, probability: float) -> float:
    """Return the probability of so many failures or fewer: the binomial's distribution function."""
    if failures >= trials:
        return 1.0
    if failures < 0:
        return 0.0
    if failures == 0:
        return math.exp(trials * math.log1p(-probability))
    from scipy.special import betaincc

    return float(betaincc(failures + 1, trials - failures, probability))


def at_least(failures: int, trials: int, probability: float) -> float:
    """Return the probability of so many failures or more."""
    if failures > trials:
        return 0.0
    if failures <= 0:
        return 1.0
    if failures == 1:
        return -math.expm1(trials * math.log1p(-probability))
    from scipy.special import betainc

    return float(betainc(failures, trials - failures + 1, probability))


def _smallest(holds: Callable[[int], bool], first: int) -> int:
    """Return the smallest number from `first` on for which `holds`; once it holds it must go on holding."""
    if holds(first):
        return first
    low, high = first, 2 * first
    while not holds(high):
        low, high = high, 2 * high
        if high > _MOST_TRIALS:
            raise ValueError("more than 2**53 trials are needed; allowed: a larger probability")
    return low + 1 + bisect.bisect_left(range(low + 1, high), True, key=holds)


# --- order statistics ------------------------------------------------------------------------------------------------


def upper_rank(trials: int, share: float, confidence: float) -> int | None:
    """Return the rank of the trial whose time is an upper confidence bound of a quantile, None if none is.

    The smallest r with P(Bin(n, q) <= r - 1) >= C, for times in ascending order and ranks from 1. With ties, as
    times in whole microseconds have them, the bound errs to the safe side.
    """
    check_share("share", share)
    check_share("confidence", confidence)
    if trials < 1 or at_most(trials - 1, trials, share) < confidence * (1 - 1e-12):
        return None
    least = confidence * (1 - 1e-12)
    return 1 + bisect.bisect_left(range(trials), True, key=lambda below: at_most(below, trials, share) >= least)
