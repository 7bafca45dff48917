"""Exact or conservative confidence bounds from many trials, without an assumed distribution.

- **Failure probabilities**: one-sided bounds of Clopper & Pearson (Biometrika 26:404, 1934). No Bayesian prior: of the
  two success-run theorems in handbooks this is the classical one, R = (1 - C)^(1/n), which needs one more trial.
- **Quantiles of times**: bounded by order statistics (Wilks, Ann. Math. Stat. 12:91, 1941).
"""

from __future__ import annotations

import bisect
import math
from typing import Final

_MOST_TRIALS: Final = 2**53  # the largest count that a float holds exactly


# --- failures --------------------------------------------------------------------------------------------------------


def upper_bound(failures: int, trials: int, confidence: float) -> float:
    """Return the one-sided upper confidence bound of the failure probability (Clopper & Pearson).

    Parameters
    ----------
    failures, trials : int
    confidence : float
        0.95: in at most 5 % of campaigns the true probability is above the bound.

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
        raise ValueError(f"{failures} failures in {trials} trials; allowed: 0 to the number of trials")
    check_share("confidence", confidence)


def check_share(name: str, share: float) -> None:
    """Raise ValueError if a share is not between 0 and 1, both excluded."""
    if not 0 < share < 1:
        raise ValueError(f"{name} {share}; allowed: between 0 and 1, both excluded")


def trials_to_show(probability: float, confidence: float) -> int:
    """Return how many trials without a failure show that failures are rarer than `probability`.

    The smallest n for which (1 - p)^n <= 1 - C: n = ln(1 - C) / ln(1 - p), rounded up.

    Raises
    ------
    ValueError
        If a share is not between 0 and 1, or more than 2**53 trials are needed.
    """
    check_share("probability", probability)
    check_share("confidence", confidence)
    risk = (1 - confidence) * (1 + 1e-12)  # 0.9 is not exactly representable; equality must hold
    trials = math.log(risk) / math.log1p(-probability)
    if trials > _MOST_TRIALS:
        raise ValueError("more than 2**53 trials are needed; choose a larger probability")
    return max(1, math.ceil(trials))


def at_most(failures: int, trials: int, probability: float) -> float:
    """Return the probability of this number of failures or fewer (binomial distribution function)."""
    if failures >= trials:
        return 1.0
    if failures < 0:
        return 0.0
    if failures == 0:
        return math.exp(trials * math.log1p(-probability))
    from scipy.special import betaincc

    return float(betaincc(failures + 1, trials - failures, probability))


# --- order statistics ------------------------------------------------------------------------------------------------


def upper_rank(trials: int, share: float, confidence: float) -> int | None:
    """Return the rank whose time is an upper confidence bound of a quantile; None with too few trials.

    The smallest r with P(Bin(n, q) <= r - 1) >= C, for ascending times and ranks from 1. Ties make it conservative.
    """
    check_share("share", share)
    check_share("confidence", confidence)
    if trials < 1 or at_most(trials - 1, trials, share) < confidence * (1 - 1e-12):
        return None
    least = confidence * (1 - 1e-12)
    return 1 + bisect.bisect_left(range(trials), True, key=lambda below: at_most(below, trials, share) >= least)
