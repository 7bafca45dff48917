"""Distributions of measured times, and the worst trials."""

from __future__ import annotations

import heapq
import math
from collections.abc import Iterable
from dataclasses import dataclass
from fractions import Fraction
from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from lostlink.campaigns.statistics import check_share, upper_rank

#: The event did not occur before the end of the trial: longer than every measured time.
NEVER_US: Final = 2**61 - 1


@dataclass(frozen=True, slots=True)
class Quantile:
    """One quantile of a measured time.

    Attributes
    ----------
    share : float
        0.99: 99 % of the trials took at most `value_us`.
    value_us : int
        Of the trials run; `NEVER_US` if the event did not occur in enough of them.
    upper_us : int or None
        Upper confidence bound of the true quantile; None with too few trials.
    """

    share: float
    value_us: int
    upper_us: int | None


@dataclass(frozen=True, slots=True, eq=False)
class TimeDistribution:
    """The exact distribution of a measured time.

    Memory grows with the number of different times, not of trials: 16 bytes for each.

    Attributes
    ----------
    values_us : NDArray[np.int64], shape (rows,)
        Ascending, each once; `NEVER_US` for trials in which the event did not occur.
    counts : NDArray[np.int64], shape (rows,)
        Trials with this time; at least 1.
    """

    values_us: NDArray[np.int64]
    counts: NDArray[np.int64]

    @classmethod
    def of(cls, values_us: ArrayLike) -> TimeDistribution:
        """Count `values_us`, one for each trial; values from `NEVER_US` on mean never.

        Raises
        ------
        ValueError
            If they are not whole numbers, which would be rounded silently.
        """
        values = np.asarray(values_us).ravel()
        if values.size and values.dtype.kind not in "iu":
            raise ValueError(f"times as {values.dtype}; allowed: whole microseconds")
        return cls(*np.unique(np.minimum(values, NEVER_US).astype(np.int64), return_counts=True))

    @classmethod
    def merged(cls, parts: Iterable[TimeDistribution]) -> TimeDistribution:
        """Return the counts of all `parts` together; their order does not matter."""
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

    @property
    def trials(self) -> int:
        """Number of trials counted."""
        return int(self.counts.sum())

    @property
    def worst_us(self) -> int:
        """The longest time; `NEVER_US` if the event did not occur in some trial."""
        return self.at_rank(self.trials)

    def at_rank(self, rank: int) -> int:
        """Return the time of that rank in ascending order, from 1.

        Raises
        ------
        ValueError
            If there are fewer trials.
        """
        if not 1 <= rank <= self.trials:
            raise ValueError(f"rank {rank} of {self.trials} trials; allowed: 1 to the number of trials")
        return int(self.values_us[np.searchsorted(np.cumsum(self.counts), rank)])

    def quantile(self, share: float, confidence: float = 0.95) -> Quantile:
        """Return the smallest time that at least `share` of the trials did not exceed, and its bound.

        The inverse of the empirical distribution function (type 1 of Hyndman & Fan, Am. Stat. 50:361, 1996):
        always a time that was measured.
        """
        check_share("share", share)
        rank = math.ceil(Fraction(repr(float(share))) * self.trials)  # 0.07 * 100 is above 7 in floats
        above = upper_rank(self.trials, share, confidence)
        return Quantile(share, self.at_rank(rank), None if above is None else self.at_rank(above))

    def as_dict(self) -> dict[str, Any]:
        """Return plain data for JSON."""
        return {"values_us": self.values_us.tolist(), "counts": self.counts.tolist()}


class Trial(NamedTuple):
    """A trial to replay, and its measured value."""

    value_us: int
    seed: int
    trial: int


def longest(trials: Iterable[Trial], count: int) -> tuple[Trial, ...]:
    """Return the trials with the largest values, largest first; equal values are ordered by seed and number."""
    return tuple(heapq.nsmallest(count, trials, key=lambda trial: (-trial.value_us, trial.seed, trial.trial)))
