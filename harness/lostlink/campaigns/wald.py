"""Wald's sequential probability ratio test."""

from __future__ import annotations

import math
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Wald:
    """The sequential probability ratio test between two failure probabilities.

    Attributes
    ----------
    low, high : float
        The two probabilities.
    alpha : float
        Risk of an end at `high` when `low` is true.
    beta : float
        Risk of an end at `low` when `high` is true.
    """

    low: float
    high: float
    alpha: float
    beta: float

    @property
    def log_high(self) -> float:
        """Upper bound of the log likelihood ratio: the test ends at `high`."""
        return math.log((1 - self.beta) / self.alpha)

    @property
    def log_low(self) -> float:
        """Lower bound: the test ends at `low`."""
        return math.log(self.beta / (1 - self.alpha))

    @property
    def failure_step(self) -> float:
        """Change of the log likelihood ratio by a failure."""
        return math.log(self.high / self.low)

    @property
    def pass_step(self) -> float:
        """Decrease of the log likelihood ratio by a pass."""
        return math.log1p(-self.low) - math.log1p(-self.high)

    def ends_low_at(self, failures: int) -> int:
        """Return the first trial at which it ends at `low`, with this number of failures."""
        passes = (failures * self.failure_step - self.log_low) / self.pass_step
        return failures + max(math.ceil(passes), 0)

    def ends_high(self, trials: int, failures: int) -> bool:
        """Return whether this number of failures ends it at `high`."""
        return failures * self.failure_step - (trials - failures) * self.pass_step >= self.log_high
