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
import heapq
import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import ArrayLike, NDArray

#: A time that did not come before the end of a trial: longer than every time that did.
NEVER_US: Final = 2**61 - 1

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


def lower_bound(failures: int, trials: int, confidence: float) -> float:
    """Return the failure probability that is reached at least, one-sided, after Clopper & Pearson."""
    _check(failures, trials, confidence)
    return _lower(failures, trials, 1 - confidence)


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
    _check_share("confidence", confidence)


def _check_share(name: str, share: float) -> None:
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
    _check_share("probability", probability)
    _check_share("confidence", confidence)
    risk = (1 - confidence) * (1 + 1e-12)  # 0.9 is not nine tenths; where both sides are equal, they shall be
    return _smallest(lambda trials: at_most(failures, trials, probability) <= risk, failures + 1)


def trials_to_refute(probability: float, confidence: float, failures: int = 1) -> int:
    """Return within how many trials so many `failures` are too many for `probability`; 0 if never.

    The largest n at which a binomial of that probability gives `failures` or more with at most 1 - `confidence`.
    """
    _check_share("probability", probability)
    _check_share("confidence", confidence)
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


def trials_for_tolerance(share: float, confidence: float, *, two_sided: bool = False) -> int:
    """Return how many trials it takes until their extremes enclose `share` of all trials (Wilks 1941).

    One-sided: the longest time seen is an upper limit for that share. Two-sided: shortest and longest enclose it.
    """
    _check_share("share", share)
    _check_share("confidence", confidence)
    least = confidence * (1 - 1e-12)
    return _smallest(
        lambda trials: tolerance_confidence(trials, share, two_sided=two_sided) >= least, 2 if two_sided else 1
    )


def tolerance_confidence(trials: int, share: float, *, two_sided: bool = False) -> float:
    """Return the confidence with which the extremes of so many trials enclose `share` of all."""
    log = math.log(share)
    if not two_sided:
        return -math.expm1(trials * log)
    # 1 - n b^(n-1) + (n-1) b^n, without the difference of two large numbers
    return 1 - math.exp((trials - 1) * log) * (1 + (trials - 1) * (1 - share))


def upper_rank(trials: int, share: float, confidence: float) -> int | None:
    """Return the rank of the trial whose time is an upper confidence bound of a quantile, None if none is.

    The smallest r with P(Bin(n, q) <= r - 1) >= C, for times in ascending order and ranks from 1. With ties, as
    times in whole microseconds have them, the bound errs to the safe side.
    """
    _check_share("share", share)
    _check_share("confidence", confidence)
    if trials < 1 or at_most(trials - 1, trials, share) < confidence * (1 - 1e-12):
        return None
    least = confidence * (1 - 1e-12)
    return 1 + bisect.bisect_left(range(trials), True, key=lambda below: at_most(below, trials, share) >= least)


@dataclass(frozen=True, slots=True)
class Quantile:
    """One quantile of a measured time.

    Attributes
    ----------
    share : float
        0.99: so many of the trials took at most this long.
    value_us : int
        Of the trials that were flown; `NEVER_US` if it did not come in so many of them.
    upper_us : int or None
        The true quantile does not exceed it, with the confidence that was asked for; None if there were too few
        trials to say so.
    """

    share: float
    value_us: int
    upper_us: int | None


