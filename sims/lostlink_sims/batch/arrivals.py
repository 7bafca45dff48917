"""What arrives at the receivers of many trials: instants and payloads, the same as those of `packets`.

Payloads are linear in their codes, byte by byte and with the CRC: a payload is that of centred codes with the same
counter, exclusive-or a difference that depends on the codes only. Both are tables, unless each reading has its noise.
"""

from __future__ import annotations

import numpy as np

from lostlink_sims.air import loss
from lostlink_sims.arrays import Bytes, Ints, Words
from lostlink_sims.batch import bits
from lostlink_sims.batch.frames import Link
from lostlink_sims.batch.losses import BatchLosses
from lostlink_sims.batch.trials import FlightTrials
from lostlink_sims.columns import PacketColumns
from lostlink_sims.sticks import codes, layout

_COUNTERS = 256


def unfit_arrivals(trials: FlightTrials) -> str:
    """Return which property of the trials is not supported; empty when none."""
    radio = trials.profile.radio
    damages = any(isinstance(model, loss.LinkBudget) for model in radio.losses) and not radio.crc_bytes
    problems = ((not trials.moves_once, "a stick moves more than once"), (damages, "damaged packets arrive"))
    return next((why for wrong, why in problems if wrong), "")


class BatchArrivals:
    """The packets that reach the running receivers of trials `first` .. `first` + `count` - 1.

    Parameters
    ----------
    trials : FlightTrials
        For which `unfit_arrivals` gives no reason.
    first, count : int

    Attributes
    ----------
    drawn : Drawn
    at_us : (m,) ndarray of int64
        When they arrive, trial by trial, in order.
    rows : (m, width) ndarray of uint8
        Payloads; `size` bytes of each row are used.
    size : int
    begins : (count + 1,) ndarray of int64
        The first arrival of each trial.
    sent, missed : (count,) ndarray of int64
        As in `lostlink_sims.batch.engine.Outcomes`.
    """

    def __init__(self, trials: FlightTrials, first: int, count: int) -> None:
        self._trials = trials
        self.drawn = drawn = trials.drawn(first, count)
        air = BatchLosses(trials, drawn, first)
        self._link = Link(trials, drawn, air, air.received)
        there = bits.unpacked(air.received).T
        trial, slot = np.nonzero(there)
        self.begins = np.concatenate([[0], np.cumsum(there.sum(1))])
        self.at_us = self._link.arrival_us(trial, slot)
        self.size = trials.profile.payload_bytes
        self.rows = self._payloads(trial, slot)
        self.sent = air.departures.first_from(drawn.lost_us)
        received = bits.from_to(len(air.received), np.zeros_like(self.sent), self.sent)
        self.missed = self.sent - bits.count(air.received & received)

    def _payloads(self, trial: Ints, slot: Ints) -> Bytes:
        profile = self._trials.profile
        base = layout(profile, self._codes(0), np.arange(_COUNTERS))
        if profile.handset.adc_noise_counts:
            steps = self._difference(self._link.codes(trial, slot))
            return _bytes(_wide(base)[slot % _COUNTERS] ^ steps)
        # Between the moves of the sticks the codes of a trial stay the same.
        moves_us = np.array(sorted({0, *(move.at_us for move in self._trials.moves)}), np.int64)
        trials = np.repeat(np.arange(len(self.begins) - 1), len(moves_us))
        position = self._trials.positions(self.drawn, trials, np.tile(moves_us, len(self.begins) - 1))
        steps = self._difference(codes(profile, position))
        left_us = self._link.air.departures.left_us(trial, slot)
        part = np.searchsorted(moves_us, left_us, side="right") - 1 + trial * len(moves_us)
        return _bytes(_wide(base)[slot % _COUNTERS] ^ steps[part])

    def _codes(self, code: int) -> Ints:
        return np.full((_COUNTERS, len(self._trials.profile.channels)), code)

    def _difference(self, code: Ints) -> Words:
        profile, counter = self._trials.profile, np.zeros(len(code), np.int64)
        return _wide(layout(profile, code, counter)) ^ _wide(layout(profile, self._codes(0)[:1], counter[:1]))

    def of(self, index: int) -> PacketColumns:
        """Return the packets of one trial."""
        part = slice(int(self.begins[index]), int(self.begins[index + 1]))
        return PacketColumns(self.at_us[part], self.rows[part], self.size)


def _wide(rows: Bytes) -> Words:
    """Return rows of bytes as words of 64 bits, with zeros behind."""
    width = -(-rows.shape[1] // 8) * 8
    wide = np.zeros((len(rows), width), np.uint8)
    wide[:, : rows.shape[1]] = rows
    words: Words = wide.view(np.uint64)
    return words


def _bytes(words: Words) -> Bytes:
    rows: Bytes = words.view(np.uint8)
    return rows
