"""Packets as bits: 64 slots a word, many trials side by side.

A table is a (words, trials) array of uint64; bit j of word w belongs to slot 64 * w + j.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from lostlink_sims.arrays import Ints, Mask, Words

_ONE: Final = np.uint64(1)
_ALL: Final = np.uint64(0xFFFF_FFFF_FFFF_FFFF)
_HALF: Final = np.uint64(32)
_FOURS: Final = np.uint64(0x3333_3333_3333_3333)
_FROM: Final = np.array([(0xFFFF_FFFF_FFFF_FFFF << slot) & 0xFFFF_FFFF_FFFF_FFFF for slot in range(65)], np.uint64)
_UNTIL: Final = ~_FROM


def packed(table: Mask) -> Words:
    """Return a (64 * words, trials) table of booleans as bits."""
    octets = np.packbits(table, axis=0, bitorder="little")
    rows = octets.reshape(-1, 8, table.shape[1]).transpose(0, 2, 1)
    return np.ascontiguousarray(rows).view("<u8")[:, :, 0].astype(np.uint64, copy=False)


def unpacked(words: Words) -> Mask:
    """Return bits as a (64 * words, trials) table of booleans."""
    octets = np.ascontiguousarray(words.astype("<u8", copy=False)).view(np.uint8)
    rows = octets.reshape(len(words), -1, 8).transpose(0, 2, 1)
    return np.unpackbits(rows.reshape(len(words) * 8, -1), axis=0, bitorder="little").astype(np.bool_)


def count(table: Words) -> Ints:
    """Return the number of set bits of each trial, (trials,)."""
    # In pairs, in fours, in octets; the product adds the octets up.
    pairs = table - (table >> _ONE & np.uint64(0x5555_5555_5555_5555))
    fours = (pairs & _FOURS) + (pairs >> np.uint64(2) & _FOURS)
    octets = (fours + (fours >> np.uint64(4))) & np.uint64(0x0F0F_0F0F_0F0F_0F0F)
    counts: Ints = (octets * np.uint64(0x0101_0101_0101_0101) >> np.uint64(56)).sum(0).astype(np.int64)
    return counts


def from_to(words: int, first: Ints, after: Ints) -> Words:
    """Return bits `first` .. `after` - 1 set for each trial; none where `after` <= `first`."""
    begin = 64 * np.arange(words)[:, None]
    since: Words = _FROM.take(first - begin, mode="clip")
    since &= _UNTIL.take(after - begin, mode="clip")
    return since


def put(table: Words, slot: Ints, trial: Ints) -> None:
    """Set the bits of some slots and trials, in place."""
    flat = table.reshape(-1)
    np.bitwise_or.at(flat, (slot >> 6) * table.shape[1] + trial, _ONE << (slot & 63).astype(np.uint64))


def carried(generate: Words, propagate: Words) -> Words:
    """Return b with ``b[k] = generate[k] | (propagate[k] & b[k-1])`` along the slots, b[-1] = 0.

    It is the carry of an adder: 64 slots for one addition. `generate` must be part of `propagate`.
    """
    out = np.empty_like(generate)
    carry = np.zeros(generate.shape[1], np.uint64)
    for word in range(len(generate)):
        both = generate[word] + propagate[word]
        total = both + carry
        over = (both < propagate[word]) | (total < both)
        into = total ^ generate[word] ^ propagate[word]  # the carry into each bit
        out[word] = into >> _ONE | over.astype(np.uint64) << np.uint64(63)
        carry = over.astype(np.uint64)
    return out


def runs(table: Words, least: int) -> Words:
    """Return a bit at each slot with which `least` set bits in a row begin."""
    run, have = table, 1
    while have < least:
        step = min(have, least - have)
        run = run & _down(run, step)
        have += step
    return run


def _down(table: Words, by: int) -> Words:
    """Return the table with every slot's bit moved `by` slots towards the first."""
    whole, part = divmod(by, 64)
    out = np.zeros_like(table)
    kept = len(table) - whole
    if kept <= 0:
        return out
    out[:kept] = table[whole:] >> np.uint64(part)
    if part and kept > 1:
        out[: kept - 1] |= table[whole + 1 :] << np.uint64(64 - part)
    return out


