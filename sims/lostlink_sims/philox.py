"""Philox4x64-10 at any counters, in numpy: for numbers that are wanted here and there.

numpy's own generator makes numbers in a row, some five times as fast for each of them, but to move it takes as long as
to make a thousand. The algorithm is that of Salmon, Moraes, Dror and Shaw, SC'11, 2011.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from lostlink_sims.arrays import Ints, Words

_FACTORS: Final = np.array([[0xD2E7470EE14C6C93], [0xCA5A826395121157]], np.uint64)
_STEPS: Final = np.array([[0x9E3779B97F4A7C15], [0xBB67AE8584CAA73B]], np.uint64)
_ROUNDS: Final = 10
_PIECE: Final = 16_384
"""Blocks at a time: the memory of all rows is 1.5 MiB."""
_LOW, _HALF = np.uint64(0xFFFF_FFFF), np.uint64(32)
_LOWER, _UPPER = _FACTORS & _LOW, _FACTORS >> _HALF


def blocks(key: int, counter: Ints, row: Ints, purpose: int) -> Words:
    """Return the blocks of the counters (`counter`, 0, `row`, `purpose`) and the key (`key`, 0).

    Parameters
    ----------
    key : int
    counter, row : (n,) ndarray of int64
    purpose : int

    Returns
    -------
    (n, 4) ndarray of uint64
    """
    made = np.empty((len(counter), 4), np.uint64)
    for begin in range(0, len(counter), _PIECE):
        part = slice(begin, begin + _PIECE)
        _piece(key, counter[part], row[part], purpose, made[part])
    return made


def _piece(key: int, counter: Ints, row: Ints, purpose: int, made: Words) -> None:
    mixed, kept, high, *spare = np.empty((6, 2, len(counter)), np.uint64)  # words 0 and 2, words 1 and 3
    mixed[0], mixed[1] = counter, row
    kept[0], kept[1] = 0, purpose
    keys = np.array([[key], [0]], np.uint64)
    for _ in range(_ROUNDS):
        _high(mixed, high, spare)
        np.multiply(mixed, _FACTORS, out=mixed)
        np.bitwise_xor(high[::-1], kept, out=kept)
        np.bitwise_xor(kept, keys, out=kept)
        mixed, kept = kept, mixed[::-1]
        keys += _STEPS
    made[:, 0::2], made[:, 1::2] = mixed.T, kept.T


def _high(word: Words, out: Words, spare: list[Words]) -> None:
    """Write the upper 64 bits of the products with the factors, from the four products of halves."""
    lower, upper, carried = spare
    np.bitwise_and(word, _LOW, out=lower)
    np.right_shift(word, _HALF, out=upper)
    np.multiply(lower, _UPPER, out=out)
    np.multiply(lower, _LOWER, out=lower)
    np.right_shift(lower, _HALF, out=lower)
    np.add(out, lower, out=out)  # cannot overflow
    np.multiply(upper, _LOWER, out=lower)
    np.multiply(upper, _UPPER, out=upper)
    np.bitwise_and(out, _LOW, out=carried)
    np.add(lower, carried, out=lower)
    np.right_shift(lower, _HALF, out=lower)
    np.right_shift(out, _HALF, out=out)
    np.add(out, upper, out=out)
    np.add(out, lower, out=out)
