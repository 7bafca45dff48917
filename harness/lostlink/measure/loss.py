"""What the loss of packets looks like: rates, runs, distances, delay variation. Pure functions on columns.

References
----------
.. [1] RFC 3357, One-way Loss Pattern Sample Metrics, 2002.
.. [2] RFC 5481, Packet Delay Variation Applicability Statement, 2009.
.. [3] RFC 3550, RTP, 2003, section 6.4.1 and appendix A.8.
.. [4] RFC 3611, RTCP Extended Reports, 2003, section 4.7.2.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Bools = NDArray[np.bool_]
Ints = NDArray[np.int64]


def loss_rate(lost: Bools) -> float:
    """Return the share of packets lost; 0 when there was no packet."""
    return float(lost.mean()) if len(lost) else 0.0


def loss_runs(lost: Bools) -> tuple[Ints, Ints]:
    """Return where runs of lost packets begin and how long they are."""
    padded = np.concatenate([[False], lost, [False]]).astype(np.int8)
    change = np.diff(padded)
    starts = np.flatnonzero(change == 1)
    return starts, np.flatnonzero(change == -1) - starts


def loss_distances(lost: Bools) -> Ints:
    """Return for each lost packet how many packets after the previous lost one it was sent; 0 for the first [1]_."""
    places = np.flatnonzero(lost)
    return np.diff(places, prepend=places[:1])


def loss_periods(lost: Bools) -> Ints:
    """Return for each lost packet the number of its loss period, from 1 [1]_.

    A period begins with a loss that follows a reception.
    """
    starts, lengths = loss_runs(lost)
    return np.repeat(np.arange(1, len(starts) + 1), lengths)


def inter_loss_period_lengths(lost: Bools) -> Ints:
    """Return for each period the distance from the end of the period before to its beginning; 0 for the first [1]_."""
    starts, lengths = loss_runs(lost)
    if not len(starts):
        return starts
    return np.concatenate([[0], starts[1:] - (starts[:-1] + lengths[:-1] - 1)])


def noticeable_loss_rate(lost: Bools, delta: int) -> float:
    """Return the share of losses at a distance of at most `delta`; the first loss does not count as one [1]_."""
    distances = loss_distances(lost)
    if not len(distances):
        return 0.0
    return float(((distances[1:] <= delta).sum()) / len(distances))


@dataclass(frozen=True, slots=True)
class Bursts:
    """Losses parted into bursts and gaps [4]_.

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
    """Part a sequence into bursts and gaps.

    A burst begins and ends with a loss and holds no run of `least_gap` or more received packets. The sequence
    counts as preceded and followed by such runs, so a lone loss is part of a gap.
    """
    places = np.flatnonzero(lost)
    if not len(places):
        return Bursts(places, places, 0.0, 0.0)
    parts = np.flatnonzero(np.diff(places) > least_gap)
    first = places[np.concatenate([[0], parts + 1])]
    last = places[np.concatenate([parts, [len(places) - 1]])]
    keep = last > first
    first, last = first[keep], last[keep]
    in_burst = np.zeros(len(lost), np.bool_)
    for begin, end in zip(first.tolist(), last.tolist(), strict=True):
        in_burst[begin : end + 1] = True
    return Bursts(first, last, loss_rate(lost[in_burst]), loss_rate(lost[~in_burst]))


def delay_variation_us(delay_us: Ints) -> Ints:
    """Return each received packet's delay over the smallest one (PDV [2]_, 4.2)."""
    return delay_us - delay_us.min() if len(delay_us) else delay_us


def inter_packet_delay_variation_us(delay_us: Ints, lost: Bools) -> tuple[Ints, Bools]:
    """Return the change of delay from the packet before (IPDV [2]_, 4.1), and where it is defined.

    A lost packet and its successor have none.

    Parameters
    ----------
    delay_us : (n,) ndarray of int64
        Anything where lost.
    lost : (n,) ndarray of bool
    """
    defined = ~lost
    defined[1:] &= ~lost[:-1]
    defined[:1] = False
    change = np.diff(delay_us, prepend=delay_us[:1])
    return np.where(defined, change, 0), defined


def interarrival_jitter_us(delay_us: NDArray[np.float64] | Ints) -> float:
    """Return the smoothed jitter J += (|D| - J) / 16 over the delays of received packets [3]_."""
    jitter = 0.0
    for step in np.abs(np.diff(delay_us)).tolist():
        jitter += (step - jitter) / 16
    return jitter


def gilbert_estimate(lost: Bools) -> tuple[float, float]:
    """Return the chances to turn bad and to turn good again that fit a loss sequence best.

    Maximum likelihood for a two-state chain whose bad state loses every packet: counts of transitions.
    A chance that the sequence says nothing about is NaN.
    """
    before, after = lost[:-1], lost[1:]
    good, bad = int((~before).sum()), int(before.sum())
    turns_bad = int((~before & after).sum()) / good if good else float("nan")
    turns_good = int((before & ~after).sum()) / bad if bad else float("nan")
    return turns_bad, turns_good
