"""Random numbers with random access: integers addressed by (seed, trial, purpose, index).

Philox4x64 is a counter-based generator [1]_: any block of its output can be addressed.
The number with index k (a packet's slot) of trial i for purpose p is the 32-bit word ::

    ((k // 64) * 8 + i % 8) * 64 + k % 64      of   Philox(key=seed, counter words 2 and 3 = (i // 8, p))

so it does not depend on the number of packets, their order or the size of the pieces. Eight trials share a block:
the batch engine then seeks once for eight. Numbers are compared with integer thresholds, so that the probability is
exactly threshold / 2**32, independent of the maths library.

References
----------
.. [1] Salmon, Moraes, Dror, Shaw, "Parallel random numbers: as easy as 1, 2, 3", SC'11, 2011.
"""

from __future__ import annotations

from enum import IntEnum
from typing import Any

import numpy as np
from numpy.typing import NDArray

from lostlink_sims import philox

BLOCK = 64
_TRIALS_PER_BLOCK = 8
_WORDS_PER_BLOCK = BLOCK * _TRIALS_PER_BLOCK // 2  # a 64-bit word holds two numbers
_NUMBERS = 8
"""Numbers in a block of the generator."""
_CALLS, _DEARER = 1000, 5
"""Blocks by themselves (`philox`) take as long as 1000 more of them, and each as long as 5 in a row."""
_FULL = 1 << 32


class Purpose(IntEnum):
    """Purpose of a stream. Each loss model has its own range, by its index in the list."""

    PHASES = 0
    PACKET_JITTER = 1
    LATENCY_JITTER = 2
    DAMAGE = 3
    SUITE = 4
    TRIALS = 5
    ADC_NOISE = 16  # + channel
    CONTACTS = 64  # + channel
    MODEL = 1024  # + MODEL_SPAN * index in the profile
    FAULT = 65536  # + MODEL_SPAN * index in the scenario


MODEL_SPAN = 256