@dataclass(frozen=True, slots=True, eq=False)
class Times:
    """How often each time was measured, exactly.

    Memory grows with the number of different times, not with the trials: at most one row of 16 bytes for each
    microsecond between the shortest and the longest.

    Attributes
    ----------
    values_us : NDArray[np.int64], shape (rows,)
        Ascending, each once; `NEVER_US` stands for trials in which it did not come.
    counts : NDArray[np.int64], shape (rows,)
        Trials that took so long; at least 1.
    """

    values_us: NDArray[np.int64]
    counts: NDArray[np.int64]

    @classmethod
    def of(cls, values_us: ArrayLike) -> Times:
        """Count `values_us`, one a trial; all from `NEVER_US` on did not come.

        Raises
        ------
        ValueError
            If they are not whole numbers: half a microsecond would be rounded in silence.
        """
        import numpy as np

        values = np.asarray(values_us).ravel()
        if values.size and values.dtype.kind not in "iu":
            raise ValueError(f"times as {values.dtype}; allowed: whole microseconds")
        return cls(*np.unique(np.minimum(values, NEVER_US).astype(np.int64), return_counts=True))

    @classmethod
    def merged(cls, parts: Iterable[Times]) -> Times:
        """Return the counts of all `parts` together; their order does not matter."""
        import numpy as np

        gathered = [part for part in parts if len(part.counts)]
        if not gathered:
            return cls.of(())
        if len(gathered) == 1:
            return gathered[0]
        values = np.concatenate([part.values_us for part in gathered])
        order = np.argsort(values, kind="stable")
        values, counts = values[order], np.concatenate([part.counts for part in gathered])[order]
        starts = np.flatnonzero(np.r_[True, values[1:] != values[:-1]])
        return cls(values[starts], np.add.reduceat(counts, starts))

    def __add__(self, other: Times) -> Times:
        return Times.merged((self, other))

    def __eq__(self, other: object) -> bool:
        import numpy as np

        if not isinstance(other, Times):
            return NotImplemented
        return np.array_equal(self.values_us, other.values_us) and np.array_equal(self.counts, other.counts)

    __hash__ = None  # type: ignore[assignment]  # arrays inside

    @property
    def trials(self) -> int:
        """How many trials were counted."""
        return int(self.counts.sum())

    @property
    def never(self) -> int:
        """In how many trials it did not come."""
        return int(self.counts[-1]) if len(self.counts) and int(self.values_us[-1]) == NEVER_US else 0

    @property
    def worst_us(self) -> int:
        """The longest time; `NEVER_US` if it did not come in one trial."""
        return self.at_rank(self.trials)

    @property
    def best_us(self) -> int:
        """The shortest time."""
        return self.at_rank(1)

    def longer_than(self, limit_us: int) -> int:
        """Return how many trials took longer than `limit_us`, those that never came included."""
        import numpy as np

        return int(self.counts[np.searchsorted(self.values_us, limit_us, side="right") :].sum())

    def at_rank(self, rank: int) -> int:
        """Return the time of that rank in ascending order, from 1.

        Raises
        ------
        ValueError
            If there are not so many trials.
        """
        import numpy as np

        if not 1 <= rank <= self.trials:
            raise ValueError(f"rank {rank} of {self.trials} trials; allowed: 1 to as many as there are")
        return int(self.values_us[np.searchsorted(np.cumsum(self.counts), rank)])

    def quantile(self, share: float, confidence: float = 0.95) -> Quantile:
        """Return the smallest time that at least `share` of the trials did not exceed, and its bound.

        The inverse of the empirical distribution function (type 1 of Hyndman & Fan, Am. Stat. 50:361, 1996):
        always a time that was measured.
        """
        _check_share("share", share)
        rank = math.ceil(Fraction(repr(float(share))) * self.trials)  # 0.07 * 100 is above 7 in floats
        above = upper_rank(self.trials, share, confidence)
        return Quantile(share, self.at_rank(rank), None if above is None else self.at_rank(above))

    def as_dict(self) -> dict[str, Any]:
        """Return plain data for JSON."""
        return {"values_us": self.values_us.tolist(), "counts": self.counts.tolist()}


# --- worst trials ----------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Trial:
    """A trial to look at again, and what was measured in it."""

    value_us: int
    seed: int
    trial: int


@dataclass(frozen=True, slots=True)
class Worst:
    """The trials that took longest.

    Trials of equal times order by seed and number, so that the same ones are kept whatever order parts come in.

    Attributes
    ----------
    keep : int
        How many at most.
    trials : tuple of Trial
        The worst first.
    """

    keep: int
    trials: tuple[Trial, ...] = ()

    @classmethod
    def of(cls, keep: int, values_us: ArrayLike, *, seed: int, first_trial: int = 0) -> Worst:
        """Choose among trials `first_trial`, `first_trial` + 1 … of one seed, given their times.

        Raises
        ------
        ValueError
            If none is to be kept.
        """
        import numpy as np

        if keep < 1:
            raise ValueError(f"keep {keep} trials; allowed: 1 or more")
        values = np.minimum(np.asarray(values_us, np.int64).ravel(), NEVER_US)
        rows = np.argsort(-values, kind="stable")[:keep]  # stable: the lower number first
        return cls(keep, tuple(Trial(int(values[row]), seed, first_trial + int(row)) for row in rows))

    @classmethod
    def merged(cls, parts: Iterable[Worst]) -> Worst:
        """Return the worst of all `parts`; their order does not matter.

        Raises
        ------
        ValueError
            If there is none, or they keep different numbers of trials.
        """
        gathered = list(parts)
        keeps = {part.keep for part in gathered}
        if len(keeps) != 1:
            raise ValueError(f"parts that keep {sorted(keeps)} trials; allowed: parts that all keep the same number")
        every = (trial for part in gathered for trial in part.trials)
        keep = keeps.pop()
        return cls(keep, tuple(heapq.nsmallest(keep, every, key=_from_worst)))

    def __add__(self, other: Worst) -> Worst:
        return Worst.merged((self, other))


def _from_worst(trial: Trial) -> tuple[int, int, int]:
    return -trial.value_us, trial.seed, trial.trial
