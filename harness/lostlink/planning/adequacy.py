"""Whether a fitted loss model can have made the log that it was fitted to.

- **Longest burst**: the exact probability that the model makes one as long (`first_passage.run_chances`).
- **Share over time**: a model has one share of losses at all times. Two statistics are sensitive to another share:
  the largest distance of the cumulative losses from a straight line (Kolmogorov's distribution), which finds a trend
  or a step, and the spread of the losses in ten blocks, which finds a bad block. Both are scaled by the exact variance
  under the model, because losses in bursts scatter more than independent ones. The blocks' spread is compared with a
  scaled chi-square distribution of the same mean and variance: rare bursts give it a long tail.
- **Precision**: an interval whose half width exceeds the value does not determine the parameter.

Each of the first two rejects at most `RISK` of the logs that the model did make.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from lostlink.measure.loss import loss_runs
from lostlink.planning.first_passage import Channel, run_chances
from lostlink.planning.fit import LossFit, intervals

Bools = NDArray[np.bool_]
Floats = NDArray[np.float64]

RISK: Final = 0.01
"""Largest share of correct models that a test rejects."""
_LONGEST_RUN: Final = 4096
"""Longer bursts are examined as this long, which can only make them more probable."""
_BLOCKS: Final = 10
_LEAST_BLOCKS: Final = 4
_BLOCK_TIMES: Final = 5.0
"""Shortest block, in correlation times of the model."""


@dataclass(frozen=True, slots=True)
class Adequacy:
    """How well a model explains its log.

    Attributes
    ----------
    longest : int
        Packets in the longest burst.
    longest_chance : float
        Probability that the model makes a burst of at least this length in a log of the same length.
    share_chance : float or None
        Probability that a log of the model has as uneven losses over time; None if the log is too short to tell.
    intervals : dict of str to (float, float)
        At 95 %, by parameter.
    undetermined : tuple of str
        Parameters whose error is larger than their value.
    """

    longest: int
    longest_chance: float
    share_chance: float | None
    intervals: dict[str, tuple[float, float]]
    undetermined: tuple[str, ...]

    @property
    def is_longest_improbable(self) -> bool:
        return self.longest_chance < RISK

    @property
    def is_share_changing(self) -> bool:
        return self.share_chance is not None and self.share_chance < RISK

    @property
    def is_adequate(self) -> bool:
        """Whether nothing speaks against the model."""
        return not (self.is_longest_improbable or self.is_share_changing or self.undetermined)


def adequacy(lost: Bools, fit: LossFit) -> Adequacy:
    """Return how well a model explains the log that it was fitted to.

    Parameters
    ----------
    lost : (n,) ndarray of bool
        With at least one loss.
    """
    longest = int(loss_runs(lost)[1].max())
    chance = float(run_chances(fit.channel, [min(longest, _LONGEST_RUN)], len(lost))[0])
    ranges = intervals(lost, fit)
    undetermined = tuple(name for name, (low, high) in ranges.items() if (high - low) / 2 > getattr(fit, name))
    return Adequacy(longest, chance, share_chance(lost, fit.channel), ranges, undetermined)


def share_chance(lost: Bools, channel: Channel) -> float | None:
    """Return the probability that losses of a channel are as uneven over time; None if the log is too short to tell."""
    memory = np.sort(np.abs(np.linalg.eigvals(channel.move)))[:-1].max(initial=0.0)
    blocks = min(_BLOCKS, math.floor(len(lost) * (1 - memory) / _BLOCK_TIMES))
    if blocks < _LEAST_BLOCKS:
        return None
    return min(1.0, 2 * min(_trend_chance(lost, channel), _spread_chance(lost, channel, blocks)))


def _trend_chance(lost: Bools, channel: Channel) -> float:
    from scipy.special import kolmogorov

    variance = central_moments(channel, len(lost))[2]
    largest = float(np.abs(np.cumsum(lost) - np.arange(1, len(lost) + 1) * lost.mean()).max())
    return float(kolmogorov(largest / math.sqrt(variance))) if variance > 0 else 1.0


def _spread_chance(lost: Bools, channel: Channel, blocks: int) -> float:
    from scipy.special import gammaincc

    length = len(lost) // blocks
    losses = lost[: blocks * length].reshape(blocks, length).sum(1)
    _, _, variance, _, fourth = central_moments(channel, length)
    if not variance > 0:
        return 1.0
    expected = blocks * variance - central_moments(channel, blocks * length)[2] / blocks
    excess = fourth / variance**2 - 3
    scatter = variance**2 * (2 * (blocks - 1) + excess * (blocks - 1) ** 2 / blocks)
    spread = float(((losses - losses.mean()) ** 2).sum())
    return float(gammaincc(expected**2 / scatter, spread * expected / scatter))


def central_moments(channel: Channel, packets: int) -> Floats:
    """Return the central moments 0 to 4 of the number of losses in so many packets, (5,).

    The moment generating function of a Markov chain is a power of a matrix; here its series up to the fourth order.
    """
    loss, mean = channel.at(0)[0], channel.mean_loss
    orders = np.arange(5)
    factorials = np.array([1.0, 1.0, 2.0, 6.0, 24.0])
    powers = (loss[:, None] * (1 - mean) ** orders + (1 - loss)[:, None] * (-mean) ** orders) / factorials
    here, step = channel.stationary * powers.T, channel.move * powers.T[:, None]
    rest = packets - 1
    while rest:
        if rest % 2:
            here = np.stack([sum(here[i] @ step[order - i] for i in range(order + 1)) for order in orders])
        step = np.stack([sum(step[i] @ step[order - i] for i in range(order + 1)) for order in orders])
        rest //= 2
    moments: Floats = here.sum(1) * factorials
    return moments
