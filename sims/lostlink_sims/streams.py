"""Random numbers that any engine can find again: integers named by (seed, trial, purpose, index).

Philox4x64 is a counter-based generator [1]_: a block of its output is addressed, not reached by drawing what
lies before it. The number with index k (a packet's slot) of trial i for purpose p is the 32-bit word ::

    ((k // 64) * 8 + i % 8) * 64 + k % 64      of   Philox(key=seed, counter words 2 and 3 = (i // 8, p))

so it does not depend on how many packets are simulated, in which order, or in how many pieces. Eight trials
share a block because a vectorised engine then seeks once for eight. Numbers are compared as integers with
integer thresholds: the effective probability is threshold / 2**32, and no maths library has a say.

References
----------
.. [1] Salmon, Moraes, Dror, Shaw, "Parallel random numbers: as easy as 1, 2, 3", SC'11, 2011.
"""

from __future__ import annotations

from enum import IntEnum
from typing import Any

import numpy as np
from numpy.typing import NDArray

BLOCK = 64
_TRIALS_A_BLOCK = 8
_WORDS_A_BLOCK = BLOCK * _TRIALS_A_BLOCK // 2  # a 64-bit word holds two numbers
_FULL = 1 << 32


class Purpose(IntEnum):
    """What a stream is for. Loss models have ranges of their own, by their place in the list."""

    PHASES = 0
    PACKET_JITTER = 1
    LATENCY_JITTER = 2
    DAMAGE = 3
    SUITE = 4
    LOT = 5
    ADC_NOISE = 16  # + channel
    MODEL = 1024  # + MODEL_SPAN * place in the profile
    FAULT = 65536  # + MODEL_SPAN * place in the scenario


MODEL_SPAN = 256


class Streams:
    """The streams of one trial.

    Parameters
    ----------
    seed : int
        0 <= seed < 2**64.
    trial : int
        0 <= trial < 2**64.
    """

    __slots__ = ("_key", "_lane", "_row")

    def __init__(self, seed: int, trial: int = 0) -> None:
        self._key = np.array([seed, 0], np.uint64)
        self._row, self._lane = divmod(trial, _TRIALS_A_BLOCK)

    def words(self, purpose: int, first: int, count: int) -> NDArray[np.uint32]:
        """Return numbers `first` .. `first + count` of the stream for `purpose`.

        Returns
        -------
        (count,) ndarray of uint32
        """
        block = first // BLOCK
        blocks = (first + count - 1) // BLOCK - block + 1
        start = np.array([block * _WORDS_A_BLOCK // 4, 0, self._row, purpose], np.uint64)
        raw = np.random.Philox(counter=start, key=self._key).random_raw(blocks * _WORDS_A_BLOCK)
        lane = raw.reshape(blocks, _TRIALS_A_BLOCK, BLOCK // 2)[:, self._lane, :]
        words = np.ascontiguousarray(lane).astype("<u8", copy=False).view("<u4").ravel()
        return words[first - block * BLOCK :][:count].astype(np.uint32, copy=False)

    def below(self, purpose: int, first: int, count: int, limit: int) -> NDArray[np.int64]:
        """Return whole numbers in 0 .. `limit` - 1, one from each word (``word * limit >> 32``)."""
        return scaled(self.words(purpose, first, count), limit)


class BatchStreams:
    """The same streams for many trials at once.

    Parameters
    ----------
    seed : int
        0 <= seed < 2**64.
    first, count : int
        Trials `first` .. `first + count` - 1.
    """

    def __init__(self, seed: int, first: int, count: int) -> None:
        self.first, self.count = first, count
        self._rows = range(first // _TRIALS_A_BLOCK, (first + count - 1) // _TRIALS_A_BLOCK + 1)
        self._skip = first - self._rows.start * _TRIALS_A_BLOCK
        # A generator made once and set to each place takes a tenth of the time of a new one.
        self._source = np.random.Philox(key=np.array([seed, 0], np.uint64))
        self._state: Any = dict(self._source.state)
        self._state["buffer_pos"] = 4  # nothing is left over from before

    def _raw(self, row: int, purpose: int, words: int) -> NDArray[np.uint64]:
        self._state["state"]["counter"] = np.array([0, 0, row, purpose], np.uint64)
        self._source.state = self._state
        return self._source.random_raw(words)

    def words(self, purpose: int, blocks: int) -> NDArray[np.uint32]:
        """Return numbers 0 .. 64 * `blocks` of each trial, (64 * blocks, trials)."""
        table = np.empty((blocks * BLOCK, len(self._rows) * _TRIALS_A_BLOCK), np.uint32)
        for place, row in enumerate(self._rows):
            raw = self._raw(row, purpose, blocks * _WORDS_A_BLOCK).astype("<u8", copy=False).view("<u4")
            lanes = raw.reshape(blocks, _TRIALS_A_BLOCK, BLOCK).transpose(0, 2, 1).reshape(-1, _TRIALS_A_BLOCK)
            table[:, place * _TRIALS_A_BLOCK : (place + 1) * _TRIALS_A_BLOCK] = lanes
        return table[:, self._skip :][:, : self.count]

    def firsts(self, purpose: int, count: int) -> NDArray[np.uint32]:
        """Return the first `count` (up to 64) numbers of each trial, (count, trials)."""
        lanes = np.empty((len(self._rows), _TRIALS_A_BLOCK, count), np.uint32)
        for place, row in enumerate(self._rows):
            raw = self._raw(row, purpose, _WORDS_A_BLOCK).astype("<u8", copy=False).view("<u4")
            lanes[place] = raw.reshape(_TRIALS_A_BLOCK, BLOCK)[:, :count]
        return lanes.reshape(-1, count).T[:, self._skip :][:, : self.count]

    def bits_under(self, purpose: int, blocks: int, *limits: int) -> list[NDArray[np.uint64]]:
        """Return, for each limit, where numbers lie below it, as bits.

        Returns
        -------
        list of (blocks, trials) ndarray of uint64
            Bit j of word w belongs to number 64 * w + j.
        """
        tables = [np.empty((blocks, len(self._rows) * _TRIALS_A_BLOCK), np.uint64) for _ in limits]
        for place, row in enumerate(self._rows):
            raw = self._raw(row, purpose, blocks * _WORDS_A_BLOCK).astype("<u8", copy=False).view("<u4")
            lanes = slice(place * _TRIALS_A_BLOCK, (place + 1) * _TRIALS_A_BLOCK)
            for table, limit in zip(tables, limits, strict=True):
                packed = np.packbits(under(raw, limit), bitorder="little")
                table[:, lanes] = packed.view("<u8").reshape(blocks, _TRIALS_A_BLOCK)
        return [table[:, self._skip :][:, : self.count] for table in tables]


def scaled(words: NDArray[np.uint32], limit: int) -> NDArray[np.int64]:
    """Return whole numbers in 0 .. `limit` - 1, one from each word (``word * limit >> 32``)."""
    return (words.astype(np.uint64) * np.uint64(limit) >> np.uint64(32)).astype(np.int64)


def threshold(share: float) -> int:
    """Return the integer t for which a word is below t with probability `share` (to 2**-32)."""
    return min(_FULL, max(0, round(share * _FULL)))


def under(words: NDArray[np.uint32], limit: int) -> NDArray[np.bool_]:
    """Return where `words` lie below `limit`, which may be 2**32 (always)."""
    if limit >= _FULL:
        return np.ones(words.shape, np.bool_)
    return words < np.uint32(limit)