class Streams:
    """The streams of one trial; seed and trial are below 2**64."""

    __slots__ = ("_key", "_lane", "_row")

    def __init__(self, seed: int, trial: int = 0) -> None:
        self._key = np.array([seed, 0], np.uint64)
        self._row, self._lane = divmod(trial, _TRIALS_PER_BLOCK)

    def words(self, purpose: int, first: int, count: int) -> NDArray[np.uint32]:
        """Return numbers `first` .. `first + count` - 1 of the stream for `purpose`."""
        block = first // BLOCK
        blocks = (first + count - 1) // BLOCK - block + 1
        start = np.array([block * _WORDS_PER_BLOCK // 4, 0, self._row, purpose], np.uint64)
        raw = np.random.Philox(counter=start, key=self._key).random_raw(blocks * _WORDS_PER_BLOCK)
        lane = raw.reshape(blocks, _TRIALS_PER_BLOCK, BLOCK // 2)[:, self._lane, :]
        words = np.ascontiguousarray(lane).astype("<u8", copy=False).view("<u4").ravel()
        return words[first - block * BLOCK :][:count].astype(np.uint32, copy=False)

    def below(self, purpose: int, first: int, count: int, limit: int) -> NDArray[np.int64]:
        """Return whole numbers in 0 .. `limit` - 1, one from each word (``word * limit >> 32``)."""
        return scaled(self.words(purpose, first, count), limit)


class BatchStreams:
    """The same streams for trials `first` .. `first + count` - 1 at once."""

    def __init__(self, seed: int, first: int, count: int) -> None:
        self.first, self.count = first, count
        self._seed = seed
        self._rows = range(first // _TRIALS_PER_BLOCK, (first + count - 1) // _TRIALS_PER_BLOCK + 1)
        self._skip = first - self._rows.start * _TRIALS_PER_BLOCK
        # Repositioning one generator takes a tenth of the time of a new one.
        self._source = np.random.Philox(key=np.array([seed, 0], np.uint64))
        self._state: Any = dict(self._source.state)
        self._state["buffer_pos"] = 4  # the buffer is empty

    def _raw(self, row: int, purpose: int, words: int) -> NDArray[np.uint64]:
        self._state["state"]["counter"] = np.array([0, 0, row, purpose], np.uint64)
        self._source.state = self._state
        return self._source.random_raw(words)

    def words(self, purpose: int, blocks: int) -> NDArray[np.uint32]:
        """Return numbers 0 .. 64 * `blocks` of each trial, (64 * blocks, trials)."""
        table = np.empty((blocks * BLOCK, len(self._rows) * _TRIALS_PER_BLOCK), np.uint32)
        for index, row in enumerate(self._rows):
            raw = self._raw(row, purpose, blocks * _WORDS_PER_BLOCK).astype("<u8", copy=False).view("<u4")
            lanes = raw.reshape(blocks, _TRIALS_PER_BLOCK, BLOCK).transpose(0, 2, 1).reshape(-1, _TRIALS_PER_BLOCK)
            table[:, index * _TRIALS_PER_BLOCK : (index + 1) * _TRIALS_PER_BLOCK] = lanes
        return table[:, self._skip :][:, : self.count]

    def firsts(self, purpose: int, count: int) -> NDArray[np.uint32]:
        """Return the first `count` (up to 64) numbers of each trial, (count, trials)."""
        raw = np.empty((len(self._rows), _WORDS_PER_BLOCK), "<u8")
        for index, row in enumerate(self._rows):
            raw[index] = self._raw(row, purpose, _WORDS_PER_BLOCK)
        lanes = raw.view("<u4").reshape(-1, BLOCK)[self._skip :][: self.count, :count]
        return np.ascontiguousarray(lanes.T.astype(np.uint32, copy=False))

    def bits_under(self, purpose: int, blocks: int, *limits: int) -> list[NDArray[np.uint64]]:
        """Return, for each limit, which numbers are below it, as bits.

        Returns
        -------
        list of (blocks, trials) ndarray of uint64
            Bit j of word w belongs to number 64 * w + j.
        """
        octets = np.empty((len(limits), len(self._rows), blocks * _WORDS_PER_BLOCK // 4), np.uint8)
        for index, row in enumerate(self._rows):
            raw = self._raw(row, purpose, blocks * _WORDS_PER_BLOCK).astype("<u8", copy=False).view("<u4")
            for place, limit in enumerate(limits):
                octets[place, index] = np.packbits(under(raw, limit), bitorder="little")
        words = octets.view("<u8").reshape(len(limits), len(self._rows), blocks, _TRIALS_PER_BLOCK)
        tables = words.astype(np.uint64, copy=False).transpose(0, 2, 1, 3).reshape(len(limits), blocks, -1)
        return [table[:, self._skip :][:, : self.count] for table in tables]

    def bits_under_at(self, purpose: int, where: NDArray[np.uint64], limit: int) -> NDArray[np.uint64]:
        """Return which of the numbers at set bits of `where` are below `limit`, as bits; makes few others.

        Parameters
        ----------
        purpose : int
        where : (blocks, trials) ndarray of uint64
        limit : int
        """
        octets = np.ascontiguousarray(where.astype("<u8", copy=False)).view(np.uint8)
        at = np.flatnonzero(octets)
        if (len(at) + _CALLS) * _DEARER > octets.size:
            return where & self.bits_under(purpose, len(where), limit)[0]
        word, place = np.divmod(at, octets.shape[1])
        trial, part = np.divmod(place, _NUMBERS)
        trial += self.first
        counter = (word * _TRIALS_PER_BLOCK + trial % _TRIALS_PER_BLOCK) * (BLOCK // _NUMBERS) + part
        below = under(self._blocks(trial // _TRIALS_PER_BLOCK, purpose, counter), limit)
        found = np.zeros_like(octets)
        found.reshape(-1)[at] = np.packbits(below, axis=1, bitorder="little")[:, 0]
        return found.view("<u8").astype(np.uint64, copy=False) & where

    def _blocks(self, row: NDArray[np.int64], purpose: int, counter: NDArray[np.int64]) -> NDArray[np.uint32]:
        """Return blocks of eight numbers, (n, 8); numpy's generator counts up before it makes a block."""
        made = philox.blocks(self._seed, counter + 1, row, purpose)
        return made.astype("<u8", copy=False).view("<u4").astype(np.uint32, copy=False)


def scaled(words: NDArray[np.uint32], limit: int) -> NDArray[np.int64]:
    """Return whole numbers in 0 .. `limit` - 1, one from each word (``word * limit >> 32``)."""
    return (words.astype(np.uint64) * np.uint64(limit) >> np.uint64(32)).astype(np.int64)


def threshold(share: float) -> int:
    """Return the integer t for which a word is below t with probability `share` (to 2**-32)."""
    return min(_FULL, max(0, round(share * _FULL)))


def under(words: NDArray[np.uint32], limit: int) -> NDArray[np.bool_]:
    """Return where `words` are below `limit`, which may be 2**32 (always)."""
    if limit >= _FULL:
        return np.ones(words.shape, np.bool_)
    return words < np.uint32(limit)