def firsts(table: Words) -> Words:
    """Return only those bits whose slot before is not set."""
    before = table << _ONE
    before[1:] |= table[:-1] >> np.uint64(63)
    return table & ~before


def positions(table: Words) -> tuple[Ints, Ints]:
    """Return trial and slot of all set bits, ordered by trial, then slot."""
    trial, word = np.nonzero(table.T)
    left = table[word, trial]
    trials, slots = [np.zeros(0, np.int64)], [np.zeros(0, np.int64)]
    while len(left):
        trials.append(trial)
        slots.append(64 * word + _lowest(left))
        left = left & (left - _ONE)
        more = left != 0
        trial, word, left = trial[more], word[more], left[more]
    trial, slot = np.concatenate(trials), np.concatenate(slots)
    order = np.lexsort((slot, trial))
    return trial[order], slot[order]


def _lowest(words: Words) -> Ints:
    return _highest(words & (~words + _ONE))


def _highest(words: Words) -> Ints:
    """Return the index of the highest set bit; a half word is exact in a double."""
    upper = words >> _HALF
    half = np.where(upper != 0, upper, words & np.uint64(0xFFFF_FFFF)).astype(np.float64)
    return np.frexp(half)[1].astype(np.int64) - 1 + np.where(upper != 0, 32, 0)


class Seeker:
    """Finds set bits near a slot.

    Parameters
    ----------
    table : (words, trials) ndarray of uint64
    """

    def __init__(self, table: Words) -> None:
        self._table, self.end = table, 64 * len(table)
        # From each word, the nearest one with a set bit after and before it.
        self._after = np.full((len(table) + 1, table.shape[1]), len(table))
        self._before = np.full(table.shape, -1)
        some, word = table != 0, range(len(table))
        for this in reversed(word):
            self._after[this] = np.where(some[this], this, self._after[this + 1])
        for this in word:
            self._before[this] = np.where(some[this], this, self._before[this - 1])

    def next(self, trial: Ints, slot: Ints) -> Ints:
        """Return the first set slot at or after `slot` for each trial; `end` when there is none."""
        inside = np.minimum(slot, self.end - 1)
        word = inside >> 6
        here = self._table[word, trial] & (_ALL << (inside & 63).astype(np.uint64))
        empty = here == 0
        if empty.any():
            word = np.where(empty, self._after[word + 1, trial], word)
            here = np.where(empty, self._table[np.minimum(word, len(self._table) - 1), trial], here)
        exists = (word < len(self._table)) & (slot < self.end)
        return np.where(exists, 64 * word + _lowest(np.where(exists, here, _ONE)), self.end)

    def previous(self, trial: Ints, slot: Ints) -> Ints:
        """Return the last set slot at or before `slot` for each trial; -1 when there is none."""
        inside = np.clip(slot, 0, self.end - 1)
        word = inside >> 6
        here = self._table[word, trial] & (_ALL >> (63 - (inside & 63)).astype(np.uint64))
        empty = here == 0
        if empty.any():
            word = np.where(empty & (word > 0), self._before[np.maximum(word - 1, 0), trial], np.where(empty, -1, word))
            here = np.where(empty, self._table[np.maximum(word, 0), trial], here)
        exists = (word >= 0) & (slot >= 0)
        return np.where(exists, 64 * word + _highest(np.where(exists, here, _ONE)), -1)


def window(table: Words, trial: Ints, slot: Ints, length: int) -> Mask:
    """Return slots `slot` .. `slot` + `length` - 1 of each trial, (trials, length); `length` is at most 64."""
    at = slot >> 6
    low = table[np.minimum(at, len(table) - 1), trial]
    high = np.where(at + 1 < len(table), table[np.minimum(at + 1, len(table) - 1), trial], np.uint64(0))
    low = np.where(at < len(table), low, np.uint64(0))
    shift = (slot & 63).astype(np.uint64)
    bits = low >> shift | np.where(shift > 0, high << (np.uint64(64) - np.maximum(shift, _ONE)), np.uint64(0))
    octets = np.ascontiguousarray(bits.astype("<u8", copy=False)).view(np.uint8).reshape(len(slot), 8)
    return np.unpackbits(octets, axis=1, count=length, bitorder="little").astype(np.bool_)
