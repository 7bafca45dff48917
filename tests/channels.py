"""Packet channels for tests, drawn here alone: nothing of the tool is used."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Bools = NDArray[np.bool_]
Draw = np.random.Generator


def independent(draw: Draw, packets: int, share: float) -> Bools:
    """Return which packets are lost, each with the same probability."""
    return draw.random(packets) < share


def in_bursts(
    draw: Draw, packets: int, good_to_bad: float, bad_to_good: float, loss_good: float = 0.0, loss_bad: float = 1.0
) -> Bools:
    """Return which packets of a Gilbert-Elliott channel are lost: stays of geometric length, from its steady state."""
    bad, at, is_bad = np.empty(packets, np.bool_), 0, bool(draw.random() < good_to_bad / (good_to_bad + bad_to_good))
    while at < packets:
        stay = int(draw.geometric(bad_to_good if is_bad else good_to_bad))
        bad[at : at + stay] = is_bad
        at, is_bad = at + stay, not is_bad
    return draw.random(packets) < np.where(bad, loss_bad, loss_good)


def has_run(lost: Bools, length: int) -> bool:
    """Return whether so many packets in a row are lost, by the sums of a sliding window."""
    sums = np.concatenate([[0], np.cumsum(lost)])
    return bool((sums[length:] - sums[:-length] == length).any()) if len(lost) >= length else False


def in_chains(
    draw: Draw, chains: int, packets: int, good_to_bad: float, bad_to_good: float, loss_good: float, loss_bad: float
) -> Bools:
    """Return which packets of many such channels are lost, packet by packet, (packets, chains)."""
    bad = draw.random(chains) < good_to_bad / (good_to_bad + bad_to_good)
    lost = np.empty((packets, chains), np.bool_)
    for row in lost:
        row[:] = draw.random(chains) < np.where(bad, loss_bad, loss_good)
        bad = np.where(bad, draw.random(chains) >= bad_to_good, draw.random(chains) < good_to_bad)
    return lost
