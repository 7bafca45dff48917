"""Packet loss metrics: rate, runs, bursts, delay variation. Pure functions on columns.

References
----------
.. [1] RFC 5481, Packet Delay Variation Applicability Statement, 2009.
.. [2] RFC 3611, RTCP Extended Reports, 2003, section 4.7.2.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Bools = NDArray[np.bool_]
Ints = NDArray[np.int64]


def loss_rate(lost: Bools) -> float:
    """Return the share of packets lost; 0 without packets."""
    return float(lost.mean()) if len(lost) else 0.0


def loss_runs(lost: Bools) -> tuple[Ints, Ints]:
    """Return the start indices and lengths of the runs of lost packets."""
    padded = np.concatenate([[False], lost, [False]]).astype(np.int8)
    change = np.diff(padded)
    starts = np.flatnonzero(change == 1)
    return starts, np.flatnonzero(change == -1) - starts


@dataclass(frozen=True, slots=True)
class Bursts:
    """Losses divided into bursts and gaps [2]_.

    Attributes
    ----------
    first, last : (n,) ndarray of int64
        First and last packet of each burst, both lost.
    burst_density, gap_density : float
        Share of packets lost inside and outside bursts.
    """

    first: Ints
    last: Ints
    burst_density: float
    gap_density: float


def bursts(lost: Bools, least_gap: int = 16) -> Bursts:
    """Divide a sequence into bursts and gaps.

    A burst starts and ends with a loss and contains no run of `least_gap` or more received packets. The sequence is
    treated as preceded and followed by such runs, so a single loss is part of a gap.
    """
    indices = np.flatnonzero(lost)
    if not len(indices):
        return Bursts(indices, indices, 0.0, 0.0)
    ends = np.flatnonzero(np.diff(indices) > least_gap)
    first = indices[np.concatenate([[0], ends + 1])]
    last = indices[np.concatenate([ends, [len(indices) - 1]])]
    keep = last > first
    first, last = first[keep], last[keep]
    in_burst = np.zeros(len(lost), np.bool_)
    for begin, end in zip(first.tolist(), last.tolist(), strict=True):
        in_burst[begin : end + 1] = True
    return Bursts(first, last, loss_rate(lost[in_burst]), loss_rate(lost[~in_burst]))


def delay_variation_us(delay_us: Ints) -> Ints:
    """Return the delay of each received packet relative to the smallest one (PDV [1]_, 4.2)."""
    return delay_us - delay_us.min() if len(delay_us) else delay_us


def gilbert_estimate(lost: Bools) -> tuple[float, float]:
    """Return the transition probabilities good to bad and bad to good, estimated from a loss sequence.

    Maximum likelihood for a two-state chain whose bad state loses every packet: counts of transitions.
    A probability that cannot be estimated from the sequence is NaN.
    """
    before, after = lost[:-1], lost[1:]
    good, bad = int((~before).sum()), int(before.sum())
    turns_bad = int((~before & after).sum()) / good if good else float("nan")
    turns_good = int((before & ~after).sum()) / bad if bad else float("nan")
    return turns_bad, turns_good
