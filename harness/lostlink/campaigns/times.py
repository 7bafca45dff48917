"""Distributions of measured times, and the worst trials."""

from __future__ import annotations

import heapq
import math
from collections.abc import Iterable
from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING, Any, Final

from lostlink.campaigns.statistics import check_share, upper_rank

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import ArrayLike, NDArray


#: A time that did not come before the end of a trial: longer than every time that did.
NEVER_US: Final = 2**61 - 1


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
        check_share("share", share)
        rank = math.ceil(Fraction(repr(float(share))) * self.trials)  # 0.07 * 100 is above 7 in floats
        above = upper_rank(self.trials, share, confidence)
        return Quantile(share, self.at_rank(rank), None if above is None else self.at_rank(above))

    def as_dict(self) -> dict[str, Any]:
        """Return plain data for JSON."""
        return {"values_us": self.values_us.tolist(), "counts": self.counts.tolist()}


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
