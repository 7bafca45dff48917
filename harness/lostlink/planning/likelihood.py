"""The likelihood of a packet log under a two-state channel: that of a hidden Markov model.

The state changes before each packet, and the chain starts in its stationary state. The log is a product of 2x2
matrices, one per run of equal packets. Runs of equal length share one power, equal neighbours one product, and the
product of all is taken pairwise, as a tree: a million packets take a few milliseconds.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

Bools = NDArray[np.bool_]
Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

_ONE: Final = np.array([[1.0], [0.0], [0.0], [1.0]])
_LEVELS: Final = 3
"""Levels of the tree between two scalings: sixteen runs do not underflow."""


@dataclass(frozen=True, slots=True)
class Runs:
    """A log as runs of equal packets, without its first packet.

    Attributes
    ----------
    is_first_lost : bool
    received, lost : (n,) ndarray of int64
        The lengths of runs that occur, ascending.
    counts : (n,) ndarray of int64
        How often each length occurs, of `received` followed by `lost`.
    pairs : (2, n) ndarray of int64
        The pairs of neighbours that occur, as indices of lengths; the index after the last length stands for no run.
    log : (n,) ndarray of int64
        All pairs in their order, as indices of `pairs`.
    """

    is_first_lost: bool
    received: Ints
    lost: Ints
    counts: Ints
    pairs: Ints
    log: Ints

    @classmethod
    def of(cls, lost: Bools) -> Runs:
        """Return the runs of a log, (n,), of at least one packet."""
        rest = lost[1:]
        begins = np.flatnonzero(np.append(True, rest[1:] != rest[:-1])[: len(rest)])
        lengths, kinds = np.diff(begins, append=len(rest)), rest[begins]
        short, long = np.unique(lengths[~kinds]), np.unique(lengths[kinds])
        powers = np.where(kinds, len(short) + np.searchsorted(long, lengths), np.searchsorted(short, lengths))
        none = len(short) + len(long)
        counts = np.bincount(powers, minlength=none)
        if len(powers) % 2:
            powers = np.append(powers, none)
        pairs, log = np.unique(powers[0::2] * (none + 1) + powers[1::2], return_inverse=True)
        return cls(bool(lost[0]), short, long, counts, np.array(np.divmod(pairs, none + 1)), log)


def log_likelihood(runs: Runs, move: Floats, loss: Floats) -> float:
    """Return the logarithm of the probability of a log.

    Parameters
    ----------
    move : (2, 2) ndarray of float
        Transition probabilities before each packet, between the good and the bad state.
    loss : (2,) ndarray of float
        Probability to lose a packet in each state.
    """
    bad = move[0, 1] / (move[0, 1] + move[1, 0])
    begin = np.array([1 - bad, bad]) * (loss if runs.is_first_lost else 1 - loss)
    table = np.concatenate([_powers(move * (1 - loss), runs.received), _powers(move * loss, runs.lost)], axis=1)
    runs_and_none = np.append(table[:4], _ONE, axis=1)
    pairs = _times(runs_and_none[:, runs.pairs[0]], runs_and_none[:, runs.pairs[1]])
    product, scale = _product(pairs.take(runs.log, axis=1))
    total = scale + float(table[4] @ runs.counts)
    end = float(begin @ product.sum(1))
    return total + math.log(end) if end > 0 and total > -math.inf else -math.inf


def _powers(matrix: Floats, lengths: Ints) -> Floats:
    """Return powers of a 2x2 matrix, each as its four entries over a scale and the logarithm of the scale, (5, n).

    A matrix without negative entries has two real eigenvalues, so its powers have two terms.
    """
    (gg, gb), (bg, bb) = matrix.tolist()
    half, root = (gg + bb) / 2, math.sqrt(((gg - bb) / 2) ** 2 + gb * bg)
    high, low = half + root, half - root
    if high <= 0:
        return np.zeros((5, len(lengths)))
    scale = lengths * math.log(high)
    if root < 1e-9 * high:  # equal eigenvalues: M^n = high^n I + n high^(n-1) (M - high I)
        first = np.array([gg - high, gb, bg, bb - high]) / high
        return np.vstack([_ONE + lengths * first[:, None], scale])
    ratio = low / high
    shrunk = np.sign(ratio) ** lengths * np.abs(ratio) ** lengths
    entries = [
        ((entry - unit * low) - shrunk * (entry - unit * high)) / (2 * root)
        for entry, unit in ((gg, 1), (gb, 0), (bg, 0), (bb, 1))
    ]
    return np.vstack([np.maximum(entries, 0.0), scale])


def _times(left: Floats, right: Floats) -> Floats:
    """Return the products of 2x2 matrices, all of them (4, n)."""
    (a, b, c, d), (e, f, g, h) = left, right
    return np.stack([a * e + b * g, a * f + b * h, c * e + d * g, c * f + d * h])


def _product(factors: Floats) -> tuple[Floats, float]:
    """Return the product of 2x2 matrices, (4, n), as a matrix and the logarithm of its scale."""
    total, level = 0.0, 0
    while factors.shape[1] > 1:
        if factors.shape[1] % 2:
            factors = np.append(factors, _ONE, axis=1)
        factors, level = _times(factors[:, 0::2], factors[:, 1::2]), level + 1
        if level % _LEVELS == 0:
            size = factors.max(0)
            if not size.min() > 0:
                return np.zeros((2, 2)), -math.inf
            factors /= size
            total += float(np.log(size).sum())
    return factors.reshape(2, 2) if factors.size else np.eye(2), total
